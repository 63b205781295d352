"""The end that shown values approach: a + b·exp(−t/τ) fitted for every τ that they leave possible.

See `capture.jobs.settling` for the rule that this serves. Pure.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
#: Points that a decision needs: three parameters, and two more to see a scatter at all.
LEAST_POINTS = 5
#: Part of the value that an approach which began with a touch begins at, at least (common
#: practice, no source). A slow change smaller than this, after a touch that was seen, is not found.
FAR = 0.01
_QUICK = 12.0  # part of the interval that the shortest τ is: e⁻¹² of anything cannot be seen
_FINE = np.linspace(-1.0, 1.0, 9)
_LARGEST_EXPONENT = 60.0
_MOST_CORRELATED = 0.9
# t for 68.27 % and 99.73 % by degrees of freedom from 1 (JCGM 100, table G.2; from memory, sure).
_ONE_SIGMA = (1.84, 1.32, 1.20, 1.14, 1.11, 1.09, 1.08, 1.07, 1.06, 1.05)
_THREE_SIGMA = (235.8, 19.21, 9.22, 6.62, 5.51, 4.90, 4.53, 4.28, 4.09, 3.96)


class Fit(NamedTuple):
    """What the points say: the end and its uncertainty, what is left, at worst, and the rest."""

    final: float
    uncertainty: float
    remaining: float
    worst: float
    scatter: float
    time_constant: float | None
    span: float


class Profile:
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

    def result(self, now: float, contact: float | None, step: float) -> Fit:
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
        return Fit(
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


def local_scatter(t: Array, v: Array, w: Array) -> float:
    """Give the standard deviation of one sample from how points stand off their neighbours' line.

    A smooth change cancels. Of the later half only, where an approach is least curved.
    """
    from_ = min(len(t) // 2, len(t) - LEAST_POINTS)
    t, v, w = t[from_:], v[from_:], w[from_:]
    right = (t[1:-1] - t[:-2]) / (t[2:] - t[:-2])
    off = v[1:-1] - (1 - right) * v[:-2] - right * v[2:]
    spread = 1 / w[1:-1] + (1 - right) ** 2 / w[:-2] + right**2 / w[2:]
    return math.sqrt(float(np.mean(off * off / spread)))


def _student(table: tuple[float, ...], sigmas: float, freedom: int) -> float:
    """Give t of the table; beyond it, t nears its end as 1/ν, which is on the large side."""
    if freedom <= len(table):
        return table[freedom - 1]
    return sigmas + (table[-1] - sigmas) * len(table) / freedom
