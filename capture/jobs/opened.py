"""A procedure that is begun twice on one machine: nobody is to do so without knowing it. Pure."""

from collections.abc import Iterable
from uuid import UUID

from capture.errors import CaptureError
from capture.jobs.state import JobState


class OpenJobError(CaptureError):
    """The same procedure is under way on the machine; ``job`` says in which job."""

    def __init__(self, state: JobState) -> None:
        self.job = state.job
        self.machine = state.machine
        done = sum(step.status != "open" for step in state.steps.values())
        who = ", ".join(sorted(state.operators))
        super().__init__(
            f"machine {state.machine} has a job by this procedure that is {state.status}: "
            f"{state.job} ({state.procedure.name}), begun {state.started:%Y-%m-%d %H:%M} UTC, "
            f"{done} of {len(state.steps)} steps done, by {who}. Go on with that one, finish it or "
            "void it; or say that another one is meant beside it"
        )


def refuse_open(open_: Iterable[JobState], procedure: str, job: UUID, told: UUID | None) -> None:
    """Refuse to begin what is open already.

    open_: the jobs that are under way on the machine, newest first. job: the one to be begun. told:
    the open one that whoever begins it knows of.

    Raises:
        OpenJobError: one of them does this procedure.
    """
    for state in open_:
        if state.procedure.name == procedure and state.job != job:
            if state.job == told:
                return
            raise OpenJobError(state)
