"""The quantities a reading can be of, and the one UCUM unit each is stored in.

Quantities that are not listed here may be used under a name that starts with ``x_``. A name that
is neither is refused, because a misspelt quantity is a reading that nobody finds again.
"""

import re
from enum import StrEnum

from capture.errors import InputError


class Quantity(StrEnum):
    """The quantities of a winding test bench."""

    RESISTANCE = "resistance"
    INDUCTANCE = "inductance"
    CAPACITANCE = "capacitance"
    IMPEDANCE = "impedance"
    REACTANCE = "reactance"
    CONDUCTANCE = "conductance"
    PHASE_ANGLE = "phase_angle"
    QUALITY_FACTOR = "quality_factor"
    DISSIPATION_FACTOR = "dissipation_factor"
    INSULATION_RESISTANCE = "insulation_resistance"
    LEAKAGE_CURRENT = "leakage_current"
    TEST_VOLTAGE = "test_voltage"
    POLARIZATION_INDEX = "polarization_index"
    ABSORPTION_RATIO = "absorption_ratio"
    PULSE_TIME = "pulse_time"
    """The time a pulse comparison shows; which time it is stands in the condition ``law``."""
    PULSE_DEVIATION = "pulse_deviation"
    UNBALANCE = "unbalance"
    VOLTAGE = "voltage"
    CURRENT = "current"
    POWER = "power"
    FREQUENCY = "frequency"
    TEMPERATURE = "temperature"
    RELATIVE_HUMIDITY = "relative_humidity"
    ROTOR_ANGLE = "rotor_angle"
    ELAPSED_TIME = "elapsed_time"


_UNITS: dict[str, str] = {
    Quantity.RESISTANCE: "Ohm",
    Quantity.INDUCTANCE: "H",
    Quantity.CAPACITANCE: "F",
    Quantity.IMPEDANCE: "Ohm",
    Quantity.REACTANCE: "Ohm",
    Quantity.CONDUCTANCE: "S",
    Quantity.PHASE_ANGLE: "deg",
    Quantity.QUALITY_FACTOR: "1",
    Quantity.DISSIPATION_FACTOR: "1",
    Quantity.INSULATION_RESISTANCE: "Ohm",
    Quantity.LEAKAGE_CURRENT: "A",
    Quantity.TEST_VOLTAGE: "V",
    Quantity.POLARIZATION_INDEX: "1",
    Quantity.ABSORPTION_RATIO: "1",
    Quantity.PULSE_TIME: "s",
    Quantity.PULSE_DEVIATION: "%",
    Quantity.UNBALANCE: "%",
    Quantity.VOLTAGE: "V",
    Quantity.CURRENT: "A",
    Quantity.POWER: "W",
    Quantity.FREQUENCY: "Hz",
    Quantity.TEMPERATURE: "Cel",
    Quantity.RELATIVE_HUMIDITY: "%",
    Quantity.ROTOR_ANGLE: "deg",
    Quantity.ELAPSED_TIME: "s",
}

#: What a bridge measures with alternating current; a number means little without its frequency.
AT_A_FREQUENCY = frozenset(
    {
        Quantity.INDUCTANCE,
        Quantity.CAPACITANCE,
        Quantity.IMPEDANCE,
        Quantity.REACTANCE,
        Quantity.CONDUCTANCE,
        Quantity.PHASE_ANGLE,
        Quantity.QUALITY_FACTOR,
        Quantity.DISSIPATION_FACTOR,
    }
)

_OWN_NAME = re.compile(r"x_[a-z0-9_]{1,40}\Z")

#: What a quantity's name looks like, for schemas and topics.
NAME_PATTERN = (
    r"^(" + "|".join(sorted(member.value for member in Quantity)) + r"|x_[a-z0-9_]{1,40})$"
)


def unit_of(quantity: str) -> str | None:
    """Tell the UCUM unit that ``quantity`` is stored in; None for an ``x_`` quantity (any unit).

    Raises:
        InputError: the name is neither listed nor starts with ``x_``.
    """
    unit = _UNITS.get(quantity)
    if unit is None and not _OWN_NAME.match(quantity):
        raise InputError(
            f"quantity {quantity!r} is not known; known are {', '.join(sorted(_UNITS))}, "
            "and names of your own that start with x_"
        )
    return unit
