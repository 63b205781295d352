"""Remembering jobs' states, so that a look at a job replays only what is new of it.

A state is what replaying a job's entries gives, and entries are only ever added: a state as of one
entry holds for good, and the next one is that state and the entries after it.
"""

import threading
from collections import OrderedDict
from uuid import UUID

from capture.jobs.state import JobState

_MOST = 5000  # jobs remembered


class StateMemory:
    """The newest state seen of each job, for all desks over one journal and any threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._held: OrderedDict[UUID, JobState] = OrderedDict()
        self._machines: dict[str, str] = {}
        self._over: set[str] = set()

    def get(self, job: UUID) -> JobState | None:
        """Give the newest state seen of a job; None where there is none."""
        with self._lock:
            return self._held.get(job)

    def put(self, state: JobState) -> None:
        """Remember a state, unless a newer one is."""
        with self._lock:
            held = self._held.get(state.job)
            if held is None or held.last < state.last:
                self._held[state.job] = state
                self._held.move_to_end(state.job)
            while len(self._held) > _MOST:
                self._held.popitem(last=False)

    def is_over(self, job: str) -> bool:
        """Tell whether a job is known to be over, which it then stays."""
        with self._lock:
            return job in self._over

    def over(self, job: str) -> None:
        """Remember that a job is over: finished, signed off or void."""
        with self._lock:
            self._over.add(job)

    def machine_of(self, job: str) -> str | None:
        """Give the machine on which a job was begun; None where nobody looked yet."""
        with self._lock:
            return self._machines.get(job)

    def begun(self, job: str, machine: str) -> None:
        """Remember on which machine a job was begun, which never changes."""
        with self._lock:
            self._machines[job] = machine
