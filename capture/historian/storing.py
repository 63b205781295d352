"""The thread in which a batch is checked and stored, one at a time, while messages come in."""

from collections import Counter
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from typing import TYPE_CHECKING

import psycopg
from psycopg import errors

from capture.clock import Clock
from capture.errors import HistorianError
from capture.historian.bounds import known_bench, refuse
from capture.historian.intake import UnfitMessage, row_of
from capture.historian.lists import PATIENCE, take_words
from capture.historian.reuse import Numbers, look_up
from capture.historian.settings import Bounds
from capture.historian.store import Database, Item, Unfit, line_of
from capture.historian.waiting import Waiting
from capture.historian.words import Heard, word_of

if TYPE_CHECKING:
    from capture.publish.arrivals import Received

_AGAIN = 1.0  # seconds until words that could not be written down are tried again
_LOOK_UP = 5.0  # seconds between looks for numbers that two readings have


class Storing:
    """Stores batches; what benches say of themselves is written down behind their entries."""

    def __init__(
        self,
        database: Database,
        clock: Clock,
        tell: Callable[..., None],
        bounds: Bounds,
        numbers: Numbers,
    ) -> None:
        self._database = database
        self._clock = clock
        self._tell = tell
        self._bounds = bounds
        self._numbers = numbers
        self._thread = ThreadPoolExecutor(1, "historian-store")
        self._batch: list[Received] = []
        self._future: Future[None] | None = None
        self._waiting = Waiting()
        self._dropped: Counter[tuple[str, str]] = Counter()
        self._not_before = self._look_up_at = clock.monotonic()
        self.dropped = 0
        """Words that found no room while they waited, since the connection's start."""
        self.soon = False
        """Whether a bench said something that leaves more to ask; set back by whoever asks."""

    @property
    def busy(self) -> bool:
        """Whether a batch is being stored, or was and is not acknowledged."""
        return self._future is not None

    @property
    def waiting(self) -> int:
        """How many words wait to be written down."""
        return len(self._waiting)

    def begin(self, batch: "list[Received]") -> None:
        """Store a batch."""
        self._batch = batch
        self._future = self._thread.submit(self._store, batch)

    def stored(self) -> "list[Received]":
        """Give the batch once it is stored, and nothing before.

        Raises:
            HistorianError: it is not stored.
        """
        if self._future is None or not self._future.done():
            return []
        self._future.result()
        self._future = None
        return self._batch

    def wait(self) -> None:
        """Wait for what is under way."""
        if self._future is not None:
            wait([self._future])

    def end(self) -> None:
        """End the thread, after what is under way."""
        self._thread.shutdown()

    def look_up(self) -> None:
        """Look up numbers that were stored; by whoever knows that nothing is under way.

        Raises:
            HistorianError: the database is away.
        """
        self._look_up_at = self._clock.monotonic() + _LOOK_UP
        look_up(self._database, self._numbers, self._tell)

    def _store(self, batch: "list[Received]") -> None:
        items: list[Item] = []
        unfit: list[Unfit] = []
        words: list[Heard] = []
        for message in batch:
            try:
                row = row_of(message.topic, message.payload)
            except UnfitMessage as error:
                _sort(message, str(error), words, unfit)
            else:
                items.append((row, message.topic, message.payload))
        self._database.store(items, unfit)
        # Behind the entries: what a bench says it has sent is here by then, or at another slot.
        self._wait_with(words)
        if self.waiting and self._clock.monotonic() >= self._not_before:
            self._write_down()
        if self._numbers.many or (self._numbers and self._clock.monotonic() >= self._look_up_at):
            self.look_up()

    def _write_down(self) -> None:
        if self._dropped:
            self._tell_dropped()
        waiting = self._waiting.take()
        soon, left = take_words(self._database, waiting, self._tell, self._bounds)
        self.soon |= soon
        if left:
            self._wait_with(left)
            self._not_before = self._clock.monotonic() + _AGAIN

    def _wait_with(self, words: list[Heard]) -> None:
        for site, bench, _ in self._waiting.add(words):
            self.dropped += 1
            self._dropped[site, bench] += 1

    def _tell_dropped(self) -> None:
        """Tell what found no room, and keep it where ``historian status`` shows it."""
        dropped, self._dropped = self._dropped, Counter()
        tell = self._tell
        tell("historian.words_dropped", words=dropped.total(), benches=len(dropped))
        try:
            with self._database.connection.transaction():
                cursor = self._database.connection.cursor()
                cursor.execute(PATIENCE)
                for bench, times in sorted(dropped.items()):
                    # Whoever makes up benches makes no rows by it.
                    if known_bench(cursor, bench):
                        refuse(cursor, bench, "words", tell, times=times)
        except errors.LockNotAvailable:
            pass  # it was told, and the next one is kept
        except psycopg.Error as error:
            raise HistorianError(f"database: {line_of(error)}") from error


def _sort(message: "Received", reason: str, words: list[Heard], unfit: list[Unfit]) -> None:
    """Tell what a bench says of itself from what fits nowhere. Both are few; entries are many."""
    try:
        word = word_of(message.topic, message.payload)
    except UnfitMessage as error:
        reason, word = str(error), None
    if word is None:
        unfit.append((message.topic, message.payload, reason))
    else:
        words.append(word)
