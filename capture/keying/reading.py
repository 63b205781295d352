"""One value as typed to the draft of a reading, and an inductance with the loss beside it."""

import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING

from pydantic import ValidationError

from capture.errors import InputError
from capture.faults import one_line
from capture.keying.typed import as_typed, read_typed
from capture.model import (
    Bound,
    Evidence,
    Keyed,
    Photographed,
    PointOfTest,
    Reading,
    ReadingDraft,
    ReadingTag,
    Series,
    Shown,
    TestPoint,
    new_id,
    unit_of,
)
from capture.model.loss import parse_loss
from capture.model.quantity import Quantity
from capture.model.reading import Conditions, Quantified
from capture.model.shown import DecimalMark

if TYPE_CHECKING:
    from capture.journal import Row

#: What is the same where a value is handed in once more.
_SAME = ("instrument", "quantity", "digits", "shown_unit", "value", "status", "bound", "tag")


@dataclass(frozen=True, slots=True)
class Keying:
    """What is the same for every value keyed together.

    Attributes:
        conditions: settings the display stood under, such as the law of a pulse time; the
            ``frequency`` that a bridge measured at with its unit, in hertz if it has none.
        clock_synchronised: whether the host's clock followed a reference; None where not known.
        unit: unit as shown that applies where a value has none.
        job, step: what the values are taken for, where that is a step of a job.
        evidence: files that show the display.
        second_operator: who keyed the same values again and agreed.
    """

    site: str
    bench: str
    instrument: str
    quantity: str
    operator: str
    time: datetime
    machine: str | None = None
    note: str | None = None
    conditions: Mapping[str, str] = field(default_factory=dict)
    mark: DecimalMark = "auto"
    unit: str = ""
    job: uuid.UUID | None = None
    step: str | None = None
    evidence: tuple[Evidence, ...] = ()
    second_operator: str | None = None
    clock_synchronised: bool | None = None


@dataclass(frozen=True, slots=True)
class FromPhoto:
    """What was proposed from a photo, where a person confirmed a value rather than typed it.

    Attributes:
        photo: SHA-256 of the photo as it is kept.
        proposed: the text as it was proposed.
        confidence: that of its least sure character.
        doubts: kinds of doubt that the person was shown.
    """

    photo: str
    proposed: str
    confidence: float | None = None
    doubts: tuple[str, ...] = ()


def make_reading(
    keying: Keying,
    typed: str,
    point: TestPoint | None = None,
    *,
    id_: uuid.UUID | None = None,
    group: uuid.UUID | None = None,
    series: Series | None = None,
    again: str | None = None,
    from_photo: FromPhoto | None = None,
) -> ReadingDraft:
    """Make a draft from one value as typed.

    ``id_`` is made where the value is typed, so that handing it in twice stores it once. ``again``
    is the same value as the keying's second operator typed it. ``from_photo`` is what was proposed,
    where ``typed`` was confirmed, or corrected, by a person who saw it beside the photo.

    Raises:
        InputError: the value, the quantity or another field cannot be taken, or the two keyings
            are not of two people, or differ; says why.
    """
    if point is not None and keying.machine is None:
        raise InputError("a test point belongs to a machine; give --machine as well")
    base = unit_of(keying.quantity)
    shown = read_typed(typed, mark=keying.mark, default_unit=keying.unit)
    _check_second(keying, typed, shown, again)
    unit = shown.unit or base
    if unit is None:
        raise InputError(f"{typed.strip()!r} has no unit, and {keying.quantity} has no fixed one")
    if base not in (None, unit):
        raise InputError(f"{typed.strip()!r} is in {unit}, but {keying.quantity} is in {base}")
    tag = None
    try:
        if keying.machine is not None:
            tag = ReadingTag(
                machine=keying.machine,
                test_point=None if point is None else PointOfTest.of(point),
                note=keying.note,
                job=keying.job,
                step=keying.step,
            )
        return ReadingDraft(
            id=id_ or new_id(),
            site=keying.site,
            bench=keying.bench,
            instrument=keying.instrument,
            time=keying.time,
            clock_synchronised=keying.clock_synchronised,
            quantity=keying.quantity,
            unit=unit,
            value=None if shown.value is None else float(shown.value),
            digits=shown.digits,
            shown_unit=shown.shown_unit,
            status=shown.status,
            bound=None
            if shown.bound is None
            else Bound(side=shown.bound.side, value=float(shown.bound.value)),
            source=_source(keying, as_typed(typed), from_photo),
            conditions=_conditions(keying),
            series=series,
            group=group,
            tag=tag,
            evidence=_evidence(keying, from_photo),
        )
    except ValidationError as error:
        raise InputError(one_line(error)) from error


def _conditions(keying: Keying) -> Conditions:
    """Write the conditions down; a frequency is a number, as where a bridge says it itself.

    Raises:
        InputError: the frequency is none.
    """
    found: Conditions = dict(keying.conditions)
    if (typed := keying.conditions.get("frequency")) is not None:
        try:
            shown = read_typed(typed, mark=keying.mark, default_unit="Hz")
        except InputError as error:
            raise InputError(f"the frequency: {error}") from error
        if shown.unit != "Hz" or shown.value is None or shown.value <= 0:
            raise InputError(f"the frequency: {typed.strip()!r} is none, such as 1 kHz or 120 Hz")
        found["frequency"] = Quantified(value=float(shown.value), unit="Hz")
    return found


def _source(keying: Keying, typed: str, from_photo: FromPhoto | None) -> Keyed | Photographed:
    """Say who vouches for a value, and what they saw."""
    if from_photo is None:
        return Keyed(
            operator=keying.operator,
            typed=typed,
            times=1 if keying.second_operator is None else 2,
            second_operator=keying.second_operator,
        )
    if keying.second_operator is not None:
        raise InputError("a value from a photo is confirmed by one person; key it twice instead")
    return Photographed(
        operator=keying.operator,
        photo=from_photo.photo,
        proposed=from_photo.proposed,
        confidence=from_photo.confidence,
        doubts=from_photo.doubts,
        corrected=None if _same(typed, from_photo.proposed) else typed,
    )


def _same(typed: str, proposed: str) -> bool:
    """Tell whether a person let a proposal stand, whatever spaces are in it."""
    return "".join(typed.split()) == "".join(proposed.split())


def _evidence(keying: Keying, from_photo: FromPhoto | None) -> tuple[Evidence, ...]:
    """Name the photo that a value was read off, beside the others."""
    named = {evidence.sha256 for evidence in keying.evidence}
    if from_photo is None or from_photo.photo in named:
        return keying.evidence
    photo = Evidence(kind="photo", sha256=from_photo.photo, media_type="image/jpeg")
    return (*keying.evidence, photo)


def with_loss(
    keying: Keying,
    made: Callable[[Keying], ReadingDraft],
    typed: str,
    *,
    shown_as: str = "",
    id_: uuid.UUID | None = None,
    again: str | None = None,
) -> tuple[ReadingDraft, ReadingDraft]:
    """Make drafts of an inductance and of the loss beside it: one frame, as a bridge sends it.

    ``made`` makes the inductance; both get the conditions, and the circuit model that the loss
    tells. ``typed`` is the loss with its name, or ``shown_as`` says what it is.

    Raises:
        InputError: the loss cannot be taken, stands beside something else, or contradicts the
            model that is told.
    """
    if keying.quantity != Quantity.INDUCTANCE:
        raise InputError(f"a loss stands beside an inductance, not beside {keying.quantity}")
    loss = parse_loss(typed, shown_as)
    told = keying.conditions.get("model")
    if loss.model is not None:
        if told not in (None, loss.model):
            raise InputError(f"{typed.strip()!r} is of the {loss.model} model, and {told} is told")
        keying = replace(keying, conditions={**keying.conditions, "model": loss.model})
    inductance = made(keying)
    # Keyed by two people only where both typed it.
    second = None if again is None else keying.second_operator
    beside = replace(keying, quantity=loss.quantity, unit=loss.unit, second_operator=second)
    point = None if inductance.tag is None else inductance.tag.test_point
    second_typed = None if again is None else parse_loss(again, shown_as).typed
    try:
        draft = make_reading(
            beside,
            loss.typed,
            None if point is None else point.to_point(),
            id_=id_,
            group=inductance.group,
            again=second_typed,
        )
    except InputError as error:
        raise InputError(f"the loss: {error}") from error
    # What was typed names it; the digits alone would not.
    source = draft.source.model_copy(update={"typed": as_typed(typed)})
    return inductance, draft.model_copy(update={"source": source})


def _check_second(keying: Keying, typed: str, shown: Shown, again: str | None) -> None:
    """Refuse a second keying that is none, is by the same person, or says something else."""
    second = keying.second_operator
    if second is None:
        if again is not None:
            raise InputError("the value was keyed a second time; say who did it")
        return
    if _tidy(second) == _tidy(keying.operator):
        raise InputError("the second keying is by another person, not by the same one")
    if again is None:
        raise InputError("the second keying is missing")
    other = read_typed(again, mark=keying.mark, default_unit=keying.unit)
    same = (other.status, other.value, other.bound) == (shown.status, shown.value, shown.bound)
    if not same or other.unit not in (None, shown.unit):
        raise InputError(
            f"{typed.strip()!r} and {again.strip()!r} differ; look at the display once more"
        )


def _tidy(name: str) -> str:
    """Write a name as it is compared, however it was typed."""
    return " ".join(name.split()).casefold()


def refuse_other_use(
    drafts: Sequence[ReadingDraft], stored: "Callable[[uuid.UUID], Row | None]"
) -> None:
    """Refuse an id that stands for something else: what is keyed now would be lost in silence.

    Raises:
        InputError: says what is stored.
    """
    for draft in drafts:
        row = stored(draft.id)
        if row is None:
            continue
        if row.kind != "reading":
            raise InputError(f"the id {draft.id} belongs to another entry; make a new one")
        kept = Reading.model_validate_json(row.body)
        if any(getattr(kept, name) != getattr(draft, name) for name in _SAME):
            raise InputError(
                f"under the id {draft.id} {kept.digits!r} is stored already, and not what is keyed "
                "now; make a new id for another value"
            )
