"""What windings read where nothing is there to compare a value with: the ranges, and why. Pure.

Common practice, no source. The ends are worked out for three-phase windings of 0.55 kW to 1 MW,
which is what comes to a repair bench; smaller motors are mostly replaced. A winding outside is
asked about once, at its first pair; the next pairs are held against that one.

Resistance between two line terminals is 2·c·V²/(k²·P), with c the stator's copper loss as a part of
rated power P and k = 1/(η·cos φ), both from memory: c 0.15 and k 1.9 at 0.55 kW and 400 V give
24 Ω; c 0.008 and k 1.2 at 500 kW and 400 V give 3.6 mΩ, and at 1 MW 1.8 mΩ. Inductance of a pair:
the leakage of a 1 MW, 400 V winding, 0.2 of its rated impedance twice, is 0.2 mH at 50 Hz; the
magnetising reactance of a 0.12 kW motor, about 700 Ω a phase, is 3 to 7 H. Pulse times: windings
ring at some kHz to some hundred kHz against an instrument's own capacitor.
"""

from capture.model.quantity import Quantity
from capture.model.testpoint import TestPoint

#: What a winding between its line terminals usually reads, in the base unit.
USUAL: dict[str, tuple[float, float]] = {
    Quantity.RESISTANCE: (1e-3, 30.0),
    Quantity.INDUCTANCE: (1e-4, 10.0),
    Quantity.PULSE_TIME: (1e-6, 1e-2),
}

#: What anything that is tested on a machine shows, from a few watts to some megawatts: windings,
#: fields, armatures, detectors, heaters. Insulation: testers show up to some TΩ; what reads less
#: than 0.1 MΩ is wet or joined to the frame, or was read in MΩ and keyed in kΩ.
ANY_MACHINE: dict[str, tuple[float, float]] = {
    Quantity.RESISTANCE: (1e-5, 1e5),
    Quantity.INDUCTANCE: (1e-6, 1e3),
    Quantity.CAPACITANCE: (1e-11, 1e-4),
    Quantity.INSULATION_RESISTANCE: (1e5, 1e13),
    Quantity.PULSE_TIME: (1e-7, 1.0),
    Quantity.TEST_VOLTAGE: (1.0, 5e4),
}

_LINE_TERMINALS = frozenset("UVW")


def is_line_winding(point: TestPoint | None, machine: str | None) -> bool:
    """Tell whether a value is of the winding between U, V and W, as far as anybody says.

    A rotor, an armature, a field, a detector has ranges of its own. A value of a machine without a
    test point is taken for one of its winding; one of no machine may be of anything.
    """
    if point is None:
        return machine is not None
    letters = {mark[:1] for mark in (*point.first, *point.second)}
    return bool(letters) and letters <= _LINE_TERMINALS
