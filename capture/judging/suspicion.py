"""What all readings of a winding together make suspected."""

from capture.judging.gather import Gathered
from capture.judging.kinds import phases_alike
from capture.model.testset import TestSet
from capture.winding import CONCENTRIC_SPREAD, Evidence, Spread, Suspicion, suspect


def suspicion_of(test_set: TestSet, found: Gathered) -> Suspicion | None:
    """Give what is suspected; None where no reading allows the question."""
    # Of a winding as a coil with its loss: without, an inductance is compared and no more.
    inductance = found.inductance
    if any(each.ohms is None for each in inductance.values()):
        inductance = {}
    if not (found.resistance or inductance or found.pulse):
        return None
    pulse = {pair: _mean_time(each.forward, each.reverse) for pair, each in found.pulse.items()}
    evidence = Evidence(
        connection=test_set.machine.connection,
        resistance=found.resistance,
        inductance=inductance,
        pulse=pulse,
        law=found.law,  # type: ignore[arg-type] # one of the laws, or refused there
        rotor=test_set.conditions.rotor,
        insulation=found.insulation_by_phase,
        parallel_paths=test_set.machine.parallel_paths,
        repeated=test_set.conditions.repeated,
        spread=Spread() if phases_alike(test_set.machine.winding) else CONCENTRIC_SPREAD,
    )
    return suspect(evidence)


def pulse_note(statement: str, suspicion: Suspicion | None) -> list[str]:
    """Say what the pulse times show by themselves, where the suspicion does not say it already."""
    if not statement or (suspicion is not None and not suspicion.detected):
        return []
    said = () if suspicion is None else suspicion.words
    in_steps = "the three pairs differ in steps"
    told = any(word.startswith("by pulse, ") for word in said) or statement in said
    if told or (statement.startswith(in_steps) and any(w.startswith(in_steps) for w in said)):
        return []
    return [f"by pulse, {statement}"]


def _mean_time(forward: object, reverse: object) -> float:
    values = [*forward, *reverse]  # type: ignore[misc] # sequences of seconds
    return float(sum(values) / len(values))
