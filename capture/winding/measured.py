"""Readings with an uncertainty, and what readings of one instrument have in common."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import hypot
from typing import Any

from uncertainties import UFloat, ufloat

from .checks import finite
from .errors import MixedConditionsError
from .result import Result

COVERAGE_FACTOR = 2.0  # about 95 % for a normal distribution (JCGM 100:2008, 6.3.3)

Variable = Any  # uncertainties publishes no types


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A reading with its two kinds of standard uncertainty.

    `random` (unit of the value) is drawn anew for each reading: noise, contact, last digit.
    `gain` (relative) is one error shared by all readings of the same `instrument` on the same
    `range`: it cancels in ratios of such readings and in nothing else. `unit` is a UCUM
    code, or empty where the caller vouches for it.
    """

    value: float
    random: float = 0.0
    gain: float = 0.0
    instrument: str = ""
    range: str = ""
    id: str = ""
    unit: str = ""

    @property
    def standard_uncertainty(self) -> float:
        """Both kinds together, in the unit of the value."""
        return hypot(self.random, self.gain * self.value)

    def __float__(self) -> float:
        return self.value


Number = float | Measured | Result | Variable


def check_units(numbers: Mapping[str, Number], expected: str = "") -> None:
    """Raise MixedConditionsError where two numbers, or one and the formula, differ in unit.

    Numbers that do not say their unit are taken at their word.
    """
    unit, owner = expected, "the formula"
    for name, number in numbers.items():
        own = number.unit if isinstance(number, Measured | Result) else ""
        if own and unit and own != unit:
            raise MixedConditionsError(f"{name} is in {own}, {owner} in {unit}")
        if own and not unit:
            unit, owner = own, name


def variables(numbers: Iterable[Number]) -> list[Variable]:
    """Give numbers as variables of the `uncertainties` package, with shared gains shared."""
    gains: dict[tuple[str, str, float], Variable] = {}
    return [_variable(number, gains) for number in numbers]


def _variable(number: Number, gains: dict[tuple[str, str, float], Variable]) -> Variable:
    if isinstance(number, Measured):
        key = (number.instrument, number.range, number.gain)
        if number.gain > 0 and key not in gains:
            gains[key] = ufloat(1.0, number.gain)
        return _with_uncertainty(number.value, number.random) * gains.get(key, 1.0)
    if isinstance(number, Result):
        if number.variable is not None:
            return number.variable
        return _with_uncertainty(number.value, number.standard_uncertainty)
    return number


def _with_uncertainty(value: float, standard: float | None) -> Variable:
    # Without an uncertainty a number stays a float: the package warns of variables that have none.
    return ufloat(value, standard) if standard else value


def nominal(name: str, number: Number | None) -> float:
    """Give the value of a number without its uncertainty, checked to be finite."""
    if isinstance(number, Measured | Result):
        return finite(name, number.value)
    return finite(name, getattr(number, "nominal_value", number))


def value_of(variable: Variable) -> float:
    """Give the value of a variable, or of a plain float, without its uncertainty."""
    return float(variable.nominal_value if isinstance(variable, UFloat) else variable)


def identities(*numbers: Number) -> tuple[str, ...]:
    """Collect the ids of the readings behind some numbers, each once."""
    found: dict[str, None] = {}
    for number in numbers:
        if isinstance(number, Measured) and number.id:
            found[number.id] = None
        if isinstance(number, Result):
            found.update(dict.fromkeys(number.inputs))
    return tuple(found)


def linear_result(
    variable: Variable,
    *,
    unit: str,
    formula: str,
    of: Iterable[Number] = (),
    constants: dict[str, float] | None = None,
    notes: tuple[str, ...] = (),
) -> Result:
    """Wrap what a propagation (JCGM 100:2008, 5.1 and 5.2) gave, with U = 2u if there is a u."""
    uncertain = isinstance(variable, UFloat) and variable.std_dev > 0
    return Result(
        value=value_of(variable),
        unit=unit,
        formula=formula,
        inputs=identities(*of),
        constants=constants or {},
        uncertainty=COVERAGE_FACTOR * float(variable.std_dev) if uncertain else None,
        coverage_factor=COVERAGE_FACTOR if uncertain else None,
        notes=notes,
        variable=variable if uncertain else None,
    )
