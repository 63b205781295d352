"""Winding resistance: corrected for temperature, freed of leads and thermal EMF, checked."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from uncertainties import ufloat

from .checks import finite, positive
from .errors import (
    ImpossibleSetError,
    MissingReadingError,
    NotPositiveError,
    OutsideRangeError,
)
from .measured import Number, linear_result, nominal, variables
from .result import Result

# The straight line of metal resistance over temperature is used within these; common practice.
COLDEST, HOTTEST = -50.0, 250.0
_K_LOW, _K_HIGH = 200.0, 260.0

# Permitted delay after switching off by rated power: IEC 60034-1, 8.6.2.3 (from memory, medium).
_DELAYS = ((50.0, 30.0), (200.0, 90.0), (5000.0, 120.0))


def correct_resistance(
    ohms: Number, at_celsius: Number, to_celsius: Number, zero_resistance_celsius: float
) -> Result:
    """Give the resistance that the winding would have at another temperature, in ohms.

    R_ref = R · (k + T_ref)/(k + T). `zero_resistance_celsius` is k, the temperature below zero at
    which the metal's straight line meets zero resistance, as a positive number. It has no default
    because several circulate: copper 234.5 (IEEE 112) or 235 (IEC 60034-1), aluminium 225 or 228.

    Raises NotPositiveError for a resistance not above zero, OutsideRangeError for a temperature
    outside −50 … 250 °C or a k that is none of a winding metal.
    """
    positive("resistance", nominal("resistance", ohms))
    k = _zero_resistance(zero_resistance_celsius)
    _temperature("winding temperature", at_celsius)
    _temperature("reference temperature", to_celsius)
    resistance, at, to = variables((ohms, at_celsius, to_celsius))
    return linear_result(
        resistance * ((k + to) / (k + at)),
        unit="Ohm",
        formula="resistance-at-temperature",
        of=(ohms, at_celsius, to_celsius),
        constants={
            "zero_resistance_celsius": k,
            "at_celsius": nominal("winding temperature", at_celsius),
            "to_celsius": nominal("reference temperature", to_celsius),
        },
    )


def temperature_from_resistance(
    cold_ohms: Number, hot_ohms: Number, cold_celsius: Number, zero_resistance_celsius: float
) -> Result:
    """Give the temperature of the hot winding in °C: T2 = R2/R1 · (k + T1) − k."""
    positive("cold resistance", nominal("cold resistance", cold_ohms))
    positive("hot resistance", nominal("hot resistance", hot_ohms))
    k = _zero_resistance(zero_resistance_celsius)
    _temperature("cold temperature", cold_celsius)
    cold, hot, at = variables((cold_ohms, hot_ohms, cold_celsius))
    return linear_result(
        hot / cold * (k + at) - k,
        unit="Cel",
        formula="temperature-by-resistance",
        of=(cold_ohms, hot_ohms, cold_celsius),
        constants={
            "zero_resistance_celsius": k,
            "cold_celsius": nominal("cold temperature", cold_celsius),
        },
    )


def temperature_rise(
    cold_ohms: Number,
    hot_ohms: Number,
    cold_celsius: Number,
    coolant_celsius: Number,
    zero_resistance_celsius: float,
) -> Result:
    """Give the temperature rise over the coolant in kelvins.

    Δθ = (R2 − R1)/R1 · (k + θ1) + θ1 − θa, θa being the coolant at the *end* of the test and θ1
    the temperature of the cold winding (IEC 60034-1, 8.6.2.3, from memory, sure). Raises what
    `correct_resistance` raises.
    """
    positive("cold resistance", nominal("cold resistance", cold_ohms))
    positive("hot resistance", nominal("hot resistance", hot_ohms))
    k = _zero_resistance(zero_resistance_celsius)
    _temperature("cold temperature", cold_celsius)
    _temperature("coolant temperature", coolant_celsius)
    cold, hot, at, coolant = variables((cold_ohms, hot_ohms, cold_celsius, coolant_celsius))
    return linear_result(
        (hot - cold) / cold * (k + at) + at - coolant,
        unit="K",
        formula="temperature-rise",
        of=(cold_ohms, hot_ohms, cold_celsius, coolant_celsius),
        constants={
            "zero_resistance_celsius": k,
            "cold_celsius": nominal("cold temperature", cold_celsius),
            "coolant_celsius": nominal("coolant temperature", coolant_celsius),
        },
    )


def shutdown_delay(rated_kilowatts: float) -> Result:
    """Give the delay after switching off, in seconds, within which no extrapolation is needed.

    Up to 50 kW 30 s, up to 200 kW 90 s, up to 5000 kW 120 s (IEC 60034-1, from memory, medium).
    Raises OutsideRangeError above, where it is by agreement.
    """
    power = positive("rated power", rated_kilowatts)
    for up_to, seconds in _DELAYS:
        if power <= up_to:
            return Result(value=seconds, unit="s", formula="shutdown-delay")
    raise OutsideRangeError(f"above {_DELAYS[-1][0]:g} kW the delay is by agreement, not by table")


def shutdown_resistance(
    times: Sequence[float], ohms: Sequence[float], at_seconds: float, *, degree: Literal[1, 2] = 1
) -> Result:
    """Give the resistance on the cooling curve at a delay after switching off, in ohms.

    A straight line (degree 1), or a parabola, is fitted to ln R over t by least squares and read
    at `at_seconds`: the tabulated delay, not zero. The uncertainty is that of the fitted curve,
    from the scatter of the readings around it, where there are more readings than parameters.

    Raises MissingReadingError for too few readings, OutsideRangeError for a delay after the last
    reading, NotPositiveError, and ImpossibleSetError for two readings at one time.
    """
    if len(times) != len(ohms):
        raise MissingReadingError("a time or a resistance", "there must be one time a reading")
    seconds = np.array([finite(f"time {i}", time) for i, time in enumerate(times, 1)])
    logs = np.log([positive(f"resistance {i}", reading) for i, reading in enumerate(ohms, 1)])
    needed = degree + 1
    if len(logs) < needed:
        raise MissingReadingError(f"reading {len(logs) + 1}", f"the curve takes {needed} or more")
    if len(set(times)) != len(times):
        raise ImpossibleSetError("two readings have the same time, a cooling curve has one a time")
    at = finite("delay", at_seconds)
    if not 0 <= at <= seconds.max():
        raise OutsideRangeError(
            f"the delay of {at:g} s must lie between switching off and the last reading"
        )
    matrix = np.vander(seconds - at, needed, increasing=True)
    found, _, _, _ = np.linalg.lstsq(matrix, logs, rcond=None)
    free = len(logs) - needed
    residual = logs - matrix @ found
    variance = float(residual @ residual) / free if free else 0.0
    standard = float(np.sqrt(variance * np.linalg.inv(matrix.T @ matrix)[0, 0]))
    value = float(np.exp(found[0]))
    return linear_result(
        ufloat(value, value * standard) if standard > 0 else value,
        unit="Ohm",
        formula="shutdown-resistance",
        constants={"at_seconds": at, "degree": float(degree)},
        notes=() if free else ("no reading to spare: the scatter around the curve is unknown",),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReversedCurrent:
    """The resistance freed of the thermal EMF, and that EMF."""

    resistance: Result
    emf: Result

    @property
    def value(self) -> float:
        """The resistance in ohms."""
        return self.resistance.value


def reversed_current_resistance(
    forward_volts: Number, reverse_volts: Number, amperes: Number
) -> ReversedCurrent:
    """Give resistance and thermal EMF from one reading in each direction of the current.

    R = (V₊ − V₋)/(2I), EMF = (V₊ + V₋)/2; V₋ has its own sign. Raises NotPositiveError for a
    current not above zero or when the voltage does not turn over with the current.
    """
    positive("current", nominal("current", amperes))
    forward_value = nominal("forward voltage", forward_volts)
    reverse_value = nominal("reverse voltage", reverse_volts)
    if forward_value <= reverse_value:
        raise NotPositiveError(
            "forward minus reverse voltage",
            forward_value - reverse_value,
            "the voltage must turn over with the current; give the reverse reading its sign",
        )
    forward, reverse, current = variables((forward_volts, reverse_volts, amperes))
    of = (forward_volts, reverse_volts, amperes)
    return ReversedCurrent(
        resistance=linear_result(
            (forward - reverse) / (2 * current),
            unit="Ohm",
            formula="reversed-current-resistance",
            of=of,
        ),
        emf=linear_result((forward + reverse) / 2, unit="V", formula="thermal-emf", of=of[:2]),
    )


def zeroed_two_wire(ohms: Number, shorted_leads_ohms: Number) -> Result:
    """Give a two-wire reading less the reading with the leads shorted, in ohms.

    Variances add, and what the contacts differ from one touch to the next stays in the result:
    a four-wire reading is the better answer below about an ohm. Raises NotPositiveError when the
    leads read as much as the winding with its leads.
    """
    whole = positive("reading", nominal("reading", ohms))
    leads = finite("shorted leads", nominal("shorted leads", shorted_leads_ohms))
    if leads < 0 or leads >= whole:
        raise NotPositiveError(
            "reading less shorted leads", whole - leads, "the leads must read less than the winding"
        )
    reading, short = variables((ohms, shorted_leads_ohms))
    return linear_result(
        reading - short,
        unit="Ohm",
        formula="zeroed-two-wire",
        of=(ohms, shorted_leads_ohms),
        notes=("the scatter of the contacts is still in it",),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentCheck:
    """What a check of the instrument before and after a test says of the readings between."""

    before: float
    after: float
    drift: float
    tolerance: float
    unit: str
    holds: bool
    statement: str


def reference_check(
    before: float, after: float, reference: float, tolerance: float, *, unit: str = "Ohm"
) -> InstrumentCheck:
    """Compare readings of a known resistor before and after a test with its stated value.

    `tolerance` is what the two may differ from the reference and from each other, in the same
    unit: the accuracy of the instrument with the uncertainty of the reference.
    """
    allowed = positive("tolerance", tolerance)
    first, last = finite("reading before", before), finite("reading after", after)
    known = finite("reference", reference)
    worst = max((first, last), key=lambda reading: abs(reading - known))
    holds = abs(worst - known) <= allowed and abs(last - first) <= allowed
    statement = (
        "the instrument agrees with the reference before and after"
        if holds
        else f"off the reference by {worst - known:g} {unit}, drift {last - first:g} {unit}:"
        " the readings between the two checks are in doubt"
    )
    return InstrumentCheck(
        before=first,
        after=last,
        drift=last - first,
        tolerance=allowed,
        unit=unit,
        holds=holds,
        statement=statement,
    )


def zero_check(
    before: float, after: float, tolerance: float, *, unit: str = "Ohm"
) -> InstrumentCheck:
    """Compare readings of shorted leads before and after a test with zero."""
    return reference_check(before, after, 0.0, tolerance, unit=unit)


def settling_seconds(henries: float, ohms: float, share: float) -> Result:
    """Give the time until the current is within `share` of its final value: τ·ln(1/share)."""
    tau = positive("inductance", henries) / positive("resistance", ohms)
    if not 0 < share < 1:
        raise OutsideRangeError(f"the share must lie between 0 and 1, got {share:g}")
    return Result(
        value=float(tau * np.log(1 / share)),
        unit="s",
        formula="settling-time",
        constants={"time_constant_seconds": tau, "share": share},
    )


def _zero_resistance(k: float) -> float:
    number = finite("zero-resistance temperature", k)
    if not _K_LOW <= number <= _K_HIGH:
        raise OutsideRangeError(
            f"zero_resistance_celsius is {number:g}: copper has 234.5 or 235, aluminium 225 or 228,"
            " given as a positive number"
        )
    return number


def _temperature(name: str, celsius: Number) -> None:
    number = nominal(name, celsius)
    if not COLDEST <= number <= HOTTEST:
        raise OutsideRangeError(
            f"{name} is {number:g} °C, outside {COLDEST:g} to {HOTTEST:g} °C where the straight"
            " line of resistance over temperature is used"
        )
