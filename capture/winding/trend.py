"""How one value of a winding moves over the tests of years: baseline, control limits, slope.

Values that decay by factors, as insulation resistance does, are looked at by their logarithm:
half as much then counts as much down as twice as much counts up.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import exp, log, sqrt
from statistics import fmean
from typing import Literal

from .errors import ImpossibleSetError, MissingReadingError, NotPositiveError, UnknownChoiceError
from .measured import COVERAGE_FACTOR
from .result import Side
from .student import student_factor

Scale = Literal["linear", "logarithmic"]
#: What is said of the movement: ``unknown`` where too little is there to say even "none".
Direction = Literal["unknown", "none", "rising", "falling"]

DAYS_A_YEAR = 365.25
# Mean moving range of two over the standard deviation of a normal distribution (d₂ for n = 2,
# ASTM E2587 and NIST/SEMATECH e-Handbook 6.3.2.2, from memory): 3/1.128 = 2.66.
_D2 = 1.128
# Common practice, no source, for the three below.
_FEWEST_FOR_CONTROL = 5  # earlier values that control limits are drawn from
_FEWEST_FOR_SCATTER = 3  # values of which a line can miss one
_SHORTEST_DAYS = 30.0  # over which a slope by the year means something


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One value: when, in days from any origin, and its standard uncertainty where known."""

    day: float
    value: float
    standard: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """The line through the values, at the newest of them.

    ``per_year`` is what the value changes by in the coming year, in its unit; ``percent`` the same
    in per cent of the line's value at the newest test. ``expanded`` belongs to ``per_year``, with
    a coverage of about 95 %; the slope counts as one only where it is larger.
    """

    per_year: float
    expanded: float
    percent: float
    intercept: float
    """The line's value at the newest test, in the unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """When the line meets a limit, in days of the points; ``earliest`` by the steepest slope."""

    day: float
    earliest: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendFound:
    """What the values say together.

    Attributes:
        baseline: the first value.
        center: mean of the earlier values (of their logarithms), between the control limits.
        lower_control, upper_control: what the newest value is held against; None for too few.
        change_last, change_baseline: of the newest value, in per cent.
        crossing: None unless the line moves towards the limit and meets it in time.
        notes: what was not computed, and why.
    """

    scale: Scale
    direction: Direction
    baseline: float
    center: float | None
    lower_control: float | None
    upper_control: float | None
    change_last: float | None
    change_baseline: float | None
    slope: Slope | None
    crossing: Crossing | None
    notes: tuple[str, ...]


def trend(
    points: Sequence[Point],
    *,
    scale: Scale = "linear",
    limit: float | None = None,
    side: Side | None = None,
) -> TrendFound:
    """Describe how values of one kind, oldest first, have moved.

    Control limits are those of a chart of individuals, from the values before the newest one:
    mean ± 3/1.128 mean moving range (NIST/SEMATECH e-Handbook, 6.3.2.2). The slope is a straight
    line by least squares, weighted by 1/u² where every value has an uncertainty; scatter beyond
    that widens it (Birge's ratio), and without uncertainties scatter alone makes it, with
    Student's factor (JCGM 100:2008, G.3). Three values over thirty days are needed for it, or two
    with uncertainties. A limit's date is given no further ahead than the values reach back.

    Raises MissingReadingError for no value, ImpossibleSetError for days that do not rise,
    NotPositiveError where a logarithm is asked of a value not above zero, UnknownChoiceError.
    """
    if scale not in ("linear", "logarithmic"):
        raise UnknownChoiceError("scale", scale, ("linear", "logarithmic"))
    if not points:
        raise MissingReadingError("a value", "a trend needs one at least")
    if any(after.day < before.day for before, after in pairwise(points)):
        raise ImpossibleSetError("the days do not rise: give the values oldest first")
    if scale == "logarithmic" and any(point.value <= 0 for point in points):
        worst = min(point.value for point in points)
        raise NotPositiveError("value", worst, "only more than zero has a logarithm")
    there, back = _scale(scale)
    notes: list[str] = []
    center, lower, upper = _control([there(point.value) for point in points], notes)
    line = _line(points, scale, notes)
    newest = points[-1].value
    slope = None if line is None else _slope(line, back, scale)
    direction: Direction = "unknown"
    if line is not None:
        # Less than its own uncertainty is no slope.
        direction = (
            "none" if abs(line.b) <= line.expanded else "rising" if line.b > 0 else "falling"
        )
    crossing = None
    if line is not None and limit is not None and direction in ("rising", "falling"):
        crossing = _crossing(line, points, there, limit, side, notes)
    return TrendFound(
        scale=scale,
        direction=direction,
        baseline=points[0].value,
        center=None if center is None else back(center),
        lower_control=None if lower is None else back(lower),
        upper_control=None if upper is None else back(upper),
        change_last=_percent(newest, points[-2].value) if len(points) > 1 else None,
        change_baseline=_percent(newest, points[0].value) if len(points) > 1 else None,
        slope=slope,
        crossing=crossing,
        notes=tuple(notes),
    )


def _scale(scale: Scale) -> tuple[Callable[[float], float], Callable[[float], float]]:
    return (log, exp) if scale == "logarithmic" else (float, float)


def _percent(now: float, then: float) -> float | None:
    return None if then == 0 else 100 * (now / then - 1)


def _control(
    values: Sequence[float], notes: list[str]
) -> tuple[float | None, float | None, float | None]:
    """Give centre and control limits from all values but the newest, which they are to judge."""
    earlier = values[:-1]
    if len(earlier) < _FEWEST_FOR_CONTROL:
        return None, None, None
    center = fmean(earlier)
    ranges = [abs(after - before) for before, after in pairwise(earlier)]
    width = 3 / _D2 * fmean(ranges)
    if width == 0:
        notes.append("no control limits: the earlier values are all the same")
        return center, None, None
    return center, center - width, center + width


@dataclass(frozen=True, slots=True)
class _Line:
    """y = middle + b·(day − at), in the scale that was fitted; b a day, expanded as b."""

    at: float
    middle: float
    b: float
    expanded: float
    newest: float

    @property
    def now(self) -> float:
        return self.middle + self.b * (self.newest - self.at)


def _line(points: Sequence[Point], scale: Scale, notes: list[str]) -> _Line | None:
    span = points[-1].day - points[0].day
    standards = [point.standard for point in points if point.standard]
    weighted = len(standards) == len(points)
    fewest = 2 if weighted else _FEWEST_FOR_SCATTER
    if len(points) < fewest:
        notes.append(f"no slope: {len(points)} values, at least {_FEWEST_FOR_SCATTER} are needed")
        return None
    if span < _SHORTEST_DAYS:
        notes.append(
            f"no slope: the tests lie within {span:.0f} days, less than {_SHORTEST_DAYS:g}"
        )
        return None
    there, _ = _scale(scale)
    days = [point.day for point in points]
    y = [there(point.value) for point in points]
    weights = [1.0] * len(points)
    if weighted:
        u = standards if scale == "linear" else [
            each / point.value for each, point in zip(standards, points, strict=True)
        ]  # fmt: skip
        weights = [1 / each**2 for each in u]
    total = sum(weights)
    at = sum(w * day for w, day in zip(weights, days, strict=True)) / total
    middle = sum(w * value for w, value in zip(weights, y, strict=True)) / total
    spread = sum(w * (day - at) ** 2 for w, day in zip(weights, days, strict=True))
    moment = sum(w * (day - at) * value for w, day, value in zip(weights, days, y, strict=True))
    b = moment / spread
    residual = sum(
        w * (value - middle - b * (day - at)) ** 2
        for w, day, value in zip(weights, days, y, strict=True)
    )
    free = len(points) - 2
    scatter = residual / free if free else 0.0
    if weighted and scatter <= 1:
        standard, factor = sqrt(1 / spread), COVERAGE_FACTOR
    else:
        standard, factor = sqrt(scatter / spread), student_factor(free)
    return _Line(at, middle, b, factor * standard, days[-1])


def _slope(line: _Line, back: Callable[[float], float], scale: Scale) -> Slope:
    now, year, expanded = back(line.now), line.b * DAYS_A_YEAR, line.expanded * DAYS_A_YEAR
    if scale == "logarithmic":
        # What the coming year takes from it or adds to it, and how far that is sure.
        year, expanded = now * (exp(year) - 1), now * exp(year) * expanded
    percent = 100 * year / abs(now) if now else 0.0
    return Slope(per_year=year, expanded=expanded, percent=percent, intercept=now)


def _crossing(
    line: _Line,
    points: Sequence[Point],
    there: Callable[[float], float],
    limit: float,
    side: Side | None,
    notes: list[str],
) -> Crossing | None:
    if side is None:
        raise UnknownChoiceError("side", "", ("upper", "lower"))
    if there is log and limit <= 0:
        return None  # no logarithm ever gets there
    height = there(limit)
    rising = line.b > 0
    if rising != (side == "upper"):
        return None
    if (line.now >= height) if rising else (line.now <= height):
        notes.append("no date: the line is past the limit already")
        return None
    day = line.at + (height - line.middle) / line.b
    steep = line.b + line.expanded if rising else line.b - line.expanded
    earliest = max(line.newest, line.at + (height - line.middle) / steep)
    horizon = line.newest + (points[-1].day - points[0].day)
    if day > horizon:
        years = (horizon - line.newest) / DAYS_A_YEAR
        notes.append(
            f"no date: the line does not meet the limit within {years:.1f} years, as far ahead as "
            "the tests reach back"
        )
        return None
    return Crossing(day=day, earliest=earliest)
