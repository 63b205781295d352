"""What a command gives back, at once or later, and the registers that tell of it."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias


@dataclass(frozen=True, slots=True)
class Pending:
    """An answer that is ready at a time: then `finish(now)` gives it, or is Pending again."""

    at: float
    finish: Callable[[float], "Answer"]


Answer: TypeAlias = "str | bytes | Pending | None"
Parameters = list[str]
Handler = Callable[[Parameters, float], Answer]


@dataclass(slots=True)
class StatusGroup:
    """One SCPI status register: condition, event (latched), enable (SCPI-99 vol. 1 §9)."""

    condition: int = 0
    event: int = 0
    enable: int = 0

    def set_condition(self, bits: int) -> None:
        """Change the condition; bits that rise are latched in the event register."""
        self.event |= bits & ~self.condition
        self.condition = bits

    def latch(self, bits: int) -> None:
        """Latch events that have no lasting condition."""
        self.event |= bits

    def take(self) -> int:
        """Return the event register and clear it."""
        event, self.event = self.event, 0
        return event

    @property
    def summary(self) -> bool:
        """Whether an enabled event is latched."""
        return bool(self.event & self.enable)
