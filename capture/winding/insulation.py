"""Insulation resistance: corrected to 40 °C, its minimum, the test voltage, the time to discharge.

After IEEE Std 43-2013. No copy of it was at hand: tables come from public texts that quote it,
the two constants of the thermosetting formula from memory.
"""

from math import exp
from typing import Literal, NamedTuple, get_args

from .checks import positive
from .errors import OutsideRangeError, UnknownChoiceError
from .measured import Number, linear_result, nominal, variables
from .result import Result

Insulation = Literal["thermoplastic", "thermosetting"]
Winding = Literal["random", "form", "field", "dc-armature"]
INSULATIONS: tuple[Insulation, ...] = get_args(Insulation)
WINDINGS: tuple[Winding, ...] = get_args(Winding)

REFERENCE_CELSIUS = 40.0
# Kelvin offset as the formula prints it: 273, not 273.15, or the fourth digit differs.
_OFFSET = 273
_HOT, _COLD = 4230.0, 1245.0  # from memory, sure, but found in no text
_RANGE = (10.0, 85.0)
_MODERN = 1970  # "after about 1970"
#: From here up a form-wound winding has a limit of its own.
FORM_FROM_VOLTS = 1000
# No winding is outside; nearer to −273 °C the formula also divides by zero.
_COLDEST, _HOTTEST = -100.0, 300.0

# Rated volts up to and including, lowest and highest test voltage (public texts quoting the table).
_LADDER = (
    (2500.0, 500.0, 1000.0),
    (5000.0, 1000.0, 2500.0),
    (12_000.0, 2500.0, 5000.0),
    (float("inf"), 5000.0, 10_000.0),
)


def insulation_factor(celsius: float, insulation: Insulation) -> float:
    """Give K_T, by which a reading at `celsius` is multiplied to stand for 40 °C.

    Thermoplastic: 0.5^((40 − T)/10). Thermosetting: exp(−4230·(1/(T + 273) − 1/313)) from 40 °C
    up, with 1245 below.
    """
    if insulation not in INSULATIONS:
        raise UnknownChoiceError("insulation", insulation, INSULATIONS)
    if not _COLDEST <= celsius <= _HOTTEST:
        raise OutsideRangeError(f"{celsius:g} °C is no temperature of a winding")
    if insulation == "thermoplastic":
        return float(0.5 ** ((REFERENCE_CELSIUS - celsius) / 10))
    constant = _HOT if celsius >= REFERENCE_CELSIUS else _COLD
    return exp(-constant * (1 / (celsius + _OFFSET) - 1 / (REFERENCE_CELSIUS + _OFFSET)))


def insulation_at_40(ohms: Number, celsius: float, insulation: Insulation) -> Result:
    """Give the insulation resistance that the winding would show at 40 °C, in ohms.

    R40 = K_T · R. Outside 10 … 85 °C a note says that the formula is extrapolated. The halving
    rule may be used for either; the thermosetting factors only for modern thermosetting systems.
    Raises NotPositiveError, UnknownChoiceError, OutsideRangeError.
    """
    positive("insulation resistance", nominal("insulation resistance", ohms))
    factor = insulation_factor(float(celsius), insulation)
    notes = []
    if not _RANGE[0] <= celsius <= _RANGE[1]:
        notes.append(f"extrapolated: the formula is written for {_RANGE[0]:g} to {_RANGE[1]:g} °C")
    if insulation == "thermosetting":
        notes.append("the factor's constants come from memory, not from a copy of the standard")
    (resistance,) = variables((ohms,))
    return linear_result(
        resistance * factor,
        unit="Ohm",
        formula="insulation-at-40",
        of=(ohms,),
        constants={"celsius": float(celsius), "factor": factor},
        notes=tuple(notes),
    )


def minimum_insulation(rated_volts: float, winding: Winding, year: int) -> Result:
    """Give the least 1 min insulation resistance at 40 °C of a whole winding, in ohms.

    Random-wound, and form-wound below 1 kV: 5 MΩ. Form-wound: 100 MΩ. DC armatures: 5 MΩ. Made
    before about 1970, and all field windings: (kV + 1) MΩ, kV being the rated terminal-to-terminal
    volts (IEEE Std 43-2013, 12.3, from public texts). One phase with the two others earthed
    should read about twice the whole winding. Raises UnknownChoiceError, NotPositiveError.
    """
    if winding not in WINDINGS:
        raise UnknownChoiceError("winding", winding, WINDINGS)
    volts = positive("rated voltage", rated_volts)
    if winding == "field" or year < _MODERN:
        megohms, rule = volts / 1000 + 1, "kV + 1"
    elif winding == "form" and volts >= FORM_FROM_VOLTS:
        megohms, rule = 100.0, "form-wound"
    else:
        megohms, rule = 5.0, "DC armature" if winding == "dc-armature" else "random-wound or < 1 kV"
    return Result(
        value=megohms * 1e6,
        unit="Ohm",
        formula="minimum-insulation",
        constants={"rated_volts": volts, "year": float(year)},
        notes=(f"rule: {rule}",),
    )


class VoltageRange(NamedTuple):
    """The lowest and the highest DC test voltage for a rated voltage, in volts."""

    lowest: float
    highest: float


def test_voltage(rated_volts: float) -> VoltageRange:
    """Give the DC voltage range for an insulation resistance test of a rated voltage, in volts.

    Below 1000 V: 500; to 2500: 500–1000; to 5000: 1000–2500; to 12 000: 2500–5000; above:
    5000–10 000 (IEEE Std 43, from public texts). Rated is line-to-line for three phases. It tells
    what a test that was made should have used; it is no invitation to make one.
    """
    volts = positive("rated voltage", rated_volts)
    if volts < 1000:  # noqa: PLR2004 - the first step of the ladder
        return VoltageRange(500.0, 500.0)
    low, high = next((low, high) for up_to, low, high in _LADDER if volts <= up_to)
    return VoltageRange(low, high)


# The name is the field's, but pytest must not take it for a test of its own.
test_voltage.__test__ = False  # type: ignore[attr-defined]


def discharge_seconds(applied_seconds: float, *, factor: float = 4.0) -> Result:
    """Give the time a winding must stay earthed after a test: four times the time under voltage.

    IEEE Std 43 (from memory, sure). Until then a residual charge also falsifies the next reading.
    It says when to go on with the procedure, and nothing about the state of the winding. Raises
    NotPositiveError, OutsideRangeError for a factor below four.
    """
    seconds = positive("time under voltage", applied_seconds)
    if factor < 4:  # noqa: PLR2004 - the least in use
        raise OutsideRangeError(f"less than four times the time under voltage: {factor:g}")
    return Result(
        value=factor * seconds,
        unit="s",
        formula="discharge-time",
        constants={"factor": factor, "applied_seconds": seconds},
    )
