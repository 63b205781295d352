"""Turning one answer into indications, by the fields that a profile or an option names."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from capture.driver import Condition, Indication, Shown, Status, parse_unit, unit_of
from drivers.scpi.answers import read_number, split_fields
from drivers.scpi.conversation import Misfit

_INTEGER = re.compile(r"[+-]?[0-9]{1,9}\Z")


@dataclass(frozen=True, slots=True)
class Field:
    """One place in an answer.

    Attributes:
        quantity: what it is of; empty for a status or for something to pass over.
        unit: unit as shown of the number.
        is_status: whether it is looked up in the status map.
    """

    quantity: str = ""
    unit: str = ""
    is_status: bool = False

    def base_unit(self) -> str:
        """Give the UCUM code that the value is stored in."""
        return parse_unit(self.unit or unit_of(self.quantity) or "").unit

    def shown_unit(self) -> str:
        """Give the unit of the number as the instrument means it."""
        return self.unit or unit_of(self.quantity) or ""


@dataclass(frozen=True, slots=True)
class AnswerForm:
    """What the fields of an answer are.

    Attributes:
        fields: in order.
        several: the answer may hold the one field many times over.
        query: what asks for the answer.
        status: status text → status.
    """

    fields: tuple[Field, ...]
    several: bool = False
    query: str = ""
    status: Mapping[str, Status] | None = None

    def read_text(
        self, text: str, raw: bytes, conditions: Mapping[str, Condition], group: int | None
    ) -> list[Indication]:
        """Read a text answer.

        Raises:
            Misfit: the fields are not as many as named, or one cannot be read.
        """
        texts = split_fields(text)
        fields = self._fields_for(len(texts))
        status = Status.OK
        shown: list[tuple[Field, Shown]] = []
        for field, part in zip(fields, texts, strict=True):
            if field.is_status:
                status = self._status(part)
            elif field.quantity:
                shown.append((field, read_number(part, field.shown_unit())))
        return self._indications(shown, raw, status, conditions, group)

    def read_values(
        self,
        values: Sequence[Shown],
        raw: bytes,
        conditions: Mapping[str, Condition],
        group: int | None,
    ) -> list[Indication]:
        """Take the values of a block.

        Raises:
            Misfit: they are not as many as named.
        """
        fields = self._fields_for(len(values))
        shown = [(f, value) for f, value in zip(fields, values, strict=True) if f.quantity]
        return self._indications(shown, raw, Status.OK, conditions, group)

    def _fields_for(self, count: int) -> Sequence[Field]:
        if self.several and len(self.fields) == 1:
            return self.fields * count
        if count != len(self.fields):
            raise Misfit(f"{count} values where {len(self.fields)} are expected")
        return self.fields

    def _status(self, text: str) -> Status:
        known = self.status or {}
        plain = str(int(text)) if _INTEGER.match(text) else text
        if plain not in known:
            raise Misfit(f"status {text!r} is not listed")
        return known[plain]

    def _indications(
        self,
        shown: list[tuple[Field, Shown]],
        raw: bytes,
        status: Status,
        conditions: Mapping[str, Condition],
        group: int | None,
    ) -> list[Indication]:
        group = group if len(shown) > 1 else None
        return [
            Indication.of(
                field.quantity,
                field.base_unit(),
                _as_status(value, status),
                raw,
                status=status,
                conditions=conditions,
                group=group,
                query=self.query or None,
            )
            for field, value in shown
        ]


def _as_status(value: Shown, status: Status) -> Shown:
    """Let the status field speak before the number: with a bad status the number says nothing."""
    if status in (Status.ABOVE_RANGE, Status.BELOW_RANGE, Status.INVALID):
        return Shown(value.digits, value.shown_unit, value.unit, None, status)
    return value
