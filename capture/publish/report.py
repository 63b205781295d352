"""How delivery is going, told to the daemon at changes at once and else now and then."""

from collections.abc import Callable
from dataclasses import dataclass, replace

from capture.clock import Clock

_EVERY = 0.5


@dataclass(frozen=True, slots=True)
class Report:
    """How delivery is going.

    Attributes:
        connected, reason: whether the broker has accepted us, and why not.
        version: MQTT version in use.
        delivered: number of the newest entry up to which all are acknowledged.
        backlog: entries after that one.
        nobody_listens: the broker says that no subscriber takes our readings (MQTT 5 only).
        refused: messages that the broker refused since the start.
    """

    connected: bool = False
    reason: str = ""
    version: str = ""
    delivered: int = 0
    backlog: int = 0
    nobody_listens: bool = False
    refused: int = 0


class Reporter:
    """Keeps the newest report and tells it."""

    def __init__(self, clock: Clock, tell: Callable[[Report], None]) -> None:
        self._clock = clock
        self._tell = tell
        self._told = Report()
        self._told_at = float("-inf")
        self.now = Report()

    def update(self, **members: object) -> None:
        """Change members of the report; tell it if it is time or the connection changed."""
        self.now = replace(self.now, **members)  # type: ignore[arg-type] # members of Report
        at = self._clock.monotonic()
        new, old = self.now, self._told
        turned = (new.connected, new.reason, new.nobody_listens) != (
            old.connected,
            old.reason,
            old.nobody_listens,
        )
        if turned or (new != old and at - self._told_at >= _EVERY):
            self._told, self._told_at = new, at
            self._tell(new)
