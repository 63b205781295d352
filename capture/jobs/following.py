"""The thread that lets hands-free capture follow the journal."""

import threading
from collections.abc import Callable
from pathlib import Path

import structlog

from capture.clock import Clock
from capture.errors import CaptureError, JournalDamaged, JournalError
from capture.heartbeat import Heartbeat
from capture.jobs.procedure import INSULATION
from capture.jobs.voltage import TEST_VOLTAGE
from capture.jobs.watcher import JobWatch, Watch
from capture.journal import JournalReader, Row

_PAGE = 500
_MANY = 5000  # entries of a page of which most are not read
_WHOLE = (INSULATION, TEST_VOLTAGE)  # a voltage may stand on a winding: followed reading by reading
# A held display says nothing of the leads, so the reading before it does. In a text the quotation
# marks would be escaped.
_HELD = b'"status":"stale"'
_AGAIN = 5.0  # seconds until another attempt, where it cannot go on
_LONGEST_TURN = 30.0  # seconds for one entry, its results included
_GATHER = 0.05  # seconds that news may gather in while no job runs
_POLL = 0.5  # seconds without news after which running tests are looked at


class JobWatcher:
    """The thread that follows the journal for a `JobWatch`.

    path: the journal. make: builds the watch over a reader that belongs to the thread.
    on_change: called after every look, in the thread; must not block.
    """

    def __init__(
        self,
        path: Path,
        make: Callable[[JournalReader], JobWatch],
        clock: Clock,
        on_change: Callable[[], None] = lambda: None,
    ) -> None:
        self._path = path
        self._make = make
        self._clock = clock
        self._on_change = on_change
        self._news = threading.Event()
        self._stop = threading.Event()
        self._watch: JobWatch | None = None
        self._cursor = 0
        self._thread = threading.Thread(target=self._run, name="job-watcher")
        self._log = structlog.get_logger()
        #: Says whether the thread comes round.
        self.heartbeat = Heartbeat(clock, _LONGEST_TURN)
        #: What SQLite found malformed in the journal; empty where nothing is.
        self.damaged = ""

    @property
    def seen(self) -> Watch:
        """What the watcher sees now."""
        watch = self._watch
        return Watch() if watch is None else watch.seen

    @property
    def counts(self) -> tuple[int, int]:
        """How many steps it took, and how many takes were refused."""
        watch = self._watch
        return (0, 0) if watch is None else (watch.taken, watch.not_taken)

    def start(self) -> None:
        """Start the thread. The journal must be there."""
        self.heartbeat.beat()
        self._thread.start()

    def wake(self) -> None:
        """Say that there is news in the journal."""
        self._news.set()

    def stop(self, timeout: float) -> bool:
        """End the thread; True when it has ended in time."""
        self._stop.set()
        self._news.set()
        if self._thread.ident is None:
            return True
        self._thread.join(timeout)
        return not self._thread.is_alive()

    def _run(self) -> None:
        while not self._stop.is_set():
            self.heartbeat.beat()
            try:
                self._watch_journal()
            except JournalError as error:
                self._note_damage(error)
                self._log.warning("watcher.journal", reason=str(error))
            except Exception:  # noqa: BLE001 - people go on by hand, and the next attempt may work
                self._log.exception("watcher.ended")
            self._clock.wait(self._stop, _AGAIN)
        self.heartbeat.rest()

    def _note_damage(self, error: Exception) -> None:
        if isinstance(error, JournalDamaged):
            self.damaged = error.found

    def _watch_journal(self) -> None:
        reader = JournalReader(self._path)
        try:
            self._watch = None  # one that was there before read from another reader
            self._cursor = reader.last_n()
            watch = self._make(reader)
            while not self._stop.is_set():
                try:
                    if self._watch is None:
                        watch.load()
                        self._watch = watch
                    self._follow(reader, watch)
                except JournalError as error:
                    self._note_damage(error)
                    self._log.warning("watcher.journal", reason=str(error))
                self.heartbeat.beat()
                if self._clock.wait(self._news, _POLL) and not watch.in_use:
                    # Nobody waits for what it finds: many readings a second are one look.
                    self._clock.wait(self._stop, _GATHER)
                self._news.clear()
        finally:
            reader.close()

    def _follow(self, reader: JournalReader, watch: JobWatch) -> None:
        """Let the watch see what is new. Where it fails, it goes on from the entry that failed."""
        while True:
            rows, last = next_page(reader, self._cursor, in_use=watch.in_use)
            if last == self._cursor:
                break
            for row in rows:
                if self._stop.is_set():
                    return
                self.heartbeat.beat()
                self._guarded(lambda row=row: watch.row(row), row.n)  # type: ignore[misc] # one row
                self._cursor = row.n
            self._cursor = last
            self._guarded(watch.tick, self._cursor)
            self._guarded(self._on_change, self._cursor)
        self._guarded(watch.tick, self._cursor)

    def _guarded(self, act: Callable[[], None], n: int) -> None:
        """Do something; only what the journal raises may come out of it."""
        try:
            act()
        except JournalError:
            raise
        except CaptureError as error:
            self._log.warning("watcher.entry", n=n, reason=str(error))
        except Exception:  # noqa: BLE001 - one odd entry must not end hands-free capture
            self._log.exception("watcher.failed", n=n)


def next_page(reader: JournalReader, after: int, *, in_use: bool) -> tuple[list[Row], int]:
    """Read the next entries that tell something, and give the number to go on from.

    While no job runs, of an instrument's values only the newest tells whether its leads are open:
    most are not even read.

    Raises:
        JournalError: the journal cannot be read.
    """
    if not in_use:
        rows, last = reader.digest(after, _MANY, whole=_WHOLE, mark=_HELD)
        if not any(row.kind == "job" for row in rows):
            return rows, last
    rows = reader.after(after, _PAGE)
    return rows, rows[-1].n if rows else after
