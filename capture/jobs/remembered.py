"""What was the same at the last step of a quantity is offered at the next: shown, and changeable.

A bridge's frequency, what stands beside its inductances, the unit and the instrument are the same
for all three pairs; whoever types them three times mistypes one of them. Pure.
"""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from capture.display import quantity_text
from capture.jobs.state import JobState
from capture.model.loss import LOSSES, name_of

_BY_A_PERSON = frozenset({"keyed", "photo"})
_NEVER = datetime.min.replace(tzinfo=UTC)


def remembered(
    state: JobState, step_id: str, reading: Callable[[UUID], Mapping[str, Any] | None]
) -> dict[str, str]:
    """Give what the newest taken step of the same quantity says, as a person would type it.

    frequency, model: conditions of its values. loss: the name and the unit of what stands beside
    them. unit, instrument: of values that a person keyed. step: the one that says it. Empty where
    no other step of the quantity is taken.
    """
    quantity = state.step(step_id).step.quantity
    done = [
        each
        for each in state.steps.values()
        if each.step.quantity == quantity and each.step.id != step_id and each.readings
    ]
    if not done:
        return {}
    _, last = max(enumerate(done), key=lambda each: (each[1].taken_at or _NEVER, each[0]))
    bodies = [body for each in last.readings if (body := reading(each)) is not None]
    own = [body for body in bodies if body["quantity"] == quantity]
    if not own:
        return {}
    found = {"step": last.step.id, **_conditions(own[0])}
    if own[0]["source"]["kind"] in _BY_A_PERSON:
        found["unit"] = own[0].get("shown_unit") or ""
        found["instrument"] = own[0]["instrument"]
    beside = [body for body in bodies if body["quantity"] in LOSSES and body not in own]
    if beside:
        model = (beside[0].get("conditions") or {}).get("model")
        shown = beside[0].get("shown_unit") or ""
        name = name_of(beside[0]["quantity"], model) or ""
        found["loss"] = f"{name} {shown}".strip() if name in ("Rs", "Rp") else name
    return {name: said for name, said in found.items() if said}


def _conditions(body: Mapping[str, Any]) -> dict[str, str]:
    held = body.get("conditions") or {}
    found = {}
    frequency = held.get("frequency")
    if isinstance(frequency, Mapping):
        found["frequency"] = quantity_text(frequency["value"], frequency["unit"], digits=9)
    if isinstance(held.get("model"), str):
        found["model"] = held["model"]
    return found
