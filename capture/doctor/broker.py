"""Whether the brokers let us in with these credentials. Connects, publishes nothing, leaves."""

import select
from collections.abc import Iterator

from capture.clock import Clock
from capture.config import Config
from capture.doctor.finding import Finding, ok, wrong
from capture.errors import CaptureError
from capture.model.names import BROKER
from capture.publish import PublisherSettings
from capture.publish.connection import Connection, Version
from capture.publish.secrets import Credentials

_PATIENCE = 5.0  # seconds for CONNACK
_TURN = 0.2


def brokers(config: Config, clock: Clock) -> Iterator[Finding]:
    """Connect to each broker in turn."""
    for name in config.publishers:
        yield _broker(config, name, clock)


def _broker(config: Config, name: str, clock: Clock) -> Finding:
    what = name if name == BROKER else f"broker {name}"
    try:
        settings = PublisherSettings.of(config, name)
        connection = _connected(settings, "3.1.1" if settings.version == "3.1.1" else "5", clock)
        if settings.version == "auto" and connection.version_refused:
            connection = _connected(settings, "3.1.1", clock)
    except CaptureError as error:
        return wrong(what, str(error), "start the broker, or correct host, port, tls or password")
    where = f"{settings.host}:{settings.port}"
    if connection.accepted:
        tls = ", TLS" if settings.tls is not None else ""
        user = "without a name" if not settings.username else "with name and password"
        return ok(what, f"{where}: let us in {user} (MQTT {connection.version}{tls})")
    do = "look at the broker's log"
    if connection.not_let_in:
        do = "correct username and password, or the broker's access rules"
    return wrong(what, connection.over or f"{where}: does not answer CONNECT", do)


def _connected(settings: PublisherSettings, version: Version, clock: Clock) -> Connection:
    """Connect as the publisher does, but under another client id and without a will.

    With the publisher's own id the broker would end the daemon's connection; its will would tell
    the plant that the bench is offline.

    Raises:
        PublishError: no connection at all, or the files named for it cannot be used.
    """
    secrets = Credentials(settings).read()
    connection = Connection(
        host=settings.host,
        port=settings.port,
        version=version,
        client_id=f"{settings.client_id}-doctor",
        keepalive_s=settings.keepalive_s,
        username=settings.username,
        password=secrets.password,
        tls=secrets.context,
    )
    try:
        connection.begin()
        end = clock.monotonic() + _PATIENCE
        while not connection.accepted and connection.over is None:
            if clock.monotonic() >= end:
                connection.not_answered()
                break
            _turn(connection)
    finally:
        connection.end(politely=connection.accepted)
    return connection


def _turn(connection: Connection) -> None:
    socket = connection.fileno()
    if socket is None:
        connection.not_answered()
        return
    writes = [socket] if connection.wants_write() else []
    readable, writable, _ = select.select([socket], writes, [], _TURN)
    waiting = bool(readable) or connection.has_read()
    connection.service(readable=waiting, writable=bool(writable), misc=True)
