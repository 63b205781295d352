"""The journal's writer thread: many callers, one transaction at a time, grouped under load.

A lone caller is committed at once. When commits come thick and from several callers, the writer
lingers a few milliseconds so that they share one sync of the disk. A caller gets its answer after
the commit and has one batch outstanding, so memory is bounded by the number of callers.
"""

import queue
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import TYPE_CHECKING

import structlog

from capture.clock import Clock
from capture.errors import JournalDamaged, JournalError, JournalFull
from capture.heartbeat import Heartbeat
from capture.journal.store import MOST_PAGES, Entry, Expectation, StaleError, Store, Stored
from capture.journal.upkeep import RESERVE, Health, Upkeep

if TYPE_CHECKING:
    from capture.journal.row import Row

_LINGER = 0.005
_THICK = 0.010  # seconds between two commits below which they count as thick
_FOREIGN_POLL = 0.2  # entries of other processes are noticed within this
_MOST_ENTRIES = 5000
# What one commit writes, in pages of the log: entries and three indices by their size, and the
# tables that every commit changes.
_PAGES_OF_COMMIT = 6
_ENTRIES_OF_PAGE = 3
_LONGEST_TURN = 30.0  # seconds; a commit waits 5 s for another program, a worn disk for its sync

_Work = tuple[Sequence[Entry], Expectation | None, "Future[list[Stored]]"]


class Writer:
    """Appends for many threads. Start it, append, stop it."""

    def __init__(
        self,
        path: Path,
        clock: Clock,
        on_commit: Callable[[], None],
        *,
        reserve: int = RESERVE,
    ) -> None:
        """Take the journal's path; ``on_commit`` is called after every commit, ours or foreign.

        ``on_commit`` runs in the writer thread, may ask for `news`, and must not block.
        ``reserve`` bytes of the disk are kept for a clean end.
        """
        self._path = path
        self._clock = clock
        self._on_commit = on_commit
        self._work: queue.SimpleQueue[_Work | None] = queue.SimpleQueue()
        self._closed = threading.Event()
        # Between the look at `_closed` and the handing over, no stop may slip in: what is handed
        # over after the thread has ended is never answered.
        self._handing_over = threading.Lock()
        self._thread = threading.Thread(target=self._run, name="journal")
        self._store = Store(path)
        self._upkeep = Upkeep(path, clock, self._store.empty_log, reserve=reserve)
        self.news: Row | None = None
        """What the last commit stored, where it was ours and one reading alone; for ``on_commit``.

        None where there is more to be seen than that, so that the journal has to be looked at.
        """
        self._last_commit = float("-inf")
        self._pages = 0  # written to the log since it was moved, at a guess
        self._crowded = False  # several callers at once; waiting for a lone one's next is no use
        self._log = structlog.get_logger()
        #: Says whether the thread comes round.
        self.heartbeat = Heartbeat(clock, _LONGEST_TURN)

    def start(self) -> None:
        """Start the thread."""
        self.heartbeat.beat()
        self._thread.start()

    @property
    def health(self) -> Health:
        """How the journal is; may be asked for from any thread."""
        return self._upkeep.health

    def prepare_to_stop(self) -> None:
        """Say that a stop has begun: on a full disk, what is still held may use the reserve."""
        self._upkeep.prepare_to_stop()

    def append(
        self, entries: Sequence[Entry], expecting: Expectation | None = None
    ) -> list[Stored]:
        """Store ``entries`` and return after the commit.

        Raises:
            JournalError: nothing of it was stored.
            StaleError: what is expected no longer holds; nothing was stored.
        """
        return self.begin(entries, expecting).result()

    def begin(
        self, entries: Sequence[Entry], expecting: Expectation | None = None
    ) -> "Future[list[Stored]]":
        """Hand ``entries`` over; the answer comes after the commit, or with a JournalError."""
        answer: Future[list[Stored]] = Future()
        with self._handing_over:
            if self._closed.is_set():
                answer.set_exception(JournalError("the journal is closed"))
            else:
                self._work.put((entries, expecting, answer))
        return answer

    def stop(self, timeout: float) -> bool:
        """Store what was handed over, then end; True when the thread has ended in time."""
        with self._handing_over:
            self._closed.set()
            self._work.put(None)
        self._thread.join(timeout)
        return not self._thread.is_alive()

    # ── the thread ───────────────────────────────────────────────────────────────────────────

    def _run(self) -> None:
        try:
            self._write_forever()
            self.heartbeat.rest()
        finally:
            # However the thread ends, nobody may wait for an answer that cannot come.
            with self._handing_over:
                self._closed.set()
            self._refuse_the_rest()
            self._store.close()

    def _write_forever(self) -> None:
        version = self._store.data_version()
        ending = False
        while not ending:
            self.heartbeat.beat()
            self._upkeep.look()
            try:
                first = self._work.get(timeout=_FOREIGN_POLL)
            except queue.Empty:
                version = self._notice_foreign(version)
                continue
            ending = self._commit(first)

    def _commit(self, first: _Work | None) -> bool:
        """Commit one group; True when the thread is to end."""
        group: list[_Work] = []
        ending = first is None
        if first is not None:
            group.append(first)
            ending = self._gather(group)
        if group:
            self._append_group(group)
        return ending

    def _gather(self, group: list[_Work]) -> bool:
        """Add what else is waiting, lingering under load; True when the thread is to end."""
        count = len(group[0][0])
        now = self._clock.monotonic()
        thick = self._crowded and now - self._last_commit < _THICK
        until = now + _LINGER if thick else now
        while count < _MOST_ENTRIES:
            try:
                wait = until - self._clock.monotonic()
                more = self._work.get(timeout=wait) if wait > 0 else self._work.get_nowait()
            except queue.Empty:
                return False
            if more is None:
                return True
            group.append(more)
            count += len(more[0])
        return False

    def _append_group(self, group: list[_Work]) -> None:
        self.heartbeat.beat()
        if len(group) > 1 and any(expecting for _, expecting, _ in group):
            # What expects a state stands or falls by itself.
            for work in group:
                self._append_group([work])
            return
        batch = [entry for entries, _, _ in group for entry in entries]
        expecting = group[0][1]
        try:
            stored = self._append_to_store(batch, expecting)
        except Exception as error:  # noqa: BLE001 - every caller gets its own answer
            self._answer_one_by_one(group, error)
            return
        self.news = self._store.lone
        self._tell_of_commit()  # first: delivery waits for it in another process
        self._upkeep.committed()
        self._last_commit = self._clock.monotonic()
        self._crowded = len(group) > 1 or not self._work.empty()
        start = 0
        for entries, _, answer in group:
            answer.set_result(stored[start : start + len(entries)])
            start += len(entries)
        self._pages += _PAGES_OF_COMMIT + len(batch) // _ENTRIES_OF_PAGE
        if self._pages >= MOST_PAGES // 2 and self._work.empty():
            self._move_log()

    def _move_log(self) -> None:
        """Move the log into the file while nobody waits; else SQLite does it within a commit."""
        self._pages = 0
        try:
            self._store.move_log()
        except JournalDamaged as error:
            self._upkeep.found_damaged(error.found)
        except JournalError:
            pass  # a full disk, or a lock: told by a commit where it is still so

    def _append_to_store(
        self, batch: Sequence[Entry], expecting: Expectation | None
    ) -> list[Stored]:
        if self._upkeep.refusal:
            raise JournalFull(self._upkeep.refusal)
        # Without an expectation the word is left out: most batches have none.
        extra = {} if expecting is None else {"expecting": expecting}
        try:
            return self._store.append(batch, **extra)
        except JournalFull:
            if not self._upkeep.give_up_reserve():
                raise
            return self._store.append(batch, **extra)

    def _answer_one_by_one(self, group: list[_Work], error: Exception) -> None:
        """Keep one caller's failure from the others: try each batch by itself."""
        if isinstance(error, JournalDamaged):
            self._upkeep.found_damaged(error.found)
        if len(group) == 1:
            if not isinstance(error, StaleError):
                self._upkeep.refused(str(error), full=isinstance(error, JournalFull))
            answer = group[0][2]
            answer.set_exception(
                error
                if isinstance(error, JournalError)
                else JournalError(f"{self._path}: {type(error).__name__}: {error}")
            )
            return
        for work in group:
            self._append_group([work])

    def _notice_foreign(self, version: int) -> int:
        try:
            now = self._store.data_version()
        except JournalError as error:
            if isinstance(error, JournalDamaged):
                self._upkeep.found_damaged(error.found)
            self._log.warning("journal.unreadable", reason=str(error))
            return version
        if now != version:
            self.news = None
            self._tell_of_commit()
        return now

    def _tell_of_commit(self) -> None:
        try:
            self._on_commit()
        except Exception:  # noqa: BLE001 - nothing downstream may hold up the journal, bugs included
            self._log.exception("journal.listener_failed")

    def _refuse_the_rest(self) -> None:
        while True:
            try:
                left = self._work.get_nowait()
            except queue.Empty:
                return
            if left is not None:
                left[2].set_exception(JournalError("the journal is closed"))
