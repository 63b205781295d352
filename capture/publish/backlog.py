"""The entries still to be sent, in order, read from the journal in short pages."""

from collections import deque

from capture.clock import Clock
from capture.journal import JournalReader, Row
from capture.publish.feed import Feed

_PAGE = 200
LOOK_EVERY = 0.2  # entries that other processes appended are noticed within this


class Backlog:
    """Gives one entry after the other, from a place on."""

    def __init__(self, reader: JournalReader, feed: Feed, clock: Clock, after: int) -> None:
        self._reader = reader
        self._feed = feed
        self._clock = clock
        self._page: deque[Row] = deque()
        self._read_up_to = after
        self._looked_at = float("-inf")

    def next_row(self) -> Row | None:
        """Give the next entry; None where there is none at the moment."""
        newest, self._feed.newest = self._feed.newest, None
        if newest is not None and not self._page and newest.n == self._read_up_to + 1:
            self._read_up_to = newest.n
            return newest
        if not self._page:
            now = self._clock.monotonic()
            if not self._feed.look and now - self._looked_at < LOOK_EVERY:
                return None
            self._feed.look = False
            self._looked_at = now
            self._page.extend(self._reader.after(self._read_up_to, _PAGE))
            if not self._page:
                return None
            if len(self._page) == _PAGE:
                self._feed.look = True  # there may be more
        row = self._page.popleft()
        self._read_up_to = row.n
        return row

    def rewind(self, after: int) -> None:
        """Go on from the entry after number ``after``."""
        self._page.clear()
        self._read_up_to = after
        self._feed.look = True
