"""Sorting the readings of a test set by quantity and pair, and refusing sets that cannot be.

Nothing is dropped in silence: a reading that finds no place is named, with the reason.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from math import pi, radians, tan

from capture.errors import InputError
from capture.judging.alike import alike, is_coil
from capture.judging.lacking import OfReadingError, name_of
from capture.judging.rated import is_single_phase, is_whole, letters_of, speaks_of
from capture.model.machine import WindingType
from capture.model.status import VALUELESS, Status
from capture.model.testpoint import Direction
from capture.model.testset import SetReading, TestSet
from capture.winding import Bounded, InductanceReading, Measured, PulseReadings
from capture.winding.pulse import RotorState

PAIRS = ("U-V", "V-W", "W-U")
ENDS = ("U1-U2", "V1-V2", "W1-W2")
_PHASES = frozenset("UVW")
_FACTORS = ("quality_factor", "dissipation_factor", "phase_angle")  # what tells Q
_BELIEVED = frozenset({Status.OK, Status.STALE})


@dataclass
class InsulationAt:
    """Insulation at a place that no limit is written for.

    ``own``: it is a part of the winding that the nameplate speaks of, such as one phase of three.
    ``judged``: it was held against a limit, its own or that of the whole.
    """

    own: bool
    judged: bool = False
    series: list[tuple[float | None, Measured | Bounded]] = field(default_factory=list)
    inputs: list[str] = field(default_factory=list)


@dataclass
class Gathered:
    """The readings of one machine by what they are for.

    ``resistance`` is that of the three pairs of U, V and W; of a rotor, an armature or a field it
    stands in ``resistance_elsewhere``. ``insulation`` is that of the winding whose rated voltage is
    known; what else was tested to the frame stands in ``insulation_at``, by its test point.
    """

    resistance: dict[str, Measured | Bounded] = field(default_factory=dict)
    resistance_elsewhere: dict[str, Measured | Bounded] = field(default_factory=dict)
    inductance: dict[str, InductanceReading] = field(default_factory=dict)
    pulse: dict[str, PulseReadings] = field(default_factory=dict)
    law: str = "unknown"
    pulse_rotor: RotorState = "unknown"
    insulation: list[tuple[float | None, Measured | Bounded]] = field(default_factory=list)
    insulation_at: dict[str, InsulationAt] = field(default_factory=dict)
    insulation_by_phase: dict[str, Measured | Bounded] = field(default_factory=dict)
    inputs: dict[str, list[str]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    @property
    def unjudged_resistances(self) -> list[str]:
        """The places elsewhere that no limit is known of: all but coils beside their like."""
        coils = {
            place
            for name, group in alike(self.resistance_elsewhere).items()
            if is_coil(name)
            for place in group
        }
        return [place for place in self.resistance_elsewhere if place not in coils]


def gather(test_set: TestSet) -> Gathered:
    """Sort the readings.

    Raises:
        InputError: a set that cannot be (two laws, a missing pair, mixed frequencies …); says which
            reading and why.
    """
    names = ENDS if test_set.machine.connection == "open" else PAIRS
    found = Gathered()
    by_quantity: dict[str, list[SetReading]] = {}
    for number, reading in enumerate(test_set.readings, start=1):
        if reading.status not in _BELIEVED and reading.status not in VALUELESS:
            found.notes.append(f"{name_of(reading, number)} is {reading.status}: not used")
            continue
        by_quantity.setdefault(reading.quantity, []).append(reading)
    frames = _frames(by_quantity.get("resistance", []))
    _take_inductance(by_quantity.pop("inductance", []), frames, by_quantity, names, test_set, found)
    dc = [r for r in by_quantity.pop("resistance", []) if "frequency" not in r.conditions]
    _take_resistance(dc, names, found)
    _take_pulse(by_quantity.pop("pulse_time", []), names, test_set, found)
    _take_insulation(by_quantity.pop("insulation_resistance", []), test_set.machine.winding, found)
    for quantity in _FACTORS:
        by_quantity.pop(quantity, None)  # taken with the inductance they stood beside
    for quantity, readings in by_quantity.items():
        found.notes.append(f"{len(readings)} readings of {quantity} are not judged")
    return found


def as_number(reading: SetReading) -> Measured | Bounded:
    """Give a reading as the computations take it.

    Raises:
        InputError: it has neither a number nor a bound.
    """
    if reading.value is None:
        if reading.bound is not None:
            return Bounded(bound=reading.bound.value, side=reading.bound.side.value)
        if reading.status is Status.ABOVE_RANGE:
            return Bounded(bound=0.0, side="above")
        raise OfReadingError(reading, f" is {reading.status} and tells no bound; take it again")
    random = shared = 0.0
    if reading.uncertainty is not None:
        shared = reading.uncertainty.shared
        gain = shared * abs(reading.value)
        random = max(reading.uncertainty.standard**2 - gain**2, 0.0) ** 0.5
    return Measured(
        value=reading.value,
        random=random,
        gain=shared,
        instrument=reading.instrument,
        range=reading.range,
        id=reading.id,
    )


def _placed(
    readings: list[SetReading], names: tuple[str, ...]
) -> dict[str, dict[Direction, list[SetReading]]]:
    """Sort readings by pair and direction.

    Raises:
        InputError: a reading without a pair of this connection.
    """
    placed: dict[str, dict[Direction, list[SetReading]]] = {}
    for reading in readings:
        point = reading.point
        if point is None or point.pair is None or point.direction is None:
            raise OfReadingError(reading, f" has no pair of terminals; tag it: {', '.join(names)}")
        pair = _plain(point.pair, names)
        if pair not in names:
            raise OfReadingError(
                reading,
                f" is at {reading.test_point}, not one of {', '.join(names)}; "
                "check the machine's connection",
            )
        placed.setdefault(pair, {}).setdefault(point.direction, []).append(reading)
    return placed


def _plain(pair: str, names: tuple[str, ...]) -> str:
    """Take U1-V1 for U-V where the winding is joined inside."""
    if names is PAIRS and all(end[1:] == "1" for end in pair.split("-")):
        return "-".join(end[:1] for end in pair.split("-"))
    return pair


def _require_all(quantity: str, placed: Mapping[str, object], names: tuple[str, ...]) -> None:
    missing = [name for name in names if name not in placed]
    if missing:
        raise InputError(
            f"{quantity} of {', '.join(missing)} is missing; three pairs belong together: take it, "
            "or leave the others out"
        )


def _newest(quantity: str, pair: str, readings: list[SetReading], found: Gathered) -> SetReading:
    if len(readings) > 1:
        found.notes.append(
            f"{len(readings)} readings of {quantity} at {pair}: the last one is used, "
            f"{', '.join(name_of(each) for each in readings[:-1])} not"
        )
    return readings[-1]


def _take_resistance(readings: list[SetReading], names: tuple[str, ...], found: Gathered) -> None:
    readings = _set_aside(readings, names, found)
    if not readings:
        return
    placed = _placed(readings, names)
    _require_all("resistance", placed, names)
    for pair in names:
        every = [each for way in placed[pair].values() for each in way]
        reading = _newest("resistance", pair, every, found)
        found.resistance[pair] = as_number(reading)
        found.inputs.setdefault("resistance", []).append(reading.id)


def _set_aside(
    readings: list[SetReading], names: tuple[str, ...], found: Gathered
) -> list[SetReading]:
    """Keep a rotor's, an armature's and a field's resistances apart; give those of U, V and W."""
    rest: list[SetReading] = []
    three = _PHASES if not _is_single_phase(readings) else frozenset[str]()
    for reading in readings:
        point = reading.point
        marks = set() if point is None else letters_of(point)
        if point is None or not marks or marks & three:
            rest.append(reading)
            continue
        place = point.pair or str(point)
        found.resistance_elsewhere[place] = as_number(reading)
        found.inputs.setdefault(place, []).append(reading.id)
    if unjudged := found.unjudged_resistances:
        at = ", ".join(unjudged)
        known = names if three else PAIRS  # of a main winding, U1-U2 itself stands before it
        found.notes.append(f"resistance at {at}: no limit; limits are for {', '.join(known)}")
    return rest


def _is_single_phase(readings: list[SetReading]) -> bool:
    points = [reading.point for reading in readings]
    return is_single_phase(set() if point is None else letters_of(point) for point in points)


def _take_inductance(
    readings: list[SetReading],
    frames: Mapping[str, SetReading],
    others: Mapping[str, list[SetReading]],
    names: tuple[str, ...],
    test_set: TestSet,
    found: Gathered,
) -> None:
    if not readings:
        return
    placed = _placed(readings, names)
    _require_all("inductance", placed, names)
    beside = {
        (each.quantity, each.group): each
        for quantity in _FACTORS
        for each in others.get(quantity, [])
        if each.group
    }
    for pair in names:
        every = [each for way in placed[pair].values() for each in way]
        reading = _newest("inductance", pair, every, found)
        hertz = _number(reading, "frequency", "Hz")
        henries = as_number(reading)
        if isinstance(henries, Bounded):
            raise OfReadingError(reading, " is out of range; take it on another range")
        level = reading.conditions.get("level")
        found.inductance[pair] = InductanceReading(
            henries=henries,
            ohms=_loss(reading, henries, hertz, frames, beside),
            hertz=hertz,
            model="parallel" if reading.conditions.get("model") == "parallel" else "series",
            volts=None if level is None or isinstance(level, str | bool) else level.value,
            rotor=_rotor_of(reading, test_set),
        )
        found.inputs.setdefault("inductance", []).append(reading.id)
    states = {each.rotor for each in found.inductance.values()}
    if not states >= {"in", "out"}:  # those are refused where the pairs are compared
        one = one_rotor_state(states)
        found.inductance = {
            pair: replace(each, rotor=one) for pair, each in found.inductance.items()
        }
    alone = [pair for pair, each in found.inductance.items() if each.ohms is None]
    if alone:
        found.notes.append(
            f"no loss beside the inductance of {', '.join(alone)} (resistance, Q, D or phase "
            "angle of the same display): the inductances are compared, and tell no fault"
        )


def _loss(
    reading: SetReading,
    henries: Measured,
    hertz: float,
    frames: Mapping[str, SetReading],
    beside: Mapping[tuple[str, str], SetReading],
) -> Measured | None:
    """Give the resistance that stood beside an inductance, or follows from Q, D or an angle.

    None where nothing beside it tells the loss.
    """
    partner = frames.get(reading.group) if reading.group else None
    if partner is not None:
        ohms = as_number(partner)
        if isinstance(ohms, Measured):
            return ohms
    reactance = 2 * pi * hertz * henries.value
    for quantity in _FACTORS:
        factor = beside.get((quantity, reading.group))
        q = None if factor is None else _quality(factor)
        if factor is not None and q:
            ohms_value = (
                reactance * q if reading.conditions.get("model") == "parallel" else reactance / q
            )
            return Measured(value=ohms_value, instrument=reading.instrument, id=factor.id)
    return None


def _quality(factor: SetReading) -> float | None:
    """Give the Q that a Q, a D or a phase angle says; None where it says none.

    θ = atan Q, in either model (textbook). Outside of 0 to 90° there is no inductance.
    """
    if not factor.value:
        return None
    if factor.quantity == "quality_factor":
        return factor.value
    if factor.quantity == "dissipation_factor":
        return 1 / factor.value
    return tan(radians(factor.value)) if 0 < factor.value < 90 else None  # noqa: PLR2004 - degrees


def _frames(resistances: list[SetReading]) -> dict[str, SetReading]:
    return {
        each.group: each for each in resistances if each.group and "frequency" in each.conditions
    }


def _number(reading: SetReading, name: str, unit: str) -> float:
    condition = reading.conditions.get(name)
    if condition is None or isinstance(condition, str | bool):
        raise OfReadingError(reading, f" does not say its {name}; give it as a condition")
    if condition.unit != unit:
        raise OfReadingError(reading, f": {name} is in {condition.unit}, expected {unit}")
    return condition.value


def one_rotor_state(states: Collection[RotorState]) -> RotorState:
    """Give where the rotor has to be taken to be for several readings: in, where it may have been.

    It was out only where it was out for each of them.
    """
    if "in" in states:
        return "in"
    return "out" if set(states) == {"out"} else "unknown"


def _rotor_of(reading: SetReading, test_set: TestSet) -> RotorState:
    return reading.rotor or test_set.conditions.rotor


def _take_pulse(
    readings: list[SetReading], names: tuple[str, ...], test_set: TestSet, found: Gathered
) -> None:
    if not readings:
        return
    laws = sorted({str(each.conditions.get("law", "unknown")) for each in readings})
    if len(laws) > 1:
        odd = next(each for each in readings if each.conditions.get("law", "unknown") != laws[0])
        raise OfReadingError(
            odd,
            f" follows another law ({', '.join(laws)}); times of one instrument "
            "in one mode belong together",
        )
    states = [_rotor_of(each, test_set) for each in readings]
    if {"in", "out"} <= set(states):
        odd = readings[states.index("out" if states[0] == "in" else "in")]
        raise OfReadingError(
            odd,
            f" was taken with the rotor {_rotor_of(odd, test_set)}, others not: times depend on "
            "where it stands; take all with the rotor in one place",
        )
    found.pulse_rotor = one_rotor_state(states)
    placed = _placed(readings, names)
    _require_all("pulse_time", placed, names)
    found.law = laws[0]
    for pair in names:
        ways = placed[pair]
        times = {way: [_seconds(each) for each in each_way] for way, each_way in ways.items()}
        forward = times.get(Direction.FORWARD, [])
        reverse = times.get(Direction.REVERSE, [])
        if not forward:
            forward, reverse = reverse, []
            found.notes.append(f"pulse time of {pair} was read in reverse only")
        found.pulse[pair] = PulseReadings(forward=forward, reverse=reverse)
        found.inputs.setdefault("pulse", []).extend(
            each.id for each_way in ways.values() for each in each_way
        )


def _seconds(reading: SetReading) -> float:
    if reading.value is None:
        raise OfReadingError(reading, f" is {reading.status}; a pulse time needs a number")
    return reading.value


def _take_insulation(readings: list[SetReading], winding: WindingType, found: Gathered) -> None:
    """Keep apart what was tested at different places: one series belongs to one place."""
    groups: dict[str, list[SetReading]] = {}
    for reading in readings:
        point = reading.point
        phases = set() if point is None else {mark[:1] for mark in point.first}
        if len(phases) == 1 and phases <= _PHASES and reading.elapsed is None:
            found.insulation_by_phase[phases.pop()] = as_number(reading)
            found.inputs.setdefault("insulation", []).append(reading.id)
        else:
            groups.setdefault("" if point is None else str(point), []).append(reading)
    main = _main_of(groups, winding)
    for place, group in groups.items():
        numbers = [(each.elapsed, as_number(each)) for each in group]
        ids = [each.id for each in group]
        if place == main:
            found.insulation += numbers
            found.inputs.setdefault("insulation", []).extend(ids)
            continue
        point = group[0].point
        own = point is not None and speaks_of(point, winding)
        found.insulation_at[place] = InsulationAt(own, judged=own)
        found.insulation_at[place].series += numbers
        found.insulation_at[place].inputs += ids


def _main_of(groups: Mapping[str, list[SetReading]], winding: WindingType) -> str | None:
    """Name the place whose value the limits are written for; None where there is none, or many."""
    points = {place: group[0].point for place, group in groups.items()}
    whole = [place for place, point in points.items() if point is None or is_whole(point)]
    if whole:
        return whole[0]
    own = [place for place, point in points.items() if point and speaks_of(point, winding)]
    return own[0] if len(own) == 1 else None
