"""A draft as it will be stored: JSON text, all but its sequence number, and what tells it apart.

Thousands of readings a second come from one session, and all but a few members of them are the
same. So their text can be put together from parts that were checked once (`capture.runtime.forms`)
instead of being made from a model each time. What the store needs besides stands beside the text.
"""

from datetime import datetime
from typing import NamedTuple

from capture.model.ids import id_text
from capture.model.reading import ReadingDraft


class WrittenDraft(NamedTuple):
    """A reading that has not been stored yet, as text.

    Attributes:
        id: UUIDv7, as its 16 bytes.
        time: when the value was received or keyed, UTC.
        instrument, quantity: what it is of, and by what it was shown.
        record: the instrument's own name of a stored result; None where it gives none.
        machine: the machine that it is tagged with; None where it is not.
        text: JSON in UTF-8, without the closing brace.
    """

    id: bytes
    time: datetime
    instrument: str
    quantity: str
    record: str | None
    machine: str | None
    text: bytes

    @classmethod
    def of(cls, draft: ReadingDraft) -> "WrittenDraft":
        """Write a draft."""
        return cls(
            draft.id.bytes,
            draft.time,
            draft.instrument,
            draft.quantity,
            draft.record,
            None if draft.tag is None else draft.tag.machine,
            draft.model_dump_json().encode()[:-1],
        )

    def body(self, sequence: int) -> bytes:
        """Give the reading's text with its number among the readings of its instrument."""
        return b'%b,"sequence":%d}' % (self.text, sequence)

    def draft(self) -> ReadingDraft:
        """Read the text back."""
        return ReadingDraft.model_validate_json(self.text + b"}")

    @property
    def name(self) -> str:
        """The id as a UUID is written."""
        return id_text(self.id)
