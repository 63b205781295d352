"""The feed: what the daemon tells its publisher, over a pipe of text lines.

An empty line says "look at the journal", one with a mark is the entry that was just stored (see
`capture.publish.news`), a line of JSON sets an instrument's retained state, and the end of the
pipe means "deliver what you can, then stop", which is also what a publisher sees when its daemon
was killed.
"""

import json
import os
import select
from collections import deque
from typing import TYPE_CHECKING

from capture.clock import Clock
from capture.publish.news import MARK, row_of

if TYPE_CHECKING:
    from capture.journal import Row


class Feed:
    """The publisher's end of the pipe."""

    def __init__(self, handle: int, clock: Clock, drain_s: float) -> None:
        self.states: dict[str, bytes] = {}
        self.states_due: deque[str] = deque()
        self.look = True
        self.newest: Row | None = None
        """The entry that was stored last, where the daemon gave it."""
        self._handle = handle
        self._clock = clock
        self._drain_s = drain_s
        self._rest = b""
        self._stop_by: float | None = None

    @property
    def ended(self) -> bool:
        """Whether a stop was asked for."""
        return self._stop_by is not None

    @property
    def time_is_up(self) -> bool:
        """Whether the time for delivering the rest has passed, too."""
        return self._stop_by is not None and self._clock.monotonic() >= self._stop_by

    def fileno(self) -> int | None:
        """Give what to wait on; None once the pipe has ended."""
        return None if self.ended else self._handle

    def wait(self, seconds: float) -> None:
        """Wait for the daemon to say something, and take it."""
        if self.ended:
            return
        ready, _, _ = select.select([self._handle], [], [], max(0.0, seconds))
        if ready:
            self.read()

    def read(self) -> None:
        """Take what the daemon said; blocks until there is something."""
        try:
            data = os.read(self._handle, 65536)
        except OSError:
            data = b""
        if not data:
            self._stop_by = self._clock.monotonic() + self._drain_s
            return
        self.look = True
        *lines, self._rest = (self._rest + data).split(b"\n")
        self.newest = row_of(lines[-1]) if lines and lines[-1].startswith(MARK) else None
        for line in lines:
            if not line or line.startswith(MARK):
                continue
            message = json.loads(line)
            instrument = message["instrument"]
            self.states[instrument] = line
            if instrument not in self.states_due:
                self.states_due.append(instrument)

    def all_states_are_due(self) -> None:
        """Say every state again: a new connection begins."""
        self.states_due = deque(self.states)
