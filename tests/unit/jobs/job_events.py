"""Events of one job, and the state that they give."""

from datetime import UTC, datetime, timedelta

from capture.jobs.procedure import load_procedure
from capture.jobs.state import replay
from capture.model import new_id
from capture.model.job import (
    JobEntry,
    Started,
    Taken,
)

START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


JOB = new_id()


def entry(event, at: float = 0.0) -> JobEntry:
    """Make an entry of the job, so many seconds after its start."""
    return JobEntry(
        id=new_id(),
        site="sawmill",
        bench="bench-1",
        job=JOB,
        time=START + timedelta(seconds=at),
        operator="technician",
        event=event,
    )


def state_after(*events, procedure: str = "after-rewind"):
    """Replay a start and these events; an event may come with its time as (event, seconds)."""
    made = [event if isinstance(event, tuple) else (event, 0.0) for event in events]
    started = Started(machine="fan-07", procedure=load_procedure(procedure).model_dump(mode="json"))
    entries = [entry(started), *(entry(event, at) for event, at in made)]
    return replay(enumerate(entries, start=1))


def taken(step: str, count: int = 1, how: str = "operator") -> Taken:
    """Take so many readings for a step."""
    return Taken(step=step, readings=tuple(new_id() for _ in range(count)), how=how)


def drafts_for(event: Taken, make, **members):
    """Make the readings that an event takes."""
    return [make(id=id_, **members) for id_ in event.readings]


def at(seconds: float) -> datetime:
    """A moment so long after the start."""
    return START + timedelta(seconds=seconds)
