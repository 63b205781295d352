"""Voltage levels that standards print for winding tests: to compare with, for information only.

Benchtally commands no voltage. These figures let a person check the level that a test was made at
against the one its procedure names.
"""

from math import sqrt

from .checks import positive
from .result import Result

_NOTE = ("for information only: a figure to compare a finished test with, from memory",)


def impulse_level(rated_volts: float) -> Result:
    """Give the main-insulation impulse level of IEC 60034-15, 4·U_N + 5 kV, in volts."""
    volts = positive("rated voltage", rated_volts)
    return Result(value=4 * volts + 5000, unit="V", formula="impulse-level", notes=_NOTE)


def turn_impulse_level(rated_volts: float) -> Result:
    """Give the interturn level of IEC 60034-15 for sample coils, 0.65·U_P, in volts."""
    level = 0.65 * impulse_level(rated_volts).value
    return Result(value=level, unit="V", formula="turn-impulse-level", notes=_NOTE)


def surge_unit(rated_volts: float, *, per_unit: float = 1.0) -> Result:
    """Give a level of IEEE Std 522 in volts: so many per unit of √(2/3) · V_LL."""
    volts = positive("rated voltage", rated_volts)
    return Result(
        value=positive("per unit", per_unit) * sqrt(2 / 3) * volts,
        unit="V",
        formula="surge-unit",
        constants={"per_unit": per_unit},
        notes=_NOTE,
    )


def power_frequency_level(rated_volts: float) -> Result:
    """Give the level of a new winding at power frequency, 2U + 1000 V, in volts."""
    volts = positive("rated voltage", rated_volts)
    return Result(value=2 * volts + 1000, unit="V", formula="power-frequency-level", notes=_NOTE)


def direct_voltage_level(rated_volts: float) -> Result:
    """Give the level of a new winding with direct voltage, 1.7·(2U + 1000 V), in volts."""
    level = 1.7 * power_frequency_level(rated_volts).value
    return Result(value=level, unit="V", formula="direct-voltage-level", notes=_NOTE)
