"""The answer of `suspect`: candidates in order, and what to say and do about them."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from .result import Result

Statement = Literal["balanced", "named", "cannot tell", "no single cause"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One hypothesis: its probability, its place by connection, and how far the evidence lies off.

    `places` gives, for each connection considered, the likeliest coil (or pair) and `distance` the
    Mahalanobis distance of the evidence from the nearest case of the hypothesis.
    """

    hypothesis: str
    probability: float
    places: Mapping[str, str]
    distance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspicion:
    """What the evidence says, ranked, with what speaks for and against the first candidate.

    `signal` is the distance of the evidence from a balanced winding in units of U = 2u, `apart`
    the difference between the two best hypotheses in the same unit. `coils` gives the suspected
    coil by connection, `terminal` what two like pairs share. `loss` is the loss of inductance of
    the affected pairs in per cent, `turns` the lost turns of the phase in per cent, given for fewer
    turns with resistance only.
    """

    statement: Statement
    hypothesis: str | None
    signal: float
    threshold: float
    apart: float
    candidates: tuple[Candidate, ...]
    coils: Mapping[str, str]
    coil_probability: float
    terminal: str | None
    loss: Result | None
    turns: Result | None
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]
    next_measurement: str
    words: tuple[str, ...]
    inputs: tuple[str, ...] = ()

    @property
    def detected(self) -> bool:
        """Whether the evidence lies beyond what a sound winding shows."""
        return self.statement != "balanced"
