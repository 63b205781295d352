"""One stored entry as its readers get it, and the columns that it is read by."""

import uuid
from typing import NamedTuple

#: What is read of an entry, in the order of a row's members.
COLUMNS = "n, id, kind, coalesce(instrument, ''), coalesce(subject, ''), body"


class Row(NamedTuple):
    """One entry as stored, in the order of its columns."""

    n: int
    key: bytes
    """Its id, as 16 bytes."""
    kind: str
    instrument: str
    subject: str
    body: bytes

    @property
    def id(self) -> uuid.UUID:
        """Its id."""
        return uuid.UUID(bytes=self.key)
