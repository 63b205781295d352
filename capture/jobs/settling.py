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

`TimedWatch` is for insulation, whose absorption falls as a power of time and has no end: values
are taken at set times after the voltage was reached.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from capture.errors import InputError

Array = NDArray[np.float64]

#: Part of the standard uncertainty that the remaining change must fall below; see above.
SHARE = 1 / 3
#: Time constants of an approach that must have been seen before it is believed. With fewer, an
#: exponential and a straight line look alike (common practice, no source).
OBSERVED_TIME_CONSTANTS = 2.0
#: Points that a decision needs: three parameters, and two more to see a scatter at all.
LEAST_POINTS = 5
#: Seconds that a decision needs; a shorter touch is a slip (common practice, no source).
LEAST_SECONDS = 1.0
#: Part of the value that an approach which began with a touch begins at, at least (common
#: practice, no source). A slow change smaller than this, after a touch that was seen, is not found.
FAR = 0.01
#: Scatter over which nothing is taken, in standard uncertainties: the uncertainty is then wrong
#: (common practice, no source).
WILDEST = 2.0

_POINTS = 400  # held at most; samples closer together than that allows are averaged
_SPAN = 5.0  # longest time constants held; older samples say nothing of what is left
_JUMP = 6.0  # standard deviations of one sample that make it something else
_SHORTEST = 8  # points that forgetting leaves: with fewer, chance makes a scatter look small
_MISFIT = 1.2  # residuals over local scatter, and 4/√ν for chance: one line does not fit the window
_DIGITS = 9  # significant digits that a display has at most; more is binary rounding
_QUICK = 12.0  # part of the interval that the shortest τ is: e⁻¹² of anything cannot be seen
_FINE = np.linspace(-1.0, 1.0, 9)
_LARGEST_EXPONENT = 60.0
_MOST_CORRELATED = 0.9

# t for 68.27 % and 99.73 % by degrees of freedom from 1 (JCGM 100, table G.2; from memory, sure).
_ONE_SIGMA = (1.84, 1.32, 1.20, 1.14, 1.11, 1.09, 1.08, 1.07, 1.06, 1.05)
_THREE_SIGMA = (235.8, 19.21, 9.22, 6.62, 5.51, 4.90, 4.53, 4.28, 4.09, 3.96)

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


class _Fit(NamedTuple):
    """What the points say: the end and its uncertainty, what is left, at worst, and the rest."""

    final: float
    uncertainty: float
    remaining: float
    worst: float
    scatter: float
    time_constant: float | None
    span: float


class SettleWatch:
    """Watches one quantity of one instrument; says once per touch which sample to take.

    relative_uncertainty: standard uncertainty as a part of the value, for samples without one.
    longest_time_constant: seconds; a slower approach than this is not recognised as one.

    Raises InputError for a parameter that is not above zero.
    """

    def __init__(
        self, relative_uncertainty: float = 5e-4, longest_time_constant: float = 30.0
    ) -> None:
        _positive("the relative uncertainty", relative_uncertainty)
        _positive("the longest time constant", longest_time_constant)
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
        self._last: _Fit | None = None

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

    def _jumped(self, last: _Fit, value: float, uncertainty: float) -> bool:
        """Tell whether a sample is no continuation of an approach that was nearly at its end."""
        still = max(_JUMP * last.scatter, 2 * self._step, WILDEST * uncertainty)
        return abs(last.remaining) < still and abs(value - last.final) > 2 * still

    def _fit(self, now: float, uncertainty: float) -> _Fit | None:
        """Fit the approach; forget what is too old to belong to one line with the rest."""
        while len(self._points) >= LEAST_POINTS:
            t, v, w, _ = np.array(self._points).T
            # An uncertainty holds that of the digit, so no digit is coarser: u ≥ d/√12.
            step = min(self._step, math.sqrt(12) * uncertainty)
            profile = _Profile(t, v, w, self._longest)
            local = math.hypot(_local_scatter(t, v, w), step / math.sqrt(12))
            chance = 4 / math.sqrt(profile.freedom)
            if profile.scatter <= (_MISFIT + chance) * local or len(t) <= _SHORTEST:
                profile.scatter = max(profile.scatter, local)
                return profile.result(now, self._contact, step)
            del self._points[: min(max(1, len(t) // 8), len(t) - _SHORTEST)]
        return None


class _Profile:
    """The best line a + b·e for each of many τ, e = exp(−(t − t₀)/τ), by weighted least squares."""

    def __init__(self, t: Array, v: Array, w: Array, longest: float) -> None:
        self.start = float(t[0])
        self.t, self.w = t - t[0], w
        self.mean = float(np.average(v, weights=w))
        self.v = v - self.mean
        self.span = float(self.t[-1])
        self.freedom = len(t) - 3
        shortest = min(float(np.median(np.diff(t))) / _QUICK, longest / 2)
        grid = np.geomspace(shortest, longest, 28)
        self.lines = self._lines(grid)
        ratio = math.log(grid[1] / grid[0])
        for _ in range(3):
            around = self.lines[0][self._best()] * np.exp(ratio * _FINE)
            more = self._lines(np.minimum(around, longest))
            self.lines = tuple(np.concatenate(pair) for pair in zip(self.lines, more, strict=True))
            ratio /= 4
        best = self._best()
        _tau, b, _see, _e_mean, ssr = self.lines
        self.scatter = math.sqrt(float(ssr[best]) / self.freedom)
        e = np.exp(-self.t / self.lines[0][best])
        self.left = (self.v - b[best] * (e - np.average(e, weights=w))) * np.sqrt(w)

    def _best(self) -> int:
        return int(np.argmin(self.lines[-1]))

    def _lines(self, tau: Array) -> tuple[Array, ...]:
        """Give τ, b, Σw(e − ē)², ē and the weighted sum of squared residuals."""
        e = np.exp(-self.t / tau[:, None])
        e_mean = e @ self.w / self.w.sum()
        off = e - e_mean[:, None]
        weighted = off * self.w
        see = np.einsum("ij,ij->i", weighted, off)
        b = weighted @ self.v / see
        left = self.v - b[:, None] * off
        return tau, b, see, e_mean, (left * left) @ self.w

    def result(self, now: float, contact: float | None, step: float) -> _Fit:
        """Say what is left at `now`; `step` is the display's last digit."""
        tau, b, see, e_mean, ssr = self.lines
        sigma = self.scatter * self._correlation()
        surely = _student(_THREE_SIGMA, 3.0, self.freedom)
        u_b = sigma / np.sqrt(see)
        # Where the scatter does not lift the display over its last digit, this much hides in it.
        hidden = step if self.scatter < step / 2 else 0.0
        possible = ssr - ssr.min() <= (surely * max(sigma, hidden)) ** 2
        if contact is not None:
            at_start = np.abs(b) + surely * u_b - hidden / np.expm1(-self.span / tau)
            back = np.minimum((self.start - contact) / tau, _LARGEST_EXPONENT)
            far = at_start * np.exp(back) >= FAR * abs(self.mean)
            # The shortest stands for all that are shorter: such an approach is over, from anywhere.
            far[0] = True
            if (possible & far).any():
                possible &= far
        best = int(np.argmin(np.where(possible, ssr, np.inf)))
        e_now = np.exp(-(now - self.start) / tau)
        hides = hidden / np.expm1(np.minimum(self.span / tau, _LARGEST_EXPONENT))
        worst = (np.abs(b) + _student(_ONE_SIGMA, 1.0, self.freedom) * u_b) * e_now + hides
        seen = abs(b[best]) > surely * u_b[best] + hidden
        return _Fit(
            final=self.mean - float(b[best] * e_mean[best]),
            uncertainty=sigma * math.sqrt(1 / self.w.sum() + e_mean[best] ** 2 / see[best]),
            remaining=float(b[best] * e_now[best]),
            worst=float(worst[possible].max()),
            scatter=self.scatter,
            time_constant=float(tau[best]) if seen else None,
            span=now - self.start,
        )

    def _correlation(self) -> float:
        """Give the factor by which neighbours that follow each other widen the uncertainty.

        √((1 + ρ)/(1 − ρ)) for a first-order process (any textbook on time series).
        """
        whole = float(self.left @ self.left)
        if not whole:
            return 1.0
        rho = float(self.left[:-1] @ self.left[1:]) / whole
        rho = min(max(rho, 0.0), _MOST_CORRELATED)
        return math.sqrt((1 + rho) / (1 - rho))


class TimedWatch:
    """Takes values at set times; for what never settles.

    at_s: seconds since the voltage was reached (see `voltage_reached`), any order.
    within_s: how far from its time a value may be, either way.

    Raises InputError for a time that is not above zero.
    """

    def __init__(self, at_s: Sequence[float], within_s: float = 1.0) -> None:
        for at in at_s:
            _positive("a time to take a value at", at)
        _positive("the tolerance of the times", within_s)
        self._due = sorted(set(at_s))
        self._within = within_s * (1 + 1e-9)  # 61 s is within 60 s ± 1 s, whatever the binary
        self._before: tuple[float, float | None] | None = None
        self._missed: list[float] = []

    def feed(self, elapsed: float, value: float | None) -> list[tuple[float, float | None, float]]:
        """Take in a sample; give those asked times that are now decided.

        Each as asked time, value and real elapsed time of the sample nearest to it; of two that
        are as near, the earlier. A value of None (out of range) is a sample like any other. A
        sample that goes back in time changes nothing.
        """
        before = self._before
        if not math.isfinite(elapsed) or (before is not None and elapsed < before[0]):
            return []
        self._before = (elapsed, value)
        return self._decide(elapsed, before)

    def finish(self) -> list[tuple[float, float | None, float]]:
        """Decide the times still asked for: no sample comes any more, as when a test has ended.

        Those to which the last sample is near enough are given as by `feed`; the rest are missed.
        """
        return self._decide(math.inf, self._before)

    def _decide(
        self, until: float, before: tuple[float, float | None] | None
    ) -> list[tuple[float, float | None, float]]:
        found = []
        near = [each for each in (before, self._before) if each is not None]
        while self._due and self._due[0] <= until:
            at = self._due.pop(0)
            value, real = None, math.inf
            for seconds, shown in near:
                if abs(seconds - at) < abs(real - at):
                    value, real = shown, seconds
            if abs(real - at) <= self._within:
                found.append((at, value, real))
            else:
                self._missed.append(at)
        return found

    def missed(self, elapsed: float | None = None) -> list[float]:
        """List the asked times that passed without a sample near enough, in order.

        `elapsed` is the time now, where samples may have stopped coming.
        """
        overdue: list[float] = []
        if elapsed is not None:
            overdue = [at for at in self._due if at + self._within < elapsed]
            if self._before is not None:
                last = self._before[0]
                overdue = [at for at in overdue if at - last > self._within]
        return [*self._missed, *overdue]


#: A voltage that falls below this part of what counts as reached was switched off or broke down;
#: the count then begins anew (common practice, no source).
_STILL_ON = 0.9


def voltage_reached(
    volts: Sequence[tuple[float, float]], nominal: float, share: float = 0.95
) -> float | None:
    """Give when the voltage was reached: the first sample of the newest time that it was on.

    volts: (seconds, volts) in order of time; either polarity. nominal: V, not zero. `share` of it
    counts as reached (common practice, no source). None where it never was.

    Raises InputError for a nominal voltage of zero or a share outside 0 … 1.
    """
    level = abs(nominal) * share
    if not (level > 0 and math.isfinite(level) and share <= 1):
        raise InputError("the nominal voltage must not be zero, and its share within 0 … 1")
    reached, on = None, False
    for seconds, volt in volts:
        if not on and abs(volt) >= level:
            reached, on = seconds, True
        elif on and not abs(volt) >= _STILL_ON * level:
            on = False
    return reached


def _no(reason: str, fit: _Fit | None = None) -> Decision:
    return Decision(
        settled=False,
        value=None,
        remaining=fit.remaining if fit else None,
        time_constant=fit.time_constant if fit else None,
        reason=reason,
    )


def _why_not(fit: _Fit, status: str, value: float, uncertainty: float) -> str:
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


def _local_scatter(t: Array, v: Array, w: Array) -> float:
    """Give the standard deviation of one sample from how points stand off their neighbours' line.

    A smooth change cancels. Of the later half only, where an approach is least curved.
    """
    from_ = min(len(t) // 2, len(t) - LEAST_POINTS)
    t, v, w = t[from_:], v[from_:], w[from_:]
    right = (t[1:-1] - t[:-2]) / (t[2:] - t[:-2])
    off = v[1:-1] - (1 - right) * v[:-2] - right * v[2:]
    spread = 1 / w[1:-1] + (1 - right) ** 2 / w[:-2] + right**2 / w[2:]
    return math.sqrt(float(np.mean(off * off / spread)))


def _last_digit(value: float) -> float:
    """Give the place of the last digit that is not zero: the display's step is this or finer."""
    mantissa, _, exponent = f"{value:.{_DIGITS - 1}e}".partition("e")
    return float(10.0 ** (int(exponent) - len(mantissa.rstrip("0").partition(".")[2])))


def _student(table: tuple[float, ...], sigmas: float, freedom: int) -> float:
    """Give t of the table; beyond it, t nears its end as 1/ν, which is on the large side."""
    if freedom <= len(table):
        return table[freedom - 1]
    return sigmas + (table[-1] - sigmas) * len(table) / freedom


def _positive(name: str, number: float) -> None:
    if not (number > 0 and math.isfinite(number)):
        raise InputError(f"{name} must be above zero, not {number:g}")
