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
        delivered: number of the newest entry up to which all are acknowledged or set aside.
        backlog: entries after that one.
        nobody_listens: the broker says that no subscriber takes our readings (MQTT 5 only).
        unheard: readings since the start that the broker took and had nobody to give to.
        refused: messages that the broker refused since the start.
        paused: why nothing is sent though the broker accepts us; a person has to see to it.
        dead_letters: refused entries on the list that a person has to see to.
        resent, requests_refused: entries sent again on request, and requests not taken, since the
            start.
        journal_damaged: what SQLite found malformed in the journal; empty where nothing is.
    """

    connected: bool = False
    reason: str = ""
    version: str = ""
    delivered: int = 0
    backlog: int = 0
    nobody_listens: bool = False
    unheard: int = 0
    refused: int = 0
    paused: str = ""
    dead_letters: int = 0
    resent: int = 0
    requests_refused: int = 0
    journal_damaged: str = ""

    @property
    def alarm(self) -> str:
        """What a person has to see to, in one line; empty where delivery is as it should be."""
        if self.paused:
            return self.paused
        if self.dead_letters:
            return f"{self.dead_letters} refused messages wait; see `benchtally outbox list`"
        return "" if self.connected else self.reason


def _turning(report: Report) -> tuple[object, ...]:
    return (
        report.connected,
        report.reason,
        report.nobody_listens,
        report.paused,
        report.dead_letters,
        report.journal_damaged,
    )


class Reporter:
    """Keeps the newest report and tells it."""

    def __init__(self, clock: Clock, tell: Callable[[Report], None]) -> None:
        self._clock = clock
        self._tell = tell
        self._told = Report()
        self._told_at = float("-inf")
        self.now = Report()

    def update(self, **members: object) -> None:
        """Change members of the report; tell it if it is time or something turned."""
        self.now = replace(self.now, **members)  # type: ignore[arg-type] # members of Report
        at = self._clock.monotonic()
        new, old = self.now, self._told
        turned = _turning(new) != _turning(old)
        if turned or (new != old and at - self._told_at >= _EVERY):
            self._told, self._told_at = new, at
            self._tell(new)
