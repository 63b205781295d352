"""One run of a test voltage, line by line as an insulation tester tells it. Pure.

The times of a step are counted from the moment at which the voltage was reached. Where the lines
show it rising, that is when it stood; else the instrument's own count holds, and where it has none,
the first line does.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from itertools import islice, pairwise
from typing import Any
from uuid import UUID

from pydantic_core import from_json

from capture.jobs.procedure import INSULATION, Step
from capture.jobs.settling import Sample
from capture.jobs.timing import TimedWatch, voltage_reached
from capture.journal import Row

TEST_VOLTAGE = "test_voltage"
#: Seconds without a line after which a test has ended.
SILENCE = 3.0
#: What an instrument says while it puts no voltage on the winding.
NO_VOLTAGE = frozenset({"invalid", "stale", "live-voltage"})
#: What it says when its test is over before its time.
ENDS_TEST = frozenset({"breakdown", "aborted"})
#: Seconds that a single result stands for where its step asks for no time, as where it is taken.
ONE_TEST = 60.0
#: Seconds by which two gaps between lines of one cadence may differ: turns of polling, a line that
#: waits for another (common practice, no source).
JITTER = 1.5
#: Longest cadence of a display that is learnt, s; what tells less often tells nothing by it.
SLOWEST = 600.0
#: Seconds for which a display stands still to the last digit before a person is told: more than a
#: test of one minute that is out of range throughout.
STANDS_STILL = 90.0
_BESIDE = 12  # lines of one frame, at most
_TO_LEARN = 3  # lines that show a cadence
_LONGEST = 5000  # lines that are looked back over for the beginning of a test


@dataclass(frozen=True, slots=True)
class Seen:
    """What a watch needs of a stored reading."""

    n: int
    body: Mapping[str, Any]
    instrument: str
    quantity: str
    value: float | None
    status: str
    at: float
    series: str
    """Series that it stands in; empty for none."""
    elapsed: float
    """Seconds into that series."""

    @classmethod
    def of(cls, row: Row) -> "Seen":
        """Read a row of the journal."""
        body = from_json(row.body)
        series = body.get("series") or {}
        return cls(
            n=row.n,
            body=body,
            instrument=row.instrument,
            quantity=row.subject,
            value=body.get("value"),
            status=body["status"],
            at=datetime.fromisoformat(body["time"]).timestamp(),
            series=series.get("id", ""),
            elapsed=float(series.get("elapsed", 0.0)),
        )

    @property
    def id(self) -> UUID:
        """The reading's id."""
        return UUID(self.body["id"])

    @property
    def by_instrument(self) -> bool:
        """Whether an instrument told it: what a person keys tells of what was, not of what is."""
        return self.body["source"]["kind"] in ("streamed", "polled")

    @property
    def polled(self) -> bool:
        """Whether it answered a question: an instrument may answer with what it holds."""
        return bool(self.body["source"]["kind"] == "polled")

    @property
    def digits(self) -> str:
        """What the display showed."""
        return str(self.body["digits"])

    def sample(self) -> Sample:
        """Write it as the settling watch takes it."""
        uncertainty = self.body.get("uncertainty") or {}
        return Sample(
            seconds=self.at,
            value=self.value,
            standard_uncertainty=uncertainty.get("standard") or None,
            range=str((self.body.get("conditions") or {}).get("range", "")),
            status=self.status,
        )


@dataclass
class VoltageTest:
    """One run of a test voltage.

    Attributes:
        attempt: of the step, when the test began: a test serves one attempt.
        began, heard: of the first line by the host's clock; of the last one, monotonic seconds.
        clock: host's time less monotonic time, as the test began.
        counted: seconds under voltage that were written down already.
        timed: what the step asks for; None where it asks for nothing, or has been served.
        single: seconds that are taken where one line, or a few at once, are all that comes; 0 where
            they may be old.
        found: reading for each time that the step asks for.
        why_not: why nothing is taken from it; empty where something may be.
        over: whether the instrument has said so; a display may go on saying it.
        cadence: seconds between its lines where they come more seldom than a test is silent at its
            end; 0 where they come closer, where nobody knows, and in a series.
        told: when the last line that is written down was heard, monotonic seconds.
        stood: seconds for which its display has stood still to the last digit.
    """

    job: UUID
    step: str
    attempt: int
    series: str
    began: float
    heard: float
    clock: float
    timed: TimedWatch | None = None
    elapsed: float = 0.0
    counted: float = 0.0
    single: float = 0.0
    found: dict[float, Seen] = field(default_factory=dict)
    why_not: str = ""
    over: bool = False
    cadence: float = 0.0
    told: float = -math.inf
    stood: float = 0.0
    _still: tuple[str, float] | None = None
    _volts: list[tuple[float, float]] = field(default_factory=list)
    _lines: dict[float, Seen] = field(default_factory=dict)
    _reached: float = 0.0

    @classmethod
    def for_step(
        cls, job: UUID, step: Step, attempt: int, first: Seen, heard: float, clock: float
    ) -> "VoltageTest":
        """Begin with the first line of a test, which is then to be given to `line` as well.

        heard: when it came, monotonic seconds. clock: UTC less monotonic seconds at that moment.
        """
        timed = step.take.how == "timed" and step.quantity == INSULATION
        return cls(
            job=job,
            step=step.id,
            attempt=attempt,
            series=first.series,
            began=first.at,
            heard=heard,
            clock=clock,
            timed=TimedWatch(step.take.at_s, step.take.within_s) if timed else None,
        )

    @property
    def under_voltage(self) -> float:
        """Seconds under voltage, as far as the lines tell; one or two in a row tell nothing.

        Of lines that come seldom, nobody knows when between two of them it was put on and taken
        off: it counts from the one that would have come before to the one that would come after.
        """
        if self.cadence and (self.elapsed or not self.over):
            return max(self.elapsed + 2 * self.cadence, self.single)
        return self.elapsed if self.elapsed >= SILENCE else max(self.elapsed, self.single)

    @property
    def pause(self) -> float:
        """Seconds without a line after which it has ended."""
        return pause_of(self.cadence)

    @property
    def since(self) -> float:
        """Seconds since the voltage was reached, at the last line."""
        return self.elapsed - self._reached

    def spoil(self, why: str) -> None:
        """Let nothing be taken from it; its time under voltage counts all the same."""
        self.timed = None
        self.why_not = why

    def volts(self, reading: Seen) -> None:
        """Take in the voltage as it stood, should it be of this test."""
        if self.series and reading.series == self.series and reading.value is not None:
            self._volts.append((reading.elapsed, reading.value))

    def line(self, reading: Seen) -> None:
        """Take in a line; note what has come at the times that the step asks for."""
        self.elapsed = reading.elapsed if self.series else reading.at - self.began
        self._look_whether_it_stands(reading)
        self._lines[self.elapsed] = reading
        self._reached = self._when_reached()
        if self.timed is None:
            return
        for at, _value, elapsed in self.timed.feed(self.since, reading.value):
            near = min(self._lines, key=lambda each: abs(each - self._reached - elapsed))
            self.found[at] = self._lines[near]

    def _look_whether_it_stands(self, reading: Seen) -> None:
        if self.series:
            return  # its own count goes on: it shows nothing old
        if self._still is None or self._still[0] != reading.digits:
            self._still = (reading.digits, reading.at)
        self.stood = reading.at - self._still[1]

    def missed(self) -> list[float]:
        """List the asked times, seconds, that passed without a line near enough."""
        return [] if self.timed is None else self.timed.missed(self.since)

    def _when_reached(self) -> float:
        if not self._volts:
            return 0.0
        # The voltage that it rises to is the test voltage, whatever was set.
        nominal = max(abs(volts) for _, volts in self._volts)
        reached = voltage_reached(self._volts, nominal) if nominal > 0 else None
        if reached is None or reached == self._volts[0][0]:
            return 0.0  # it was not seen to rise: the instrument's own count holds
        return reached


def pause_of(cadence: float) -> float:
    """Give the seconds without a line after which a test of such a cadence has ended.

    A display that tells seldom may leave one line out.
    """
    return 2 * cadence + JITTER if cadence else SILENCE


def cadence_of(reading: Seen, before: Iterable[Row]) -> float:
    """Give the seconds between lines that come seldom and regularly; 0 for any others.

    Three lines in a row show it, whatever they say: a display that goes on tells at its own turns,
    and a person who tests again and again does not keep time to a second.

    before: what the instrument sent before the reading, newest first.
    """
    told, frame = [reading.at], reading.body.get("group")
    for row in islice(before, 3 * _BESIDE):
        last = Seen.of(row)
        if last.quantity != INSULATION or last.status == "stale":
            continue
        if frame and last.body.get("group") == frame:
            continue
        if last.body.get("session") != reading.body.get("session"):
            return 0.0
        told.append(last.at)
        frame = last.body.get("group")
        if len(told) == _TO_LEARN:
            break
    gaps = [later - earlier for later, earlier in pairwise(told)]
    if len(gaps) < _TO_LEARN - 1 or max(gaps) - min(gaps) > JITTER:
        return 0.0
    return max(gaps) if SILENCE < max(gaps) <= SLOWEST and min(gaps) > 0 else 0.0


def slow_lines(
    reading: Seen, before: Iterable[Row], cadence: float, since: int
) -> tuple[list[Seen], bool]:
    """Give the earlier lines of a test whose lines come seldom, and whether it was put on in them.

    A display that has stood still since before may show an old result, and gives none of its lines;
    one whose lines begin, or whose digits move, shows a voltage.

    since: number in the journal of the first entry of the job: before it, another machine may have
    lain on the bench.
    """
    rows: list[Row] = []
    for row in islice(before, _LONGEST):
        rows.append(row)
        if len(rows) > _BESIDE and rows[-_BESIDE].n < since:
            break
    pause = pause_of(cadence)
    lines = [line for line in earlier_lines(reading, rows, pause) if line.n > since]
    told = [line for line in (*lines, reading) if line.quantity == INSULATION]
    older = [row for row in rows if row.n < told[0].n]
    if comes_on(told[0], older, pause):
        return lines, True
    # It may have stood there for hours, and counts from where its digits moved.
    moved = next((line for line in told if line.digits != told[0].digits), None)
    if moved is None:
        return [], False
    return [line for line in lines if line.n >= moved.n], True


def comes_on(reading: Seen, before: Iterable[Row], pause: float = SILENCE) -> bool:
    """Tell whether a line without a series shows that a voltage was put on just now.

    Without a count of its own, an instrument may as well go on showing what it found long ago: a
    display that stands still does, and the first answer of one that was just connected may.

    before: what the instrument sent before it, newest first. pause: seconds without a line after
    which what was shown before has ended.
    """
    frame = reading.body.get("group")
    for row in islice(before, _BESIDE):
        last = Seen.of(row)
        if last.quantity == TEST_VOLTAGE or (frame and last.body.get("group") == frame):
            continue
        if reading.polled and last.body.get("session") != reading.body.get("session"):
            return False
        ended = last.status in ENDS_TEST
        if ended and reading.status in ENDS_TEST and reading.at - last.at <= pause:
            return False  # of the same test: its display goes on saying so
        off = last.quantity != INSULATION or last.status in NO_VOLTAGE or ended
        return off or last.digits != reading.digits or reading.at - last.at > pause
    return not reading.polled


def earlier_lines(first: Seen, before: Iterable[Row], pause: float = SILENCE) -> list[Seen]:
    """Give the lines of the same test before one of them, oldest first.

    before: what the instrument sent before it, newest first. Without a series, a test is what
    comes without a pause, in seconds, and without a word that it has ended.
    """
    found: list[Seen] = []
    last = first
    for row in before:
        reading = Seen.of(row)
        if reading.quantity not in (INSULATION, TEST_VOLTAGE):
            continue
        if first.series:
            if reading.series != first.series:
                break
        elif last.at - reading.at > pause:
            break
        over = reading.status in NO_VOLTAGE or reading.status in ENDS_TEST
        if reading.quantity == INSULATION and over:
            if not first.series:
                break
            continue
        found.append(reading)
        last = reading
        if len(found) >= _LONGEST:
            break
    return found[::-1]
