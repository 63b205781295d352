"""What a step takes: all that a reader of photos has to know of it."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Expectation:
    """What a step takes.

    Attributes:
        points: test points, in the order of the instrument.
    """

    quantity: str
    points: tuple[str, ...] = ()
