"""From readings to a judged winding: pure computation, numbers in, results out."""

from .balance import (
    CONNECTIONS,
    DEFINITIONS,
    Connection,
    Definition,
    EitherConnection,
    PhaseResistances,
    phase_resistances,
    unbalance,
)
from .errors import (
    ImpossibleSetError,
    MissingReadingError,
    MixedConditionsError,
    NotFiniteError,
    NotPositiveError,
    OutsideRangeError,
    TriangleInequalityError,
    UnknownChoiceError,
    WindingError,
)
from .result import Result

__all__ = [
    "CONNECTIONS",
    "DEFINITIONS",
    "Connection",
    "Definition",
    "EitherConnection",
    "ImpossibleSetError",
    "MissingReadingError",
    "MixedConditionsError",
    "NotFiniteError",
    "NotPositiveError",
    "OutsideRangeError",
    "PhaseResistances",
    "Result",
    "TriangleInequalityError",
    "UnknownChoiceError",
    "WindingError",
    "phase_resistances",
    "unbalance",
]
