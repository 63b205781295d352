"""What a computation gives back: a number that can account for itself."""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """A computed value with all that is needed to compute it again.

    `unit` is a UCUM code. `uncertainty` is the expanded uncertainty U in the same unit and
    `coverage_factor` the k that made it from the standard uncertainty; both are None where the
    readings came without one. `inputs` are the ids of the readings, `constants` the numbers that
    did not come from the instrument. `notes` are plain sentences for the person who reads it.
    """

    value: float
    unit: str
    formula: str
    inputs: tuple[str, ...] = ()
    constants: Mapping[str, float] = field(default_factory=dict)
    uncertainty: float | None = None
    coverage_factor: float | None = None
    notes: tuple[str, ...] = ()

    def __float__(self) -> float:
        return self.value

    @property
    def standard_uncertainty(self) -> float | None:
        """U divided by k, or None where no uncertainty is known."""
        if self.uncertainty is None or not self.coverage_factor:
            return None
        return self.uncertainty / self.coverage_factor
