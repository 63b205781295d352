"""A job as people see it: plain members for the API, the command line and the pages. Pure.

What stands here is derived from the journal; nothing of it is stored.
"""

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any
from uuid import UUID

from capture.jobs.earlier import has_insulation
from capture.jobs.found import JobResults
from capture.jobs.guidance import guidance
from capture.jobs.locks import Failed, Lock, locks
from capture.jobs.owed import owed
from capture.jobs.remembered import remembered
from capture.jobs.shown import Shown
from capture.jobs.state import JobState, StepState, StepStatus, Void
from capture.model import PointOfTest, TestPoint
from capture.model.fields import rfc3339
from capture.model.machine import MachineEntry
from capture.model.quantity import unit_of
from capture.winding import Limit, Suspicion

#: Gives a stored reading by its id; None where it is not in the journal.
Lookup = Callable[[UUID], dict[str, Any] | None]

_LEADS = (("first", "first lead on"), ("second", "second lead on"))
_PLACES = (("guard", "guard on"), ("earth", "joined to the frame:"))


@dataclass(frozen=True, slots=True)
class Sight:
    """Everything a view is made from.

    Attributes:
        readings: gives a stored reading by its id.
        failed: whether the insulation reading of a step has failed.
        insulation: what is known of the machine's insulation from its other jobs.
        shown: what other jobs of the machine have left on its winding.
    """

    state: JobState
    machine: MachineEntry
    results: JobResults
    readings: Lookup
    limits: Mapping[str, Limit]
    failed: Failed
    now: datetime
    insulation: Callable[[], str] = lambda: ""
    shown: Shown = field(default_factory=Shown)


def job_view(sight: Sight) -> dict[str, Any]:
    """Write a job out: the plain sentence first, the figures behind it."""
    state, results = sight.state, sight.results
    current = state.current
    return {
        **summary(state),
        "sentence": results.sentence,
        "verdict": results.verdict,
        "doubt": results.doubt,
        "voided": None if state.voided is None else void_view(state.voided),
        "current": None if current is None else current.step.id,
        "cautions": list(state.procedure.cautions),
        "conditions": state.conditions.model_dump(mode="json", exclude_none=True),
        "nameplate": sight.machine.nameplate.model_dump(mode="json", exclude_none=True),
        "operators": sorted(state.operators),
        "notes": list(state.notes),
        "beside": [_lock(each, each.words) for each in sight.shown.locks(state, sight.now)],
        # Who passes a discharge lock says it again: so much, and no later voltage, was shown.
        "up_to": sight.shown.up_to(state, sight.now),
        "steps": [step_view(sight, step) for step in state.steps.values()],
        "results": [each.model_dump(mode="json", exclude={"job"}) for each in results.results],
        "suspicion": None if results.suspicion is None else suspicion_view(results.suspicion),
        "not_run": list(results.not_run),
        "without_result": list(results.without_result),
        "result_notes": list(results.notes),
        "uncomputed": [asdict(each) for each in results.uncomputed],
    }


def void_view(void: Void) -> dict[str, Any]:
    """Write out that a job counts for nothing."""
    return {
        "operator": void.operator,
        "time": rfc3339(void.time),
        "reason": void.reason,
        "was": str(void.was),
    }


def summary(state: JobState) -> dict[str, Any]:
    """Write a job on one line of a list."""
    done = sum(step.status is not StepStatus.OPEN for step in state.steps.values())
    return {
        "job": str(state.job),
        "machine": state.machine,
        "procedure": state.procedure.name,
        "title": state.procedure.title,
        "status": str(state.status),
        "started": rfc3339(state.started),
        "last": state.last,
        "done": done,
        "of": len(state.steps),
    }


def step_view(sight: Sight, step: StepState) -> dict[str, Any]:
    """Write a step out: cautions first, then where the leads sit, then what is asked for."""
    asked = step.step
    steps = sight.state.procedure.steps
    told = guidance(asked, sight.machine.nameplate, sight.limits, steps)
    open_ = step.status is StepStatus.OPEN
    held = (
        locks(sight.state, asked.id, sight.now, sight.failed, sight.shown.beside) if open_ else []
    )
    return {
        "id": asked.id,
        "title": asked.title,
        "status": str(step.status),
        "cautions": list(asked.cautions),
        "points": [point_view(point) for point in asked.points],
        "quantity": asked.quantity,
        "unit": unit_of(asked.quantity),
        "instrument": asked.instrument,
        "energy": asked.energy,
        "take": asked.take.how,
        "at_s": list(asked.take.at_s),
        "conditions": {
            **asked.conditions,
            **step.conditions.model_dump(mode="json", exclude_none=True),
        },
        "remembered": remembered(sight.state, asked.id, sight.readings) if open_ else {},
        "explain": asked.explain,
        "settings": [asdict(each) for each in told.settings],
        "limits": [asdict(each) for each in told.bounds],
        "missing": list(told.missing),
        "locks": [_lock(lock, lock.words + _known(sight, asked.id, lock)) for lock in held],
        "after": _after(sight.state, asked.id, sight.now),
        "how": step.how,
        "taken_at": None if step.taken_at is None else rfc3339(step.taken_at),
        "values": [
            {
                **value_view(sight.readings(each), each, place, asked.points),
                "at": _nominal(step, place),
            }
            for place, each in enumerate(step.readings)
        ],
        "superseded": [
            {**value_view(sight.readings(each), each, 0, ()), "reason": reason, "at": None}
            for each, reason in step.superseded
        ],
        "refused": [str(each) for each in step.refused],
        "notes": list(step.notes),
        "overridden": sorted(step.overridden),
    }


def _nominal(step: StepState, place: int) -> float | None:
    """Give the time since the voltage was reached that a value was taken for, seconds."""
    times = step.step.take.at_s
    return times[place] if len(step.readings) == len(times) else None


def point_view(text: str) -> dict[str, Any]:
    """Write a test point out: which lead sits where, in words too."""
    point = TestPoint.parse(text)
    places = {name: list(getattr(point, name)) for name, _ in (*_LEADS, *_PLACES)}
    words = [f"{said} {' + '.join(places[name])}" for name, said in _LEADS]
    words += [f"{said} {' + '.join(places[name])}" for name, said in _PLACES if places[name]]
    return {
        "text": str(point),
        **places,
        "pair": point.pair,
        "direction": None if point.direction is None else str(point.direction),
        "words": ", ".join(words),
    }


def value_view(
    body: Mapping[str, Any] | None, id_: UUID, place: int, points: tuple[str, ...]
) -> dict[str, Any]:
    """Write one taken reading out, with where it came from."""
    if body is None:
        return {"reading": str(id_), "status": "not in the journal"}
    own = (body.get("tag") or {}).get("test_point")
    if place < len(points):
        point: str | None = points[place]
    elif own and len(points) > 1:
        point = str(PointOfTest.model_validate(own).to_point())
    else:
        point = points[0] if points else None
    source = body["source"]
    return {
        "reading": str(id_),
        "point": point,
        "quantity": body["quantity"],
        "value": body.get("value"),
        "unit": body["unit"],
        "digits": body["digits"],
        "shown_unit": body.get("shown_unit") or body["unit"],
        "bound": body.get("bound"),
        "status": body["status"],
        "time": body["time"],
        "elapsed": (body.get("series") or {}).get("elapsed"),
        "instrument": body["instrument"],
        "source": source["kind"],
        "operator": source.get("operator"),
        "second_operator": source.get("second_operator"),
        "photos": [each["sha256"] for each in body.get("evidence") or ()],
        "note": (body.get("tag") or {}).get("note"),
    }


def suspicion_view(suspicion: Suspicion) -> dict[str, Any]:
    """Write out what is suspected, in words first."""
    return {
        "words": list(suspicion.words),
        "statement": suspicion.statement,
        "hypothesis": suspicion.hypothesis,
        "coils": dict(suspicion.coils),
        "coil_probability": suspicion.coil_probability,
        "candidates": [
            {"hypothesis": each.hypothesis, "probability": each.probability}
            for each in suspicion.candidates
        ],
        "speaks_for": list(suspicion.speaks_for),
        "speaks_against": list(suspicion.speaks_against),
        "next_measurement": suspicion.next_measurement,
    }


def _lock(lock: Lock, words: str) -> dict[str, Any]:
    return {
        "name": lock.name,
        "words": words,
        "until": None if lock.until is None else rfc3339(lock.until),
        "job": None if lock.job is None else str(lock.job),
        "step": lock.step,
    }


def _known(sight: Sight, step: str, lock: Lock) -> str:
    """Say what is known of the insulation, where the job's own procedure does not test it."""
    if lock.name != "insulation" or has_insulation(sight.state, step):
        return ""
    known = sight.insulation()
    return f"; {known}" if known else ""


def _after(state: JobState, step: str, now: datetime) -> list[dict[str, Any]]:
    """Say what a person must still do after a step before the leads are moved."""
    found: list[dict[str, Any]] = []
    if step in state.ramp_down:
        words = "ramp the meter's current down, wait for zero, then move the leads"
        found.append({"name": "ramp-down", "words": words, "until": None})
    pending = owed(state, now, step)
    if pending is not None:
        until = pending.until
        wait = "" if until is None else f" for {(until - now).total_seconds():.0f} s more"
        words = (
            f"end the test on the instrument, keep the winding earthed{wait}, prove it discharged, "
            f"then confirm the discharge{pending.not_known(now)}"
        )
        told = None if until is None else rfc3339(until)
        found.append({"name": "discharge", "words": words, "until": told})
    return found
