"""One run of a test voltage, line by line as an insulation tester tells it. Pure.

The times of a step are counted from the moment at which the voltage was reached. Where the lines
show it rising, that is when it stood; else the instrument's own count holds, and where it has none,
the first line does.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from itertools import islice
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
_BESIDE = 12  # lines of one frame, at most
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
        """Seconds under voltage, as far as the lines tell; one or two in a row tell nothing."""
        return self.elapsed if self.elapsed >= SILENCE else max(self.elapsed, self.single)

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
        self._lines[self.elapsed] = reading
        self._reached = self._when_reached()
        if self.timed is None:
            return
        for at, _value, elapsed in self.timed.feed(self.since, reading.value):
            near = min(self._lines, key=lambda each: abs(each - self._reached - elapsed))
            self.found[at] = self._lines[near]

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


def comes_on(reading: Seen, before: Iterable[Row]) -> bool:
    """Tell whether a line without a series shows that a voltage was put on just now.

    Without a count of its own, an instrument may as well go on showing what it found long ago: a
    display that stands still does, and the first answer of one that was just connected may.

    before: what the instrument sent before it, newest first.
    """
    frame = reading.body.get("group")
    for row in islice(before, _BESIDE):
        last = Seen.of(row)
        if last.quantity == TEST_VOLTAGE or (frame and last.body.get("group") == frame):
            continue
        if reading.polled and last.body.get("session") != reading.body.get("session"):
            return False
        ended = last.status in ENDS_TEST
        if ended and reading.status in ENDS_TEST and reading.at - last.at <= SILENCE:
            return False  # of the same test: its display goes on saying so
        off = last.quantity != INSULATION or last.status in NO_VOLTAGE or ended
        return off or last.digits != reading.digits or reading.at - last.at > SILENCE
    return not reading.polled


def earlier_lines(first: Seen, before: Iterable[Row]) -> list[Seen]:
    """Give the lines of the same test before one of them, oldest first.

    before: what the instrument sent before it, newest first. Without a series, a test is what
    comes without a pause and without a word that it has ended.
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
        elif last.at - reading.at > SILENCE:
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
