"""What is handed in twice, and what rests on an old view of a job. Pure."""

from uuid import UUID

from capture.errors import InputError
from capture.jobs.state import JobState
from capture.journal import Row, StaleError
from capture.model.job import Event, JobEntry, Overridden


def refuse_stale(state: JobState, seen: int) -> None:
    """Refuse what rests on an old view of a job.

    Raises:
        StaleError: somebody has acted since ``seen``, the newest entry that was looked at.
    """
    if state.last != seen:
        raise StaleError(f"job {state.job} has moved on since it was looked at; look again")


def with_what_was_shown(event: Event, seen: int, *, failed: bool) -> Event:
    """Let an override pass no more than its writer was shown.

    Of discharges, where it does not say what that was: what stood in the journal before the newest
    entry that its writer has seen is all that was there to be shown for sure. Of insulation: a
    reading that has failed, only where one has by now.
    """
    if isinstance(event, Overridden) and event.lock == "insulation":
        return event.model_copy(update={"failed": failed})
    if isinstance(event, Overridden) and event.lock == "discharge" and event.up_to is None:
        return event.model_copy(update={"up_to": seen})
    return event


def _as_pressed(event: Event) -> Event:
    """Leave out what was shown: pressed again, an act passes no more than it did the first time."""
    if not isinstance(event, Overridden):
        return event
    return event.model_copy(update={"up_to": None, "failed": None})


def refuse_other_use(known: Row, job: UUID, event: Event) -> None:
    """Refuse an id that belongs to another entry: what is handed in would be lost in silence."""
    if known.kind == "job":
        entry = JobEntry.model_validate_json(known.body)
        if entry.job == job and _as_pressed(entry.event) == _as_pressed(event):
            return
    raise InputError(f"the id {known.id} belongs to another entry; make a new one for each act")
