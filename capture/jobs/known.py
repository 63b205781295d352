"""The jobs that hands-free capture knows of: not thousands that are over, but all that matter now.

These are the jobs under way, the one that was worked on last, and those of the machine at hand,
whose winding may still be owed a discharge.
"""

from collections.abc import Callable
from uuid import UUID

import structlog

from capture.errors import JournalError
from capture.jobs.desk import Desk
from capture.jobs.state import JobState, JobStatus


class KnownJobs:
    """The newest state of each of these jobs. Used by one thread.

    Attributes:
        states: by job; whoever follows the journal keeps them up to date, and adds new ones.
    """

    def __init__(self, desk: Desk) -> None:
        self.states: dict[UUID, JobState] = {}
        self._desk = desk
        self._machines: set[str] = set()  # all of whose jobs are among the states
        self._log = structlog.get_logger()

    def load(self) -> None:
        """Take in the jobs that matter now, and store results that a crash left out.

        Raises:
            JournalError: the journal cannot be read now; may be called again.
        """
        service = self._desk.service
        for job in service.perhaps_under_way():
            self._guarded(self._take_in, job)
        for job in service.with_results_due():
            self._guarded(self._complete, job)
        for row in self._desk.reader.newest_by_subject("job"):
            if row.n <= max((state.worked for state in self.states.values()), default=0):
                break  # this one, and all older ones, were worked on before
            self._guarded(self._take_in, UUID(row.subject))

    def of_machine(self, machine: str) -> list[JobState]:
        """Give the jobs of a machine; what their voltages have left is on the same winding.

        Raises:
            JournalError: the journal cannot be read now.
        """
        if machine not in self._machines:
            for job in self._desk.service.begun_on(machine):
                if job not in self.states:
                    self._guarded(self._take_in, job)
            self._machines.add(machine)
        return [state for state in self.states.values() if state.machine == machine]

    def _take_in(self, job: UUID) -> None:
        self.states[job] = self._desk.service.look(job)

    def _complete(self, job: UUID) -> None:
        if self._desk.service.state(job).status is not JobStatus.SIGNED_OFF:
            self._desk.complete(job)

    def _guarded(self, act: Callable[[UUID], None], job: UUID) -> None:
        try:
            act(job)
        except JournalError:
            raise
        except Exception:  # noqa: BLE001 - one odd job must not keep the others from being done
            self._log.exception("watcher.job", job=str(job))
