"""What the steps of a job have taken, as computations want it: by quantity, with test points."""

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from pydantic import ValidationError

from capture.jobs.procedure import INSULATION
from capture.jobs.state import JobState, StepState, StepStatus
from capture.model.testset import SetReading

#: Kinds of test by the quantity that a step takes.
KINDS = {
    "resistance": "resistance",
    "inductance": "inductance",
    INSULATION: "insulation",
    "pulse_time": "pulse",
}
#: Kelvin by which the winding's temperature may differ between steps that are judged together
#: (common practice, no source: 0.4 % of a resistance).
_SAME_CELSIUS = 1.0

Readings = Mapping[UUID, dict[str, Any]]


def taken_of(state: JobState, readings: Readings, notes: list[str]) -> dict[str, list[SetReading]]:
    """Give the readings that hold in a job, by the quantity that their steps ask for.

    Each says where the rotor was when it was taken: inductances may be read without it, and pulse
    times with it, in one job.
    """
    found: dict[str, list[SetReading]] = {}
    for step in state.steps.values():
        if step.status is StepStatus.TAKEN and step.step.quantity in KINDS:
            rotor = step.conditions.rotor or condition_of(state, step.step.quantity, "rotor")
            found.setdefault(step.step.quantity, []).extend(
                each.model_copy(update={"rotor": rotor}) for each in of_step(step, readings, notes)
            )
    return {quantity: group for quantity, group in found.items() if group}


def of_step(step: StepState, readings: Readings, notes: list[str]) -> list[SetReading]:
    """Give a step's readings with the test points and times that the procedure gives them."""
    found = []
    own = [
        id_ for id_ in step.readings if readings.get(id_, {}).get("quantity") == step.step.quantity
    ]
    times = step.step.take.at_s
    for reading_id in step.readings:
        body = readings.get(reading_id)
        if body is None:
            notes.append(f"reading {reading_id} of step {step.step.id} is not in the journal")
            continue
        made: dict[str, Any] = {
            **body,
            "conditions": {**step.step.conditions, **body.get("conditions", {})},
            "group": body.get("group") or "",
        }
        if reading_id in own:
            place = own.index(reading_id)
            if len(step.step.points) == 1:
                made["test_point"] = step.step.points[0]
            elif not (body.get("tag") or {}).get("test_point") and place < len(step.step.points):
                made["test_point"] = step.step.points[place]
            if times and len(own) == len(times):
                made["elapsed"] = times[place]
        else:
            made["test_point"] = step.step.points[0]
        try:
            found.append(SetReading.model_validate(made))
        except ValidationError as error:
            notes.append(f"reading {reading_id} is {body.get('status')}: {one_line_of(error)}")
    return found


def condition_of(state: JobState, quantity: str, name: str) -> Any:
    """Give a condition as it was when the steps of a quantity were taken, else as it is now."""
    for step in state.steps.values():
        if step.step.quantity == quantity and step.status is StepStatus.TAKEN:
            found = getattr(step.conditions, name)
            if found is not None:
                return found
    return getattr(state.conditions, name)


def celsius_of(state: JobState, quantity: str, notes: list[str]) -> float | None:
    """Give the winding's temperature for a quantity; None where it is not one temperature."""
    told = [
        step.conditions.winding_celsius
        for step in state.steps.values()
        if step.step.quantity == quantity
        and step.status is StepStatus.TAKEN
        and step.conditions.winding_celsius is not None
    ]
    if told and max(told) - min(told) > _SAME_CELSIUS:
        notes.append(
            f"{quantity} was taken at winding temperatures from {min(told):g} °C to "
            f"{max(told):g} °C: not brought to another one"
        )
        return None
    found = condition_of(state, quantity, "winding_celsius")
    return None if found is None else float(found)


def one_line_of(error: Exception) -> str:
    """Say in one line what could not be taken."""
    if isinstance(error, ValidationError):
        return "; ".join(str(each["msg"]) for each in error.errors())
    return " ".join(str(error).split())
