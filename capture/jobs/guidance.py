"""What follows from the nameplate for a step: the voltage a test of it uses, the limits it meets.

For a person who sets the instrument. Nothing here proposes a voltage above what the cited table
gives for the rated voltage, and nothing is sent to an instrument. Pure.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from capture.jobs.procedure import Step
from capture.judging.alike import is_of_coil
from capture.judging.circuits import Circuit, circuit_of, own_limits, own_volts
from capture.judging.kinds import (
    insulation_limits,
    judged_as,
    phases_alike,
    resistance_limits,
)
from capture.judging.leaks import phase_limits, phase_of
from capture.judging.rated import is_single_phase, is_whole, letters_of, speaks_of
from capture.model import TestPoint
from capture.model.machine import Nameplate
from capture.model.quantity import Quantity
from capture.winding import Limit, test_voltage

# Z: auxiliary winding of a single-phase machine (IEC 60034-8, from memory), or an old mark of W2.
_OF_THE_RATED = re.compile(r"[1-9]?[UVWZ][0-9]?\Z|frame\Z")
_NO_PHASES = ("field", "dc-armature")
_STANDARD_43 = "IEEE Std 43-2013, from public texts"
_RULES_DECIDE = "local codes, the maker of the machine and licensed practice decide"


@dataclass(frozen=True, slots=True)
class Setting:
    """Something that a person sets on the instrument.

    Attributes:
        lowest, highest: range, in ``unit``; None where the nameplate does not tell.
    """

    what: str
    words: str
    source: str
    unit: str = ""
    lowest: float | None = None
    highest: float | None = None


@dataclass(frozen=True, slots=True)
class Bound:
    """A limit that the step's result meets.

    Attributes:
        side: ``upper``: more is worse; ``lower``: less is worse.
        binding: whether it gives a pass or a fail; else it is for information.
    """

    name: str
    words: str
    value: float
    unit: str
    side: str
    source: str
    confidence: str
    binding: bool


@dataclass(frozen=True, slots=True)
class Guidance:
    """What follows from the nameplate for one step.

    Attributes:
        missing: what is not known of the machine, and what cannot be said without it.
    """

    settings: tuple[Setting, ...] = ()
    bounds: tuple[Bound, ...] = ()
    missing: tuple[str, ...] = ()


def guidance(
    step: Step, plate: Nameplate, limits: Mapping[str, Limit], steps: Sequence[Step] = ()
) -> Guidance:
    """Give what follows from the nameplate for a step; empty where nothing does.

    steps: all of its procedure, where they are known; main and auxiliary winding tell each other.
    """
    match step.quantity:
        case Quantity.INSULATION_RESISTANCE if not _is_rated(step, plate):
            return _of_other_circuit(step, plate, limits)
        case Quantity.INSULATION_RESISTANCE:
            settings = (_insulation_voltage(plate),)
            if bounds := _of_a_phase(step, plate, limits, steps):
                return Guidance(settings, bounds, (_BETWEEN,))
            bounds = _insulation(plate, limits)
            return Guidance(settings, bounds, (*_missing(plate), *_undecided(plate, bounds)))
        case Quantity.PULSE_TIME:
            bounds = _shipped(limits, "pulse-deviation")
            return Guidance((_pulse_voltage(),), bounds, _not_alike(plate))
        case Quantity.RESISTANCE:
            return _of_resistance(step, plate, limits, [step, *steps])
        case Quantity.INDUCTANCE:
            bounds = _shipped(limits, "inductance-unbalance", "inductance-unbalance-rotor-in")
            return Guidance((), bounds, _not_alike(plate))
        case _:
            return Guidance()


_THREE_PHASES = frozenset("UVW")
_NO_LIMIT_HERE = "no limit for this resistance: those known are for a stator of three phases"
_BETWEEN = "between these limits the result stays undecided"


def _of_resistance(
    step: Step, plate: Nameplate, limits: Mapping[str, Limit], steps: Sequence[Step]
) -> Guidance:
    """Give the limit that a resistance is held against, where its place has one.

    Phases have theirs, and the coils of a field; a rotor, an armature, a field as a whole and the
    windings of a single-phase machine have none.
    """
    points = [TestPoint.parse(text) for text in step.points]
    if all(is_of_coil(point.pair or str(point)) for point in points):
        return Guidance((), _shipped(limits, "field-coil-deviation"))
    places = [
        letters_of(TestPoint.parse(text))
        for each in steps
        if each.quantity == Quantity.RESISTANCE
        for text in each.points
    ]
    of_phases = all(letters_of(each) & _THREE_PHASES for each in points)
    if plate.winding in _NO_PHASES or not of_phases or is_single_phase(places):
        return Guidance((), (), (_NO_LIMIT_HERE,))
    of_kind = resistance_limits(limits, judged_as(plate.winding))
    bounds = _shipped(limits, *(each.id for each in of_kind.values()))
    return Guidance((), bounds, (*_undecided(plate, bounds), *_not_alike(plate)))


_OTHER_CIRCUIT = Setting(
    "test voltage",
    "the rated voltage on the nameplate is that of the main winding, and these terminals are of "
    "another circuit (a rotor, a field, a detector): find what that circuit may be tested with, "
    "often far less, before a test voltage is chosen",
    _RULES_DECIDE,
)
_NO_LIMIT = "no limit for insulation of a circuit whose rated voltage is not on the nameplate"


_NAMES: dict[Circuit, str] = {"rotor": "of the rotor, open", "field": "of the excitation"}


def _of_other_circuit(step: Step, plate: Nameplate, limits: Mapping[str, Limit]) -> Guidance:
    """Give what follows from a rotor's or a field's own voltage; no figure where it is not known.

    What is earthed meanwhile is on no voltage, so the circuit's own rating alone counts.
    """
    circuits = {circuit_of(TestPoint.parse(text)) for text in step.points}
    circuit = circuits.pop() if len(circuits) == 1 else None
    volts = None if circuit is None else own_volts(circuit, plate)
    if circuit is None or volts is None:
        return Guidance((_OTHER_CIRCUIT,), (), (_NO_LIMIT,))
    bounds = _least(own_limits(circuit, plate, limits))
    missing = [] if bounds else ["no limit for insulation without the machine's year"]
    if len(bounds) > 1:
        missing.append(_BETWEEN)
    setting = _voltage_for(volts, f"{volts:g} V rated {_NAMES[circuit]}")
    return Guidance((setting,), bounds, tuple(missing))


def _is_rated(step: Step, plate: Nameplate) -> bool:
    """Tell whether a step's terminals are those of the winding that the rated voltage is of."""
    points = [TestPoint.parse(text) for text in step.points]
    if plate.winding in _NO_PHASES:
        return all(speaks_of(point, plate.winding) for point in points)
    marks = {mark for point in points for mark in (*point.first, *point.second)}
    return all(_OF_THE_RATED.match(mark) for mark in marks)


def _insulation_voltage(plate: Nameplate) -> Setting:
    if plate.rated_volts is None:
        return Setting(
            "test voltage",
            "the nameplate gives no rated voltage; find it before a test voltage is chosen",
            _RULES_DECIDE,
        )
    return _voltage_for(plate.rated_volts, f"{plate.rated_volts:g} V rated")


def _voltage_for(rated_volts: float, rated: str) -> Setting:
    found = test_voltage(rated_volts)
    volts = f"{found.lowest:g} V"
    if found.highest > found.lowest:
        volts = f"{found.lowest:g} V to {found.highest:g} V"
    return Setting(
        "test voltage",
        f"{volts} direct, for {rated}; {_RULES_DECIDE}",
        _STANDARD_43,
        "V",
        found.lowest,
        found.highest,
    )


def _pulse_voltage() -> Setting:
    return Setting(
        "pulse voltage",
        f"as the maker of the machine or the site's own rule says, never higher; {_RULES_DECIDE}",
        "no figure is given here",
    )


def _insulation(plate: Nameplate, limits: Mapping[str, Limit]) -> tuple[Bound, ...]:
    kind = judged_as(plate.winding)
    return _least(insulation_limits(limits, plate.rated_volts, kind, plate.year))


def _of_a_phase(
    step: Step, plate: Nameplate, limits: Mapping[str, Limit], steps: Sequence[Step]
) -> tuple[Bound, ...]:
    """Give what one phase is held against beside the whole; empty where that is not so."""
    tested = [
        TestPoint.parse(text)
        for each in steps
        if each.quantity == Quantity.INSULATION_RESISTANCE
        for text in each.points
    ]
    phases = [phase_of(TestPoint.parse(text)) for text in step.points]
    if None in phases or not any(is_whole(point) for point in tested):
        return ()
    kind = judged_as(plate.winding)
    whole = insulation_limits(limits, plate.rated_volts, kind, plate.year)
    return _least(phase_limits(whole))


def _least(found: Mapping[str, Limit]) -> tuple[Bound, ...]:
    bounds = []
    for kind, limit in found.items():
        where = f", if {kind}" if len(found) > 1 else ""
        words = f"at least {limit.value / 1e6:g} MΩ after 1 min, at 40 °C{where}"
        bounds.append(_bound(limit, words))
    return tuple(bounds)


def _shipped(limits: Mapping[str, Limit], *names: str) -> tuple[Bound, ...]:
    found = []
    for name in names:
        limit = limits[name]
        most = "at most" if limit.side == "upper" else "at least"
        words = f"{most} {limit.value:g} {limit.unit} ({limit.applies_to})"
        found.append(_bound(limit, words))
    return tuple(found)


def _bound(limit: Limit, words: str) -> Bound:
    return Bound(
        name=limit.id,
        words=words,
        value=limit.value,
        unit=limit.unit,
        side=str(limit.side),
        source=limit.source,
        confidence=limit.confidence,
        binding=limit.binding,
    )


def _undecided(plate: Nameplate, bounds: tuple[Bound, ...]) -> tuple[str, ...]:
    """Say what comes of limits of which one holds, and nobody knows which."""
    if len(bounds) < 2:  # noqa: PLR2004 - one is the one that holds
        return ()
    words = "between the limits of random-wound and form-wound the result stays undecided"
    if plate.winding == "concentric":
        return (f"concentric does not say how coils are made: {words}",)
    return (f"the kind of winding is not known: {words}",)


def _not_alike(plate: Nameplate) -> tuple[str, ...]:
    """Say where a limit on a difference between phases fails nothing by itself."""
    if phases_alike(plate.winding):
        return ()
    words = "its phases may differ by construction; above the limit the result stays undecided"
    return (f"concentric winding: {words}",)


def _missing(plate: Nameplate) -> tuple[str, ...]:
    unknown = [
        words
        for words, value in (("rated voltage", plate.rated_volts), ("year", plate.year))
        if value is None
    ]
    if not unknown:
        return ()
    return (f"no limit for insulation without the machine's {' and '.join(unknown)}",)
