"""What keeps a quantity from being computed, told as data: which reading it is, which condition.

A person sees it as one line. Whoever knows the reading by its leads, or the condition by a field's
name, puts that in its place.
"""

from capture.errors import InputError
from capture.model.testset import SetReading


class OfReadingError(InputError):
    """One reading cannot be taken; the line is its name and ``why``, one after the other."""

    def __init__(self, reading: SetReading, why: str) -> None:
        super().__init__(f"{name_of(reading)}{why}")
        self.reading = reading.id
        """Its id; empty where it has none."""
        self.why = why


class NoConditionError(InputError):
    """A condition was not told; the line is ``why`` and its path, one after the other."""

    def __init__(self, why: str, condition: str) -> None:
        super().__init__(f"{why}conditions.{condition}")
        self.why = why
        self.condition = condition
        """Its name among the conditions."""


def name_of(reading: SetReading, number: int | None = None) -> str:
    """Name a reading for a message: by id, else by what and where."""
    if reading.id:
        return f"reading {reading.id}"
    where = f" at {reading.test_point}" if reading.test_point else ""
    place = f" ({number}.)" if number else ""
    return f"the {reading.quantity}{where}{place}"
