"""One verdict over all steps of a job, which is never a pass while a step is missing."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from .result import Judgement, Verdict

# From worst to best of those that say something.
_WORST_FIRST = (
    Verdict.FAIL,
    Verdict.CONDITIONAL_FAIL,
    Verdict.INCONCLUSIVE,
    Verdict.CONDITIONAL_PASS,
    Verdict.PASS,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Overall:
    """The verdict over all steps, and why: the steps that decide it, and those that say nothing.

    Attributes:
        without_result: steps that were run, and whose values came to no result.
    """

    verdict: Verdict
    decided_by: tuple[str, ...]
    not_run: tuple[str, ...]
    reason: str
    without_result: tuple[str, ...] = ()


def overall(steps: Mapping[str, Judgement | None], without_result: Collection[str] = ()) -> Overall:
    """Give the worst verdict of all steps; None stands for a step that was not run.

    without_result: those of the latter that were run all the same; their values gave none.

    A failed step fails the whole even while others are missing; otherwise a missing step makes it
    inconclusive. Steps that are not applicable, or give information only, do not count: if no
    other is there, the whole is information only.
    """
    missing = tuple(name for name, step in steps.items() if step is None)
    verdicts = {name: step.verdict for name, step in steps.items() if step is not None}
    for verdict in _WORST_FIRST[:2]:
        decisive = tuple(name for name, one in verdicts.items() if one is verdict)
        if decisive:
            return _answer(verdict, decisive, missing, without_result)
    if missing or not steps:
        return _answer(Verdict.INCONCLUSIVE, (), missing, without_result)
    for verdict in _WORST_FIRST[2:]:
        decisive = tuple(name for name, one in verdicts.items() if one is verdict)
        if decisive:
            return _answer(verdict, decisive, ())
    return _answer(Verdict.INFORMATION_ONLY, (), ())


def _answer(
    verdict: Verdict,
    decided_by: tuple[str, ...],
    missing: tuple[str, ...],
    without_result: Collection[str] = (),
) -> Overall:
    not_run = tuple(name for name in missing if name not in without_result)
    run = tuple(name for name in missing if name in without_result)
    parts = []
    if decided_by:
        parts.append(f"{verdict}: {', '.join(decided_by)}")
    if not_run:
        parts.append(f"not run: {', '.join(not_run)}")
    if run:
        parts.append(f"without a result: {', '.join(run)}")
    if not parts:
        parts.append("no step gave a verdict that binds")
    return Overall(
        verdict=verdict,
        decided_by=decided_by,
        not_run=not_run,
        reason="; ".join(parts),
        without_result=run,
    )
