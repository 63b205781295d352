"""What can be said of a job, as it was computed. Pure."""

from dataclasses import dataclass

from capture.jobs.taken import one_line_of
from capture.judging.lacking import NoConditionError, OfReadingError
from capture.model.result import ResultRecord
from capture.winding import Suspicion


@dataclass(frozen=True, slots=True)
class Uncomputed:
    """Why the values of a quantity came to no result: reading, words and condition, in this order.

    Attributes:
        quantity: the values' own.
        why: the words, without the names of reading and condition.
        reading: id of the reading that it is about; None where it is about none alone.
        condition: name of the condition that it asks for; None where it asks for none.
    """

    quantity: str
    why: str
    reading: str | None = None
    condition: str | None = None

    @classmethod
    def of(cls, quantity: str, error: Exception) -> "Uncomputed":
        """Tell what a computation said."""
        match error:
            case OfReadingError() if error.reading:
                return cls(quantity, error.why, reading=error.reading)
            case NoConditionError():
                return cls(quantity, error.why, condition=error.condition)
            case _:
                return cls(quantity, one_line_of(error))


@dataclass(frozen=True, slots=True)
class JobResults:
    """What can be said of a job now.

    Attributes:
        sentence: the plain sentence, first of all.
        verdict: over all steps; never a pass while one is missing.
        results: as they are stored, in the order a person would read them.
        notes: what was not used or not computed, and why.
        uncomputed: what of the notes says why a quantity came to no result.
    """

    sentence: str
    verdict: str
    results: tuple[ResultRecord, ...] = ()
    suspicion: Suspicion | None = None
    not_run: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    uncomputed: tuple[Uncomputed, ...] = ()
