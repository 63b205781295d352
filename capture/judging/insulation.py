"""Insulation resistance: brought to 40 °C, held against the least, and its ratios."""

from dataclasses import replace

from capture.judging.circuits import ASK_WHOSE_ROW, circuit_of, own_limits
from capture.judging.gather import InsulationAt
from capture.judging.judged import FAILS, PASSES, Judged, Named
from capture.judging.kinds import insulation_limits
from capture.judging.lacking import NoConditionError
from capture.judging.leaks import ASK, OF_PHASES, phase_limits, phase_of, where_low
from capture.model.testpoint import TestPoint
from capture.winding import (
    Bounded,
    InsulationIndices,
    Limit,
    Measured,
    MissingReadingError,
    Result,
    Verdict,
    insulation_at_40,
    insulation_indices,
)

_OF_THE_WHOLE = (
    "insulation was tested part by part, and limits are written for the whole winding: a part that "
    "is below the limit fails, one above it passes nothing"
)


def insulation(judged: Judged) -> None:
    """One-minute value at 40 °C against the least, and the ratios that mean something."""
    series, celsius = judged.found.insulation, judged.conditions.winding_celsius
    if not series and not judged.found.insulation_at:
        return
    if celsius is None:
        raise NoConditionError(
            "insulation resistance cannot be brought to 40 °C: give ", "winding_celsius"
        )
    phases: dict[str, Result] = {}
    for place, each in judged.found.insulation_at.items():
        of_place = _insulation_at(judged, place, each, celsius)
        phase = phase_of(TestPoint.parse(place))
        if phase is not None and of_place is not None:
            phases[phase] = of_place
    if series and (whole := _main_insulation(judged, series, celsius)):
        _where_low(judged, whole, phases)


def _where_low(judged: Judged, whole: Result, phases: dict[str, Result]) -> None:
    """Say where insulation that fails leaks, where the whole and each phase were tested."""
    limits = _least(judged)
    if limits:
        for said in where_low(whole, phases, min(each.value for each in limits.values())):
            judged.note(said)


def _least(judged: Judged) -> dict[str, Limit]:
    machine = judged.machine
    return insulation_limits(judged.limits, machine.rated_volts, judged.kind, machine.year)


def _main_insulation(
    judged: Judged, series: list[tuple[float | None, Measured | Bounded]], celsius: float
) -> Result | None:
    """Judge the whole; gives its value at 40 °C, the last of several, None where there is none."""
    timed = [(time, ohms) for time, ohms in series if time is not None]
    if len(timed) == len(series) and len(timed) > 1:
        return _insulation_series(judged, timed, celsius)
    at_40 = None
    for time, ohms in series:
        when = "" if time is None else f" after {time:g} s"
        at_40 = _at_40(judged, ohms, celsius)
        _against_least(judged, f"insulation resistance{when}, at 40 °C", at_40)
    return at_40


def _insulation_at(
    judged: Judged, place: str, found: InsulationAt, celsius: float
) -> Result | None:
    """Bring what is not the whole to 40 °C, and judge it by what is known of it.

    Gives its value, the last of several; None where there is none.
    """
    point, result = TestPoint.parse(place), None
    timed = [(time, ohms) for time, ohms in found.series if time is not None]
    values: list[tuple[float | None, Result]]
    if len(timed) == len(found.series) and len(timed) > 1:
        try:
            indices = _indices(judged, timed, celsius)
        except MissingReadingError as error:
            judged.found.notes.append(f"insulation {place}: {error}")
            return None
        values = [(60.0, indices.one_minute_at_40)]
    else:
        values = [(time, _at_40(judged, ohms, celsius)) for time, ohms in found.series]
    for time, at_40 in values:
        when = "" if time is None else f" after {time:g} s"
        result = replace(at_40, inputs=tuple(each for each in found.inputs if each))
        name = f"insulation resistance {place}{when}, at 40 °C"
        if found.own:
            _part_against_least(judged, name, result, point)
        elif limits := own_limits(circuit_of(point), judged.machine, judged.limits):
            found.judged = True
            judged.add(name, result, limits, ask=ASK_WHOSE_ROW)
        else:
            judged.add(name, result)
            judged.note(f"insulation {place}: no limit; the machine's nameplate is not its own")
    return result


def _insulation_series(
    judged: Judged, timed: list[tuple[float, Measured | Bounded]], celsius: float
) -> Result | None:
    try:
        indices = _indices(judged, timed, celsius)
    except MissingReadingError as error:
        judged.found.notes.append(f"insulation: {error}")
        return None
    _against_least(judged, "insulation resistance after 60 s, at 40 °C", indices.one_minute_at_40)
    if indices.polarization_index is not None:
        thermal = judged.machine.thermal_class
        judged.add(
            "polarization index",
            indices.polarization_index,
            judged.limit(f"polarization-index-{thermal}"),
        )
        _undecided_index(judged)
    if indices.short_ratio is not None:
        judged.add("short absorption ratio", indices.short_ratio, judged.limit("absorption-ratio"))
    judged.found.notes += indices.notes
    return indices.one_minute_at_40


def _against_least(judged: Judged, name: str, at_40: Result) -> None:
    machine = judged.machine
    result = replace(at_40, inputs=judged.ids("insulation"))
    of_kinds = {
        kind: insulation_limits(judged.limits, machine.rated_volts, kind, machine.year)
        for kind in (judged.kind, "unknown")
    }
    limits = of_kinds[judged.kind]
    if not limits:
        judged.found.notes.append(f"{name}: no limit without the machine's rated_volts and year")
    judged.add(name, result, limits)
    judged.say_undecided("insulation resistance", limits)
    if judged.kind == "random" and len(of_kinds["unknown"]) > 1:
        least = of_kinds["unknown"]["form-wound"].value
        judged.note(
            f"judged as random-wound at {machine.rated_volts:g} V rated, which is uncommon: "
            f"were it form-wound, at least {least / 1e6:g} MΩ would be asked for"
        )


def _part_against_least(judged: Judged, name: str, result: Result, point: TestPoint) -> None:
    """Hold a part against the least of the whole, which reads less than any of its parts.

    A part that is below it fails; one that is above says nothing yet of the whole. Where the
    whole was tested too, a phase against the others says what the whole does not.
    """
    limits = _least(judged)
    if judged.found.insulation and phase_of(point) is not None:
        judged.add(name, result, phase_limits(limits), ask=ASK)
        judged.note(OF_PHASES)
        return
    judged.add(name, result, limits)
    judged.note(_OF_THE_WHOLE)
    result = judged.results[-1].result
    judgement = result.judgement
    if judgement is not None and judgement.verdict in PASSES:
        judgement = replace(
            judgement,
            verdict=Verdict.INCONCLUSIVE,
            reason="the limit is written for the whole winding, which reads less than a part",
        )
        judged.results[-1] = Named(name, replace(result, judgement=judgement))


def _undecided_index(judged: Judged) -> None:
    """Let no polarization index fail that may not apply at all."""
    last = judged.results[-1]
    judgement = last.result.judgement
    if judged.kind != "unknown" or judgement is None:
        return
    if judgement.verdict in FAILS:
        judgement = replace(
            judgement,
            verdict=Verdict.INCONCLUSIVE,
            reason=f"{judgement.verdict} if form-wound, {Verdict.NOT_APPLICABLE} if "
            f"random-wound: {judged.ask}",
        )
        judged.results[-1] = Named(last.name, replace(last.result, judgement=judgement))


def _at_40(judged: Judged, ohms: Measured | Bounded, celsius: float) -> Result:
    number = ohms.bound if isinstance(ohms, Bounded) else ohms
    at_40 = insulation_at_40(number, celsius, judged.machine.insulation)
    return replace(at_40, bound=ohms.side) if isinstance(ohms, Bounded) else at_40


def _indices(
    judged: Judged, timed: list[tuple[float, Measured | Bounded]], celsius: float
) -> InsulationIndices:
    return insulation_indices(
        [time for time, _ in timed],
        [each if isinstance(each, Bounded) else each.value for _, each in timed],
        celsius=celsius,
        insulation=judged.machine.insulation,
        winding=judged.machine.winding,
    )
