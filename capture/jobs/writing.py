"""Who writes into the journal, and through what."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from uuid import UUID

from capture.journal import Entry, Expectation, Stored

#: Appends a batch: the daemon's writer, or a store of the caller's own.
Append = Callable[[Sequence[Entry], Expectation | None], list[Stored]]


@dataclass(frozen=True, slots=True)
class Who:
    """Who does something, and the id that was made for it where it was done."""

    operator: str
    id: UUID
