"""Forms: the text of readings that differ in nothing but their number, time and frame.

Making a reading from its model checks every member and then writes every member, for thousands of
readings a second of which all but five members are the same. A form is the text of one reading that
was made that way, with places for those five. What goes into them is checked here, strictly: what
is not plainly right is left to the model, which knows the rules and says what is wrong.
"""

import re
from math import isfinite
from typing import Any

from pydantic_core import to_json

from capture.model import ReadingDraft, Status, Uncertainty
from capture.model.ids import id_text
from capture.model.written import WrittenDraft
from capture.runtime.session import Captured

# Printable ASCII without what JSON escapes, as long as a line may be.
_DIGITS = re.compile(r"[ !#-\[\]-~]{1,200}").fullmatch
# What `raw_frame` keeps as text, as long as the model allows.
_FRAME = re.compile(rb"[\t\n\r -~]{0,90000}").fullmatch

# In the order in which they stand in a reading.
_PLACES: dict[str, bytes] = {
    "id": b'"%b"',
    "time": b'"%b"',
    "value": b"%b",
    "digits": b"%b",
    "uncertainty": b"%b",
    "raw": b'{"encoding":"ascii","data":%b}',
}


class Form:
    """Writes drafts that are like one that was made."""

    def __init__(self, draft: ReadingDraft) -> None:
        self._instrument = draft.instrument
        self._quantity = draft.quantity
        parts = [
            to_json(name) + b":" + (_PLACES.get(name) or to_json(value).replace(b"%", b"%%"))
            for name, value in draft.model_dump(mode="json").items()
        ]
        self._text = b"{" + b",".join(parts)

    def write(
        self, id_: bytes, captured: Captured, time: bytes, uncertainty: Uncertainty | None
    ) -> WrittenDraft:
        """Write one draft: number, time and frame from ``captured``, which `is_plain`."""
        indication = captured.indication
        value = indication.value
        places: tuple[bytes, ...] = (
            id_text(id_).encode(),
            time,
            b"null" if value is None else to_json(float(value)),
            b'"%b"' % indication.digits.encode(),
            to_json(indication.raw.decode("ascii")),
        )
        if uncertainty is not None:
            places = (*places[:4], uncertainty.model_dump_json().encode(), places[4])
        return WrittenDraft(
            id_,
            captured.time,
            self._instrument,
            self._quantity,
            None,
            None,
            self._text % places,
        )


def is_plain(captured: Captured) -> bool:
    """Tell whether a form can take it: a number or none, in an ordinary frame, and nothing more."""
    indication = captured.indication
    value = indication.value
    return (
        indication.bound is None
        and captured.group is None
        and indication.elapsed is None
        and indication.record is None
        and indication.instrument_time is None
        and type(indication.status) is Status
        and (value is None or isfinite(value))
        and _DIGITS(indication.digits) is not None
        and _FRAME(indication.raw) is not None
    )


def likeness(captured: Captured, uncertainty: Uncertainty | None) -> tuple[Any, ...]:
    """Give what two plain captures of one session must have in common to share a form."""
    indication = captured.indication
    return (
        indication.quantity,
        indication.unit,
        indication.shown_unit,
        # An enumeration's member hashes slowly, and there is one of each only.
        id(indication.status),
        indication.value is None,
        uncertainty is None,
        captured.synchronised,
        captured.query,
        tuple(indication.conditions.items()),
    )
