"""From a test set to results with verdicts, and a named suspect or an honest "cannot tell"."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

from capture.errors import InputError
from capture.judging.ends import as_read
from capture.judging.gather import Gathered, gather
from capture.judging.insulation import insulation
from capture.judging.judged import PASSES, Judged, Named
from capture.judging.open_circuits import kept_from_passing
from capture.judging.phases import inductance, pulse, resistance
from capture.judging.suspicion import READ_APART, pulse_note, suspicion_of
from capture.model.testset import TestSet
from capture.winding import Overall, Suspicion, Verdict, WindingError, load_limits, overall

Overrides = Mapping[str, Mapping[str, object]]


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything that can be said of a test set.

    Attributes:
        results: in the order a person would read them.
        suspicion: what is suspected, where the evidence allows the question.
        not_run: steps that belong to the test and have no readings.
        without_result: steps whose readings came to no result.
        overall: the verdict over all; never a pass while steps are not run.
        notes: what was not used, and why.
    """

    results: tuple[Named, ...]
    suspicion: Suspicion | None
    not_run: tuple[str, ...]
    overall: Overall
    notes: tuple[str, ...]
    without_result: tuple[str, ...] = ()


def assess(
    test_set: TestSet,
    site_limits: Overrides | None = None,
    without_result: Collection[str] = (),
) -> Assessment:
    """Compute and judge everything that the readings allow.

    without_result: steps whose readings are left out because nothing could be made of them.

    Raises:
        InputError: a set that cannot be, or a limit that does not exist; says what and why.
    """
    try:
        return _assess(test_set, site_limits, without_result)
    except WindingError as error:
        raise InputError(str(error)) from error


def _assess(
    test_set: TestSet, site_limits: Overrides | None, without_result: Collection[str]
) -> Assessment:
    limits = load_limits(site=site_limits, machine=test_set.rules.limits)
    test_set = as_read(test_set)
    found = gather(test_set)
    judged = Judged(test_set, found, limits)
    for part in (resistance, inductance, insulation, pulse):
        part(judged)
    given = {
        "resistance": bool(found.resistance or found.resistance_elsewhere),
        "inductance": bool(found.inductance),
        "insulation": bool(found.insulation or found.insulation_at or found.insulation_by_phase),
        "pulse": bool(found.pulse),
    }
    missing = tuple(step for step in test_set.steps if not given[step])
    whole = _overall(judged.results, missing, without_result, found)
    suspected = suspicion_of(test_set, found)
    found.notes += pulse_note(judged.pulse_statement, suspected, apart=READ_APART in found.notes)
    return Assessment(
        results=tuple(judged.results),
        suspicion=suspected,
        not_run=tuple(step for step in missing if step not in without_result),
        overall=whole,
        notes=tuple(found.notes),
        without_result=tuple(step for step in missing if step in without_result),
    )


def _overall(
    results: list[Named],
    missing: tuple[str, ...],
    without_result: Collection[str],
    found: Gathered,
) -> Overall:
    """Give the verdict over all; no pass while something was tested that no limit is known of."""
    whole = overall(
        {each.name: each.result.judgement for each in results if each.result.judgement}
        | dict.fromkeys(missing),
        without_result,
    )
    if whole.verdict not in PASSES:
        return whole
    if opened := kept_from_passing(found):
        return replace(whole, verdict=Verdict.INCONCLUSIVE, decided_by=(), reason=opened)
    places_of = [place for place, each in found.insulation_at.items() if not each.judged]
    strange = {"insulation": places_of, "resistance": found.unjudged_resistances}
    said = [f"the {what} of {', '.join(places)}" for what, places in strange.items() if places]
    if not said:
        return whole
    reason = f"no limit for {' and '.join(said)}"
    return replace(whole, verdict=Verdict.INCONCLUSIVE, decided_by=(), reason=reason)
