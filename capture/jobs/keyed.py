"""From what a person typed off one display to drafts of readings for a step. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any
from uuid import UUID

from capture.errors import InputError
from capture.jobs.procedure import Step
from capture.jobs.state import JobState
from capture.keying import FromPhoto, Keying, make_reading, with_loss
from capture.model import ReadingDraft, Series, TestPoint, new_id


@dataclass(frozen=True, slots=True)
class TypedLoss:
    """What stood beside an inductance, as typed; ``again`` as a second person typed it."""

    id: UUID
    typed: str
    again: str | None = None


@dataclass(frozen=True, slots=True)
class TypedValue:
    """One value as typed.

    Attributes:
        id: of the reading, made where it was typed.
        elapsed: seconds since the voltage was reached, for insulation.
        again: the same value as a second person typed it.
        from_photo: what was proposed, where it was confirmed rather than typed.
        loss: what stood beside it, where it is an inductance.
    """

    id: UUID
    typed: str
    elapsed: float | None = None
    again: str | None = None
    from_photo: FromPhoto | None = None
    loss: TypedLoss | None = None


@dataclass(frozen=True, slots=True)
class KeyedValues:
    """All values that stand on one display at once, in the order of the step's test points.

    Attributes:
        keying: what is the same for all; machine, job and step are filled in.
        shown_deviation: the deviation that the instrument itself shows.
        confirmed: a person was asked about doubts, and the values stand so.
        loss_as: which loss it is, with its unit, where what was typed does not say it: `Rs mΩ`.
    """

    keying: Keying
    values: Sequence[TypedValue]
    shown_deviation: TypedValue | None = None
    confirmed: bool = False
    loss_as: str = ""


def drafts_of(
    state: JobState, step: Step, keyed: KeyedValues
) -> tuple[list[ReadingDraft], ReadingDraft | None]:
    """Make the drafts of a step's values, and of the deviation that the instrument shows.

    Losses stand behind all values, as what a bridge sends beside them does. An inductance and its
    loss are a frame: they share a group, which the other pairs are not of.

    Raises:
        InputError: a value cannot be taken, or there are too few or too many; says which.
    """
    _check_typed(step, keyed)
    count, times = len(keyed.values), step.take.at_s
    group = new_id()
    keying = replace(
        keyed.keying,
        quantity=step.quantity,
        machine=state.machine,
        job=state.job,
        step=step.id,
        conditions={**step.conditions, **keyed.keying.conditions},
    )
    drafts: list[ReadingDraft] = []
    losses: list[ReadingDraft] = []
    for place, value in enumerate(keyed.values):
        point = step.points[place] if len(step.points) > 1 else step.points[0]
        elapsed = value.elapsed
        if elapsed is None and times:
            elapsed = times[place] if count == len(times) else times[-1]
        series = None if elapsed is None else Series(id=group, elapsed=elapsed)
        make = partial(
            make_reading,
            typed=value.typed,
            point=TestPoint.parse(point),
            id_=value.id,
            group=group if value.loss is None else new_id(),
            series=series,
            again=value.again,
            from_photo=value.from_photo,
        )
        try:
            if value.loss is None:
                drafts.append(make(keying))
                continue
            typed, id_, again = value.loss.typed, value.loss.id, value.loss.again
            draft, loss = with_loss(
                keying, make, typed, shown_as=keyed.loss_as, id_=id_, again=again
            )
        except InputError as error:
            raise InputError(f"{point}: {error}") from error
        drafts.append(draft)
        losses.append(loss)
    shown = keyed.shown_deviation
    drafts += losses
    if shown is None:
        return drafts, None
    if step.quantity != "pulse_time":
        raise InputError("a shown deviation belongs to a step of pulse times")
    # It was keyed by two people only where both typed it.
    second = None if shown.again is None else keying.second_operator
    of_all = replace(keying, quantity="pulse_deviation", unit="%", second_operator=second)
    return drafts, make_reading(
        of_all, shown.typed, None, id_=shown.id, group=group, again=shown.again
    )


def _check_typed(step: Step, keyed: KeyedValues) -> None:
    """Refuse values that are not as many as they should be."""
    count = len(keyed.values)
    if len(step.points) > 1 and count != len(step.points):
        raise InputError(f"step {step.id} takes {len(step.points)} values at once, not {count}")
    times = step.take.at_s
    if len(step.points) == 1 and count != 1 and count != len(times):
        takes = f"1 or {len(times)} values" if times else "1 value"
        raise InputError(f"step {step.id} takes {takes}, not {count}")
    ids = [value.id for value in keyed.values]
    ids += [value.loss.id for value in keyed.values if value.loss is not None]
    if len(set(ids)) < len(ids):
        raise InputError("an id stands twice; make a new one for each value")


def typed_in(source: Mapping[str, Any]) -> str | None:
    """Give what a person typed, or made of what was proposed from a photo; None for neither."""
    found = source.get("typed") or source.get("corrected") or source.get("proposed")
    return None if found is None else str(found)
