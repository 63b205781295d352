"""Writing down who came, who went, and who failed to: in the journal, in a bounded number."""

import threading
from collections.abc import Callable
from typing import Any

import structlog

from capture.clock import Clock
from capture.errors import JournalError
from capture.model import new_id
from capture.model.audit import AuditEntry, Happening

_TOGETHER_S = 60.0
_MOST_A_MINUTE = 10
_MOST_KEYS = 256
_Key = tuple[str | None, str]
_SEVERAL: _Key = (None, "several")


class Audit:
    """Writes audit entries. Any thread; returns after the commit."""

    def __init__(
        self, site: str, bench: str, clock: Clock, append: Callable[[list[AuditEntry]], Any]
    ) -> None:
        self._site, self._bench = site, bench
        self._clock = clock
        self._append = append
        self._lock = threading.Lock()
        self._written: dict[_Key, float] = {}
        self._held: dict[_Key, int] = {}
        self._log = structlog.get_logger()

    def note(
        self, what: Happening, operator: str | None, address: str, *, proven: bool | None = None
    ) -> None:
        """Write an entry, and failures that were held back and are due."""
        self._write([*self._due(), self._entry(what, operator, address, proven=proven)])

    def failed(self, operator: str | None, address: str) -> None:
        """Write that a log-in failed: the first at once, those that follow it once a minute."""
        with self._lock:
            key = (operator, address)
            if key not in self._held and len(self._held) >= _MOST_KEYS:
                key = _SEVERAL
            self._held[key] = self._held.get(key, 0) + 1
        self._write(self._due())

    def flush(self) -> None:
        """Write all that was held back."""
        self._write(self._due(all_of_it=True))

    def _due(self, *, all_of_it: bool = False) -> list[AuditEntry]:
        now = self._clock.monotonic()
        with self._lock:
            self._written = {key: at for key, at in self._written.items() if now - at < _TOGETHER_S}
            due = []
            for key in list(self._held):
                room = len(self._written) < _MOST_A_MINUTE and key not in self._written
                if room or all_of_it:
                    due.append((key, self._held.pop(key)))
                    self._written[key] = now
        return [self._entry("log-in-failed", *key, times=times) for key, times in due]

    def _entry(
        self, what: Happening, operator: str | None, address: str, **more: Any
    ) -> AuditEntry:
        return AuditEntry(
            id=new_id(),
            site=self._site,
            bench=self._bench,
            time=self._clock.utc(),
            what=what,
            operator=operator,
            address=address,
            **more,
        )

    def _write(self, entries: list[AuditEntry]) -> None:
        if not entries:
            return
        try:
            self._append(entries)
        except JournalError as error:
            # Who cannot log in cannot see that the disk is full either; the log keeps it instead.
            told = [each.model_dump(mode="json", exclude={"id"}) for each in entries]
            self._log.warning("access.not_in_journal", reason=str(error), entries=told)
