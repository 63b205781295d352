"""Jobs and machines in the journal: looking at them, and writing what people do.

Reads replay; writes say what they have seen, carry an id made where the person acts, and store the
readings that they bring along in the same transaction.
"""

from collections.abc import Callable, Sequence
from uuid import UUID

from pydantic import ValidationError

from capture.clock import Clock
from capture.errors import InputError
from capture.faults import one_line
from capture.jobs.locks import has_failed
from capture.jobs.looking import JobLook
from capture.jobs.machines import MachineRegister
from capture.jobs.memory import StateMemory
from capture.jobs.opened import refuse_open
from capture.jobs.procedure import Procedure, Step
from capture.jobs.rules import check, minds_others
from capture.jobs.state import WATCHER, JobState, apply
from capture.jobs.twice import refuse_other_use, refuse_stale, with_what_was_shown
from capture.jobs.writing import Append, Who
from capture.journal import Expectation, JournalReader, StaleError
from capture.model import ReadingDraft, Tag, new_id
from capture.model.job import (
    Applied,
    Event,
    Finished,
    JobConditions,
    JobEntry,
    Noted,
    Overridden,
    Paused,
    Resumed,
    Selected,
    SignedOff,
    Skipped,
    Started,
    Taken,
)

__all__ = ["Append", "JobService", "Judged", "Who", "refuse_stale"]

#: Acts that mean the same however long a test voltage was on the winding; each still meets the
#: locks that follow from that time.
_WHATEVER_THE_VOLTAGE = (Finished, Noted, Paused, Resumed, Selected, SignedOff, Skipped)

#: Whether the insulation reading of a step has failed, by the state; None where nobody judged.
Judged = Callable[[JobState, str], bool | None]


class JobService(MachineRegister, JobLook):
    """Everything that can be done with machines and jobs of one bench."""

    def __init__(
        self,
        reader: JournalReader,
        append: Append,
        clock: Clock,
        site: str,
        bench: str,
        memory: StateMemory | None = None,
    ) -> None:
        MachineRegister.__init__(self, reader, append, clock, site, bench)
        JobLook.__init__(self, reader, clock, memory or StateMemory())

    def start(
        self,
        job: UUID,
        machine: str,
        procedure: Procedure,
        who: Who,
        conditions: JobConditions | None = None,
        *,
        beside: UUID | bool = False,
    ) -> JobState:
        """Start a job on a registered machine; handing the same job in twice starts it once.

        beside: the job of this procedure that is open on the machine, where somebody was told of it
        and starts another one all the same; True for whichever that is.

        Raises:
            NotThereError: the machine is not registered.
            OpenJobError: such a job is open on the machine; says which.
        """
        self.machine(machine)
        event = Started(
            machine=machine,
            procedure=procedure.model_dump(mode="json"),
            conditions=conditions or JobConditions(),
        )
        known = self._reader.entry(who.id)
        if known is not None:
            refuse_other_use(known, job, event)
            return self.state(job)
        if beside is not True:
            refuse_open(self.open_on(machine), procedure.name, job, beside or None)
        self._append([self._entry(job, event, who)], Expectation("job", str(job), 0))
        return self.state(job)

    def act(
        self,
        job: UUID,
        event: Event,
        who: Who,
        seen: int,
        *,
        also: Sequence[Event] = (),
        readings: Sequence[ReadingDraft] = (),
        tags: Sequence[Tag] = (),
        insulation_failed: Judged = lambda _state, _step: None,
    ) -> JobState:
        """Write what a person or the watcher does, with the readings that belong to it.

        ``seen`` is the newest entry of the job that whoever acts has seen. Where only hands-free
        capture has written since, and only for how long a voltage was on, that keeps nobody from
        going on with the work. The same id again does nothing and gives the state. Events in
        ``also`` follow from the first: all are written, or none.

        Raises:
            InputError: the event does not fit, or the id was used for something else.
            LockedError: the step is locked; says by what.
            StaleError: somebody else has acted since; look again.
        """
        state = self.state(job)
        known = self._reader.entry(who.id)
        if known is not None:
            refuse_other_use(known, job, event)
            return state
        seen = self._seen(state, event, seen)
        refuse_stale(state, seen)
        if isinstance(event, Overridden):
            failed = has_failed(state, lambda step: insulation_failed(state, step))
            event = with_what_was_shown(event, seen, failed=failed)
        if isinstance(event, Taken):
            self._check_readings(state.step(event.step).step, event, readings)
        entries = [self._entry(job, event, who)]
        entries += [self._entry(job, each, Who(who.operator, new_id())) for each in also]
        after, beside = state, self.beside(state) if minds_others(event) else ()
        for entry in entries:
            check(
                after,
                entry.event,
                entry.time,
                lambda step: insulation_failed(state, step),
                beside,
            )
            after = apply(after, after.last, entry)
        try:
            self._append([*readings, *tags, *entries], Expectation("job", str(job), seen))
        except StaleError:
            # The same act from two places at once: whoever came second did the same thing.
            known = self._reader.entry(who.id)
            if known is None and self._seen(self.state(job), event, seen) == seen:
                raise
            if known is None:
                return self.act(
                    job,
                    event,
                    who,
                    seen,
                    also=also,
                    readings=readings,
                    tags=tags,
                    insulation_failed=insulation_failed,
                )
            refuse_other_use(known, job, event)
        return self.state(job)

    def _seen(self, state: JobState, event: Event, seen: int) -> int:
        """Give the job's newest entry where what came after ``seen`` is no matter for an act."""
        if state.last == seen or not isinstance(event, _WHATEVER_THE_VOLTAGE):
            return seen
        rows = self._reader.of_subject("job", str(state.job), after=seen)
        since = [JobEntry.model_validate_json(row.body) for row in rows if row.n <= state.last]
        if all(isinstance(e.event, Applied) and e.operator == WATCHER for e in since):
            return state.last
        return seen

    def _check_readings(self, step: Step, event: Taken, drafts: Sequence[ReadingDraft]) -> None:
        """Refuse readings that are not there, and a step without one of its own quantity."""
        quantities = {draft.id: str(draft.quantity) for draft in drafts}
        for reading in event.readings:
            if reading in quantities:
                continue
            row = self._reader.entry(reading)
            if row is None or row.kind != "reading":
                raise InputError(f"there is no reading {reading}")
            quantities[reading] = row.subject
        if step.quantity not in quantities.values():
            found = ", ".join(sorted(set(quantities.values())))
            raise InputError(f"step {step.id} takes {step.quantity}, not {found}")

    def _entry(self, job: UUID, event: Event, who: Who) -> JobEntry:
        try:
            return JobEntry(
                id=who.id,
                site=self._site,
                bench=self._bench,
                job=job,
                time=self._clock.utc(),
                operator=who.operator,
                event=event,
            )
        except ValidationError as error:
            raise InputError(one_line(error)) from error
