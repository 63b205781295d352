"""Seeing devices come and go, by looking again and again.

Looking costs a few directory reads, so it works the same on every system and needs no service of
it. A device that is out and back between two looks is seen where the system gives it another
number; where it does not, its worker notices the loss by itself.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass

import structlog

from capture.clock import Clock
from capture.discovery.device import Device, write_as
from capture.discovery.listing import by_path

INTERVAL = 0.5


@dataclass(frozen=True, slots=True)
class Change:
    """What came and what went since the look before."""

    appeared: tuple[Device, ...] = ()
    vanished: tuple[Device, ...] = ()

    def __bool__(self) -> bool:
        """Tell whether anything changed."""
        return bool(self.appeared or self.vanished)


class Watcher:
    """Looks every ``interval`` seconds, logs what changed, and tells ``on_change``."""

    def __init__(
        self,
        listing: Callable[[], list[Device]],
        clock: Clock,
        on_change: Callable[[Change], None],
        interval: float = INTERVAL,
    ) -> None:
        self._listing = listing
        self._clock = clock
        self._on_change = on_change
        self._interval = interval
        self._before: list[Device] | None = None
        self._failing = False
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="ports")
        self._log = structlog.get_logger()

    def start(self) -> None:
        """Start looking, in a thread of its own."""
        self._thread.start()

    def stop(self, timeout: float) -> bool:
        """End the thread; True when it has ended."""
        self._stop.set()
        if self._thread.ident is None:
            return True
        self._thread.join(timeout)
        return not self._thread.is_alive()

    def look(self) -> Change:
        """Look once; the first look finds nothing new."""
        try:
            now = self._listing()
        except Exception as error:  # noqa: BLE001 - a list that fails today may work in a second
            if not self._failing:
                self._log.warning("ports.not_listed", why=f"{type(error).__name__}: {error}")
            self._failing = True
            return Change()
        self._failing = False
        before, self._before = self._before, now
        if before is None:
            return Change()
        change = Change(
            tuple(each for each in now if each not in before),
            tuple(each for each in before if each not in now),
        )
        for each in change.vanished:
            self._log.info("port.vanished", port=each.path, write_as=each.identity or each.path)
        for each in change.appeared:
            name = write_as(each, now, by_path)
            self._log.info(
                "port.appeared", port=each.path, write_as=name.text, says=each.description
            )
        if change:
            self._on_change(change)
        return change

    def _run(self) -> None:
        while not self._stop.is_set():
            self.look()
            self._clock.wait(self._stop, self._interval)
