"""Doing a whole procedure on a bench of tests: each step by what its instrument would have shown."""

from capture.jobs.desk import Desk
from capture.winding.limits import load_limits

ADOPTED = {name: {"adopted": True} for name in load_limits()}


def adopt(bench):
    """Let the site adopt every limit that ships, so that values pass and fail."""
    bench.desk = Desk(
        bench.reader, bench.append, bench.clock, "sawmill", "bench-1", site_limits=ADOPTED
    )
    bench.service = bench.desk.service


def do(bench, shown):
    """Do every step of the job, as its locks ask for; gives what can be said then.

    shown: by step what the instrument shows: a number, the numbers of a timed step in its order, a
    pair of henries and ohms, or what is keyed, as text.
    """
    for state in list(bench.state.steps.values()):
        _do_step(bench, state.step, shown[state.step.id])
    return bench.desk.now(bench.job)


def _do_step(bench, step, shown):
    match step.take.how:
        case "keyed":
            bench.key(step.id, bench.typed(shown, confirmed=True))
        case "timed":
            bench.take(step.id, [bench.reading(step.quantity, each) for each in shown])
            bench.discharge(step.id)
        case _ if step.quantity == "inductance":
            henries, ohms = shown
            bench.take(step.id, bench.pair("", henries, ohms))
        case _:
            bench.take(step.id, [bench.reading(step.quantity, shown)])
            bench.ramped_down(step.id)


def verdicts(found):
    """Give the verdicts of results by name; None for those that nothing judges."""
    return {
        each.name: None if each.judgement is None else str(each.judgement.verdict)
        for each in found.results
    }
