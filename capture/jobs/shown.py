"""What whoever passes a lock had been shown of the machine's other jobs.

An act names the newest entry of its own job that its writer has seen; of other jobs that says
nothing. A voltage that was written there between the look and the press was shown to nobody, and is
not passed.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from capture.jobs.locks import Lock, discharges_beside
from capture.jobs.service import JobService
from capture.jobs.state import JobState
from capture.journal import JournalReader


@dataclass(frozen=True, slots=True)
class Shown:
    """One look at what other jobs of a machine have left on its winding.

    Attributes:
        beside: the other jobs that owe a discharge.
        last: number of the journal's newest entry before the look: what came later may have been
            read of one job and not of another, so it does not count as shown.
    """

    beside: Sequence[JobState] = ()
    last: int = 0

    def locks(self, state: JobState, now: datetime) -> list[Lock]:
        """List what they owe, as it is shown."""
        return discharges_beside(state, self.beside, now)

    def up_to(self, state: JobState, now: datetime) -> int:
        """Give the number of the newest voltage that was shown for sure; 0 for none."""
        newest = (lock.newest for lock in self.locks(state, now))
        return max((n for n in newest if n <= self.last), default=0)


def look(service: JobService, reader: JournalReader, state: JobState) -> Shown:
    """Look at what other jobs of a job's machine owe now."""
    last = reader.last_n()
    return Shown(service.beside(state), last)
