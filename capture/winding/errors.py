"""What can be wrong with the readings of a winding, each with a name of its own.

WindingError (also a ValueError)
├── MissingReadingError     a reading that the formula needs is not there
├── NotFiniteError          a reading is infinite or not a number
├── NotPositiveError        a reading is zero or negative where only more than zero can be
├── ImpossibleSetError      each reading may be right alone, together they cannot be
│   └── TriangleInequalityError   one pair reads as much as the two others together, or more
├── MixedConditionsError    readings of different unit, frequency, law or range were put together
├── OutsideRangeError       a number lies outside what the formula is written for
└── UnknownChoiceError      a definition, connection, rule … that does not exist
"""

from collections.abc import Iterable


class WindingError(ValueError):
    """The base of all errors about a set of readings; never raised itself."""


class MissingReadingError(WindingError):
    """Say which reading a formula lacks, and why it is needed."""

    def __init__(self, name: str, why: str) -> None:
        super().__init__(f"{name} is missing: {why}")
        self.name = name


class NotFiniteError(WindingError):
    """Say which reading is infinite or not a number."""

    def __init__(self, name: str, value: float) -> None:
        super().__init__(
            f"{name} is {value}: a finite number is needed; give an open pair as a bounded reading"
        )
        self.name = name
        self.value = value


class NotPositiveError(WindingError):
    """Say which reading is zero or negative, and why that cannot be."""

    def __init__(self, name: str, value: float, why: str = "only more than zero can be") -> None:
        super().__init__(f"{name} is {value:g}: {why}")
        self.name = name
        self.value = value


class ImpossibleSetError(WindingError):
    """Say why readings that may be right one by one cannot all be right."""


class TriangleInequalityError(ImpossibleSetError):
    """Say which pair reads as much as the two others together, which no three coils can do."""

    def __init__(self, name: str, value: float, others: float) -> None:
        super().__init__(
            f"{name} reads {value:g}, the two other pairs together {others:g}: three sound coils"
            f" always read less than that; one reading is wrong, or a coil is open"
            f" (an open delta coil reads just twice each of the two other pairs)"
        )
        self.name = name
        self.value = value


class MixedConditionsError(WindingError):
    """Say which reading was taken under another unit, frequency, law or range."""


class OutsideRangeError(WindingError):
    """Say which number lies outside what the formula is written for."""


class UnknownChoiceError(WindingError):
    """Say what was asked for and what there is."""

    def __init__(self, what: str, asked: object, known: Iterable[object]) -> None:
        super().__init__(f"{what} {asked!r} is not known; use one of {', '.join(map(str, known))}")
        self.asked = asked
