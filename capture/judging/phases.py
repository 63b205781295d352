"""What is measured pair by pair: how far the phases differ, and what each of them is."""

from collections.abc import Mapping
from dataclasses import replace

from capture.judging.alike import alike, is_coil
from capture.judging.judged import Judged
from capture.judging.kinds import between_phases, resistance_limits
from capture.judging.open_circuits import open_ends
from capture.judging.rings import ROTOR_PAIRS, ring_words
from capture.winding import (
    Asymmetry,
    Bounded,
    EitherConnection,
    Measured,
    correct_resistance,
    inductance_balance,
    open_phase,
    phase_resistances,
    pulse_comparison,
    unbalance,
)

_SMALL_ASYMMETRY = 1.0  # per cent; below, single readings cannot tell it from scatter


def resistance(judged: Judged) -> None:
    """Unbalance, phases, and each pair at the reference temperature."""
    readings = judged.found.resistance
    _rotor_resistance(judged)
    _parts_alike(judged)
    if not readings:
        return
    if any(isinstance(each, Bounded) for each in readings.values()):
        if judged.machine.connection != "open":
            uv, vw, wu = (_plain(each) for each in readings.values())
            judged.found.notes.append(open_phase(uv, vw, wu).statement)
        else:
            judged.found.notes += open_ends(readings)
        return
    numbers = {pair: each for pair, each in readings.items() if isinstance(each, Measured)}
    limits = between_phases(resistance_limits(judged.limits, judged.kind), judged.machine.winding)
    judged.add_difference(
        f"resistance unbalance ({judged.rules.resistance})",
        unbalance(numbers, judged.rules.resistance, inputs=judged.ids("resistance")),
        limits,
    )
    judged.say_undecided("resistance unbalance", limits)
    _phases(judged, numbers)
    _at_reference(judged, numbers)


def inductance(judged: Judged) -> None:
    """Unbalance of inductance and angle."""
    readings = judged.found.inductance
    if not readings:
        return
    balance = inductance_balance(readings, judged.rules.inductance)
    limit = (
        "inductance-unbalance-rotor-in"
        if {each.rotor for each in readings.values()} == {"in"}
        else "inductance-unbalance"
    )
    inductance = replace(balance.inductance, inputs=judged.ids("inductance"))
    judged.add_difference(
        f"inductance unbalance ({judged.rules.inductance})", inductance, judged.limit(limit)
    )
    if balance.degrees is not None:
        judged.add("phase angle, largest distance from the mean", balance.degrees)
    judged.found.notes += balance.notes


def pulse(judged: Judged) -> None:
    """Deviation between the pairs; directions apart from it."""
    readings = judged.found.pulse
    if not readings:
        return
    law = judged.found.law
    comparison = pulse_comparison(
        readings,
        law,  # type: ignore[arg-type] # one of the laws, or refused there
        judged.rules.pulse,
        judged.found.pulse_rotor,
    )
    deviation = replace(comparison.deviation, inputs=judged.ids("pulse"))
    judged.add_difference(
        f"pulse deviation ({judged.rules.pulse})", deviation, judged.limit("pulse-deviation")
    )
    judged.pulse_statement = comparison.statement
    judged.found.notes += [*_directions(comparison.asymmetry), *comparison.notes]


def _rotor_resistance(judged: Judged) -> None:
    """Unbalance of a wound rotor's three pairs; no limit is known to be written for it."""
    found = judged.found.resistance_elsewhere
    numbers = {pair: found[pair] for pair in ROTOR_PAIRS if pair in found}
    for words in ring_words(numbers):
        judged.note(words)
    known = {pair: each for pair, each in numbers.items() if isinstance(each, Measured)}
    if len(known) < len(ROTOR_PAIRS):
        return
    ids = tuple(each for pair in ROTOR_PAIRS for each in judged.ids(pair)[-1:])
    result = unbalance(known, judged.rules.resistance, inputs=ids)
    judged.add(f"rotor resistance unbalance ({judged.rules.resistance})", result)


def _parts_alike(judged: Judged) -> None:
    """How far one of the coils of a field, or two bars of a commutator, read from all others."""
    found = judged.found.resistance_elsewhere
    for name, places in alike(found).items():
        numbers = {place: each for place in places if isinstance(each := found[place], Measured)}
        if len(numbers) < len(places):
            continue  # what reads open has no mean; it is named where nothing may pass
        ids = tuple(id_ for place in places for id_ in judged.ids(place)[-1:])
        result = unbalance(numbers, "mean", inputs=ids)
        limits = judged.limit("field-coil-deviation") if is_coil(name) else {}
        judged.add(f"resistance of {name}, largest distance from their mean", result, limits)
        mean = sum(each.value for each in numbers.values()) / len(numbers)
        odd = max(numbers, key=lambda place: abs(numbers[place].value - mean))
        off = 100 * (numbers[odd].value / mean - 1)
        judged.note(f"resistance of {name}: {odd} is farthest from the mean, by {off:+z.1f} %")


def _phases(judged: Judged, numbers: Mapping[str, Measured]) -> None:
    connection = judged.machine.connection
    if connection == "open":
        return
    uv, vw, wu = numbers.values()
    solved = phase_resistances(uv, vw, wu, connection)
    ways = [solved.star, solved.delta] if isinstance(solved, EitherConnection) else [solved]
    for each in ways:
        for phase, result in each.results.items():
            judged.add(f"resistance of phase {phase}, {each.connection}", result)


def _at_reference(judged: Judged, numbers: Mapping[str, Measured]) -> None:
    conditions, k = judged.conditions, judged.machine.zero_resistance_celsius
    if conditions.winding_celsius is None or conditions.reference_celsius is None:
        return
    if k is None:
        judged.found.notes.append(
            "resistances are not brought to the reference temperature: the conductor's "
            "constant k (zero_resistance_celsius) is not given, and several values circulate"
        )
        return
    for pair, number in numbers.items():
        corrected = correct_resistance(
            number, conditions.winding_celsius, conditions.reference_celsius, k
        )
        judged.add(f"resistance {pair} at {conditions.reference_celsius:g} °C", corrected)


def _plain(reading: Measured | Bounded) -> float | Bounded:
    return reading if isinstance(reading, Bounded) else reading.value


def _directions(asymmetry: Mapping[str, Asymmetry]) -> list[str]:
    """Say how the directions differ: pair by pair where that means something, else in one line."""
    if not asymmetry:
        return []
    largest = max(abs(each.per_cent) for each in asymmetry.values())
    if largest < _SMALL_ASYMMETRY and not any(each.significant for each in asymmetry.values()):
        return [f"leads swapped: the directions of a pair differ by {largest:.2f} % at most"]
    return [each.statement for each in asymmetry.values()]
