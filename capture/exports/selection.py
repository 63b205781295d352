"""What is asked for in an export."""

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from capture.errors import InputError
from capture.journal.asked import Asked


@dataclass(frozen=True, slots=True)
class Selection:
    """Which readings, results or trends; what is None is not asked about.

    Attributes:
        since, until: by their own times; ``until`` is not included.
    """

    machine: str | None = None
    job: UUID | None = None
    instrument: str | None = None
    quantity: str | None = None
    since: datetime | None = None
    until: datetime | None = None

    def __post_init__(self) -> None:
        if self.since is not None and self.until is not None and self.until <= self.since:
            raise InputError("the end of the time asked for must lie after its beginning")

    def told(self) -> list[tuple[str, str]]:
        """Say what was asked for, as labels and values."""
        members = {name: getattr(self, name) for name in self.__slots__}
        return [
            (name, value.isoformat() if isinstance(value, datetime) else str(value))
            for name, value in members.items()
            if value is not None
        ] or [("selection", "everything")]

    def of_readings(self) -> Asked:
        """Give what the journal is asked for; a job's readings are found by its steps."""
        return {
            "instrument": self.instrument,
            "quantity": self.quantity,
            "machine": self.machine,
            "since": self.since,
            "until": self.until,
        }

    def holds(self, time: datetime) -> bool:
        """Tell whether a moment lies within the time asked for."""
        return (self.since is None or time >= self.since) and (
            self.until is None or time < self.until
        )
