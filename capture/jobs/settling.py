"""When a reading may be taken. Pure: samples with their times in, decisions out; no clock.

`SettleWatch` is for what comes to rest. A current that rises in an inductive winding, and a
meter's own filter, approach their end as

    v(t) = a + b·exp(−t/τ)      with τ = L/R      (a circuit of R and L; any textbook)

so what is left at the last sample is r = b·exp(−t/τ). A reading is taken when

    |r| + u(r) + q(r)  <  u/3      for every τ that the samples leave possible,

u being the reading's standard uncertainty, u(r) what the scatter makes of r, q(r) what may hide in
the last digit. Remaining change of a third of u adds 5 % to u when the two are combined (JCGM 100,
5.1.2: √(1 + 1/9) = 1.05). Which τ are possible:

- those whose best line is not significantly worse than the best of all;
- where the watch saw the leads touch (a sample without value came just before), only those whose
  approach began there at a hundredth of the value or more: a meter comes from open leads, so
  from far away. Where the touch was not seen, a still display has to be watched until its slope
  alone excludes the longest time constant.

The fit stands in `capture.jobs.approach`; what never settles is in `capture.jobs.timing`.
"""

import math
from dataclasses import dataclass

import numpy as np

from capture.jobs.approach import LEAST_POINTS, Fit, Profile, local_scatter
from capture.jobs.timing import require_positive

#: Part of the standard uncertainty that the remaining change must fall below; see above.
SHARE = 1 / 3
#: Time constants of an approach that must have been seen before it is believed. With fewer, an
#: exponential and a straight line look alike (common practice, no source).
OBSERVED_TIME_CONSTANTS = 2.0
#: Seconds that a decision needs; a shorter touch is a slip (common practice, no source).
LEAST_SECONDS = 1.0
#: Scatter over which nothing is taken, in standard uncertainties: the uncertainty is then wrong
#: (common practice, no source).
WILDEST = 2.0
_POINTS = 400  # held at most; samples closer together than that allows are averaged
_SPAN = 5.0  # longest time constants held; older samples say nothing of what is left
_JUMP = 6.0  # standard deviations of one sample that make it something else
_SHORTEST = 8  # points that forgetting leaves: with fewer, chance makes a scatter look small
_MISFIT = 1.2  # residuals over local scatter, and 4/√ν for chance: one line does not fit the window
_DIGITS = 9  # significant digits that a display has at most; more is binary rounding
_STALE = "stale"
_MOVING = "unsettled"
_USABLE = frozenset({"ok", _MOVING})


@dataclass(frozen=True, slots=True)
class Sample:
    """One shown value.

    Attributes:
        seconds: when, on any clock that does not jump.
        value: in the base unit; None where the display had no number (open leads, over-range).
        standard_uncertainty: in the base unit; None where the watch's relative one holds.
        range: the instrument's range, in any words that differ when it does.
        status: as in `capture.model.status`.
    """

    seconds: float
    value: float | None
    standard_uncertainty: float | None = None
    range: str = ""
    status: str = "ok"


@dataclass(frozen=True, slots=True)
class Decision:
    """Whether the last sample is to be taken, and why not yet.

    Attributes:
        settled: true once per touch.
        value: the sample's value, where it is to be taken: as shown, never an average.
        remaining: fitted change still to come (shown minus final), base unit; None without a fit.
        time_constant: seconds; None where no approach can be seen.
        reason: one line for a person.
    """

    settled: bool
    value: float | None
    remaining: float | None
    time_constant: float | None
    reason: str


class SettleWatch:
    """Watches one quantity of one instrument; says once per touch which sample to take.

    relative_uncertainty: standard uncertainty as a part of the value, for samples without one.
    longest_time_constant: seconds; a slower approach than this is not recognised as one.

    Raises InputError for a parameter that is not above zero.
    """

    def __init__(
        self, relative_uncertainty: float = 5e-4, longest_time_constant: float = 30.0
    ) -> None:
        require_positive("the relative uncertainty", relative_uncertainty)
        require_positive("the longest time constant", longest_time_constant)
        self._relative = relative_uncertainty
        self._longest = longest_time_constant
        self._contact: float | None = None
        self._taken = False
        self._newest = -math.inf
        self._begin("")

    def reset(self) -> None:
        """Forget everything, so that the same touch may be taken again."""
        self._contact = None
        self._taken = False
        self._newest = -math.inf
        self._begin("")

    def feed(self, sample: Sample) -> Decision:
        """Take in one sample, in order of time; decide whether it is the one.

        After a decision to take, nothing is taken until a sample without value came, or `reset`.
        Stale samples and those that go back in time change nothing.
        """
        if sample.status == _STALE:
            return _no("shown again, not measured again")
        if not sample.seconds > self._newest:
            return _no("not later than the sample before it")
        self._newest = sample.seconds
        if sample.value is None or not math.isfinite(sample.value):
            self._taken = False
            self._contact = sample.seconds
            self._begin(sample.range)
            return _no("no value: the leads are off, or the value is out of range")
        if self._taken:
            return _no("taken; lift the leads for the next")
        if sample.status not in _USABLE:
            self._begin(sample.range)
            return _no(f"the instrument says {sample.status}")
        if sample.range != self._range:
            # The winding's approach goes on, so the moment of the touch is kept.
            self._begin(sample.range)
        return self._weigh(sample, sample.value)

    # ── what is held ─────────────────────────────────────────────────────────────────────────

    def _begin(self, range_: str) -> None:
        self._points: list[list[float]] = []  # seconds, value, weight, seconds of the first sample
        self._range = range_
        self._step = math.inf
        self._last: Fit | None = None

    def _hold(self, seconds: float, value: float) -> None:
        self._step = min(self._step, _last_digit(value))
        points = self._points
        if points and seconds - points[-1][3] < _SPAN * self._longest / _POINTS:
            point = points[-1]
            weight = point[2] + 1
            point[0] += (seconds - point[0]) / weight
            point[1] += (value - point[1]) / weight
            point[2] = weight
        else:
            points.append([seconds, value, 1.0, seconds])
        oldest = seconds - _SPAN * self._longest
        while points[0][0] < oldest:
            del points[0]

    # ── the decision ─────────────────────────────────────────────────────────────────────────

    def _weigh(self, sample: Sample, value: float) -> Decision:
        uncertainty = sample.standard_uncertainty
        if uncertainty is None:
            uncertainty = self._relative * abs(value)
        if self._last is not None and self._jumped(self._last, value, uncertainty):
            # Something else is under the leads, or the contact moved: this touch was not seen.
            self._contact = None
            self._begin(sample.range)
        self._hold(sample.seconds, value)
        fit = self._last = self._fit(sample.seconds, uncertainty)
        if fit is None:
            return _no("too few samples yet")
        why_not = _why_not(fit, sample.status, value, uncertainty)
        if why_not:
            return _no(why_not, fit)
        self._taken = True
        return Decision(
            settled=True,
            value=value,
            remaining=fit.remaining,
            time_constant=fit.time_constant,
            reason="settled",
        )

    def _jumped(self, last: Fit, value: float, uncertainty: float) -> bool:
        """Tell whether a sample is no continuation of an approach that was nearly at its end."""
        still = max(_JUMP * last.scatter, 2 * self._step, WILDEST * uncertainty)
        return abs(last.remaining) < still and abs(value - last.final) > 2 * still

    def _fit(self, now: float, uncertainty: float) -> Fit | None:
        """Fit the approach; forget what is too old to belong to one line with the rest."""
        while len(self._points) >= LEAST_POINTS:
            t, v, w, _ = np.array(self._points).T
            # An uncertainty holds that of the digit, so no digit is coarser: u ≥ d/√12.
            step = min(self._step, math.sqrt(12) * uncertainty)
            profile = Profile(t, v, w, self._longest)
            local = math.hypot(local_scatter(t, v, w), step / math.sqrt(12))
            chance = 4 / math.sqrt(profile.freedom)
            if profile.scatter <= (_MISFIT + chance) * local or len(t) <= _SHORTEST:
                profile.scatter = max(profile.scatter, local)
                return profile.result(now, self._contact, step)
            del self._points[: min(max(1, len(t) // 8), len(t) - _SHORTEST)]
        return None


def _no(reason: str, fit: Fit | None = None) -> Decision:
    return Decision(
        settled=False,
        value=None,
        remaining=fit.remaining if fit else None,
        time_constant=fit.time_constant if fit else None,
        reason=reason,
    )


def _why_not(fit: Fit, status: str, value: float, uncertainty: float) -> str:
    """Say what keeps a sample from being taken; empty where nothing does."""
    limit = SHARE * uncertainty
    if not uncertainty > 0:
        return "the reading has no uncertainty to be measured by"
    if status == _MOVING:
        return "the instrument says that it is still moving"
    if fit.scatter > WILDEST * uncertainty:
        return "the display is restless; hold the leads still"
    if fit.span < LEAST_SECONDS:
        return "too short a touch yet"
    if fit.time_constant and fit.span < OBSERVED_TIME_CONSTANTS * fit.time_constant:
        return "still moving, and too short a time to see where to"
    if fit.worst >= limit:
        return "still moving" if abs(fit.remaining) >= limit else "a slow change is not excluded"
    if abs(value - fit.final) + fit.uncertainty > uncertainty:
        return "settled, but this sample stands off; waiting for the next"
    return ""


def _last_digit(value: float) -> float:
    """Give the place of the last digit that is not zero: the display's step is this or finer."""
    mantissa, _, exponent = f"{value:.{_DIGITS - 1}e}".partition("e")
    return float(10.0 ** (int(exponent) - len(mantissa.rstrip("0").partition(".")[2])))
