"""The supervisor: starts the workers, wakes them, tells how they are, stops them together."""

import time
from collections.abc import Callable, Iterable

from capture.clock import Clock
from capture.runtime.worker import Instrument, Snapshot, Store, Worker


class Supervisor:
    """All workers of one bench."""

    def __init__(
        self,
        instruments: Iterable[Instrument],
        store: Store,
        clock: Clock,
        on_change: Callable[[Snapshot], None],
    ) -> None:
        self._workers = [Worker(each, store, clock, on_change) for each in instruments]

    def start(self) -> None:
        """Start every worker."""
        for worker in self._workers:
            worker.start()

    def snapshots(self) -> list[Snapshot]:
        """How every instrument is now."""
        return [worker.snapshot for worker in self._workers]

    def lost(self) -> list[str]:
        """Name the instruments whose worker ended without saying so."""
        return [worker.snapshot.instrument for worker in self._workers if worker.lost]

    def silent(self) -> list[str]:
        """Name the instruments whose worker has given no sign of life for long."""
        return [worker.snapshot.instrument for worker in self._workers if worker.heartbeat.late]

    def wake(self, instruments: Iterable[str]) -> None:
        """Wake the workers of ``instruments``, whose ports are back; one that runs goes on."""
        wanted = frozenset(instruments)
        for worker in self._workers:
            if worker.snapshot.instrument in wanted:
                worker.wake()

    def stop(self, timeout: float) -> list[str]:
        """Ask every worker to stop and wait; give the names of those that did not end in time."""
        for worker in self._workers:
            worker.ask_to_stop()
        end = time.monotonic() + timeout
        return [
            worker.snapshot.instrument
            for worker in self._workers
            if not worker.join(max(0.0, end - time.monotonic()))
        ]
