"""What all readings of a winding together make suspected."""

from capture.judging.gather import Gathered, one_rotor_state
from capture.judging.kinds import phases_alike
from capture.model.testset import TestSet
from capture.winding import CONCENTRIC_SPREAD, Evidence, Spread, Suspicion, suspect

READ_APART = (
    "inductances and pulse times were read one with the rotor in, the other with it out: a fault "
    "is looked for with those read without it, and the others are compared by themselves"
)


def suspicion_of(test_set: TestSet, found: Gathered) -> Suspicion | None:
    """Give what is suspected; None where no reading allows the question."""
    # Of a winding as a coil with its loss: without, an inductance is compared and no more.
    inductance = found.inductance
    if any(each.ohms is None for each in inductance.values()):
        inductance = {}
    if not (found.resistance or inductance or found.pulse):
        return None
    pulse = {pair: _mean_time(each.forward, each.reverse) for pair, each in found.pulse.items()}
    states = [each.rotor for each in inductance.values()][:1] + [found.pulse_rotor] * bool(pulse)
    if {"in", "out"} <= set(states):
        # What a rotor does to the one, the other does not see: together they would tell a fault.
        if states[0] == "out":
            pulse = {}
        else:
            inductance = {}
        found.notes.append(READ_APART)
        states = ["out"]
    rotor = one_rotor_state(states) if states else test_set.conditions.rotor
    evidence = Evidence(
        connection=test_set.machine.connection,
        resistance=found.resistance,
        inductance=inductance,
        pulse=pulse,
        law=found.law,  # type: ignore[arg-type] # one of the laws, or refused there
        rotor=rotor,
        insulation=found.insulation_by_phase,
        parallel_paths=test_set.machine.parallel_paths,
        repeated=test_set.conditions.repeated,
        spread=Spread() if phases_alike(test_set.machine.winding) else CONCENTRIC_SPREAD,
    )
    return suspect(evidence)


def pulse_note(statement: str, suspicion: Suspicion | None, *, apart: bool = False) -> list[str]:
    """Say what the pulse times show by themselves, where the suspicion does not say it already.

    apart: whether the suspicion may have left them out, see `READ_APART`.
    """
    if not statement or (suspicion is not None and not suspicion.detected and not apart):
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
