"""What is handed in twice, and what rests on an old view of a job. Pure."""

from uuid import UUID

from capture.errors import InputError
from capture.jobs.state import JobState
from capture.journal import Row, StaleError
from capture.model.job import Event, JobEntry


def refuse_stale(state: JobState, seen: int) -> None:
    """Refuse what rests on an old view of a job.

    Raises:
        StaleError: somebody has acted since ``seen``, the newest entry that was looked at.
    """
    if state.last != seen:
        raise StaleError(f"job {state.job} has moved on since it was looked at; look again")


def refuse_other_use(known: Row, job: UUID, event: Event) -> None:
    """Refuse an id that belongs to another entry: what is handed in would be lost in silence."""
    if known.kind == "job":
        entry = JobEntry.model_validate_json(known.body)
        if entry.job == job and entry.event == event:
            return
    raise InputError(f"the id {known.id} belongs to another entry; make a new one for each act")
