"""Circuits with a voltage of their own on the nameplate: a wound rotor, a separately excited field.

Where the nameplate gives it, what follows from a rated voltage (a test voltage, a least insulation)
is said of them by that, and never by the voltage of the main winding.
"""

from collections.abc import Mapping
from typing import Literal

from capture.judging.kinds import insulation_limits
from capture.judging.rated import letters_of
from capture.model.machine import Nameplate
from capture.model.testpoint import TestPoint
from capture.model.testset import SetMachine
from capture.winding import Limit

Circuit = Literal["rotor", "field"]

# IEC 60034-8 (from memory): K L M the rotor's phases and Q its star point, F the excitation.
_MARKS: dict[Circuit, frozenset[str]] = {"rotor": frozenset("KLMQ"), "field": frozenset("F")}
#: What a person may do where the rows of a rotor disagree.
ASK_WHOSE_ROW = "the rotor's maker or the site's own rule decides"


Plate = Nameplate | SetMachine


def circuit_of(point: TestPoint) -> Circuit | None:
    """Name the circuit that both leads sit on; None for the main winding, or any other."""
    letters = letters_of(point)
    for circuit, marks in _MARKS.items():
        if letters and letters <= marks:
            return circuit
    return None


def own_volts(circuit: Circuit, plate: Plate) -> float | None:
    """Give the rated voltage of a circuit; None where the nameplate does not give it."""
    return plate.rotor_volts if circuit == "rotor" else plate.excitation_volts


def own_limits(
    circuit: Circuit | None, plate: Plate, limits: Mapping[str, Limit]
) -> dict[str, Limit]:
    """Give the least that such a circuit should read after 1 min at 40 °C, by the row that holds.

    A field has one row, (kV + 1) MΩ. The table's rows for windings of alternating current name
    stators, and one of them is for what it does not name; which of the two a wound rotor belongs to
    nobody here has read (public texts that quote IEEE Std 43-2013, 12.3). So it is held against
    both. Empty where voltage or year are not known.
    """
    if circuit is None:
        return {}
    volts = own_volts(circuit, plate)
    least = insulation_limits(limits, volts, "field", plate.year)
    if circuit == "field" or not least:
        return least
    as_stator = insulation_limits(limits, volts, "unknown", plate.year)
    found = {f"its row is that of {kind} ones": each for kind, each in as_stator.items()}
    (found["its row is that of windings not named"],) = least.values()
    return found
