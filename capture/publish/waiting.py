"""Waiting for the broker or the daemon, and moving what came: one turn of a connection's loop."""

import select

from capture.clock import Clock
from capture.errors import PublishError
from capture.publish.broker import GONE
from capture.publish.connection import Connection
from capture.publish.feed import Feed

_MISC_EVERY = 0.5


class Waiting:
    """Waits on one connection and on the feed."""

    def __init__(self, connection: Connection, feed: Feed, clock: Clock) -> None:
        self._connection = connection
        self._feed = feed
        self._clock = clock
        self._misc_at = clock.monotonic()

    def turn(self, longest: float) -> None:
        """Wait no longer than so many seconds, and take what came.

        Raises:
            PublishError: there is no connection any more.
        """
        connection, feed = self._connection, self._feed
        socket = connection.fileno()
        if socket is None:
            raise PublishError(connection.over or GONE)
        reads = [each for each in (socket, feed.fileno()) if each is not None]
        writes = [socket] if connection.wants_write() else []
        waiting = connection.has_read()
        readable, writable, _ = select.select(reads, writes, [], 0 if waiting else longest)
        if feed.fileno() in readable:
            feed.read()
        now = self._clock.monotonic()
        misc = now - self._misc_at >= _MISC_EVERY
        if misc:
            self._misc_at = now
        read = waiting or socket in readable
        if misc or writable or read:
            connection.service(readable=read, writable=bool(writable), misc=misc)
