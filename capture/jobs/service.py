"""Jobs and machines in the journal: looking at them, and writing what people do.

Reads replay; writes say what they have seen, carry an id made where the person acts, and store the
readings that they bring along in the same transaction.
"""

import json
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from pydantic import ValidationError
from pydantic_core import from_json

from capture.clock import Clock
from capture.errors import InputError, NotThereError
from capture.faults import one_line
from capture.jobs.locks import has_failed
from capture.jobs.memory import StateMemory
from capture.jobs.owed import owed
from capture.jobs.procedure import Procedure, Step
from capture.jobs.rules import check, minds_others
from capture.jobs.state import WATCHER, JobState, apply, replay
from capture.jobs.twice import refuse_other_use, refuse_stale, with_what_was_shown
from capture.journal import Entry, Expectation, JournalReader, Row, StaleError, Stored
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
from capture.model.machine import MachineEntry, Nameplate
from capture.model.result import ResultRecord

#: Appends a batch: the daemon's writer, or a store of the caller's own.
Append = Callable[[Sequence[Entry], Expectation | None], list[Stored]]

#: Acts that mean the same however long a test voltage was on the winding; each still meets the
#: locks that follow from that time.
_WHATEVER_THE_VOLTAGE = (Finished, Noted, Paused, Resumed, Selected, SignedOff, Skipped)
_CHANGES_RESULTS = frozenset({"taken", "redone", "conditions"})

#: Whether the insulation reading of a step has failed, by the state; None where nobody judged.
Judged = Callable[[JobState, str], bool | None]


@dataclass(frozen=True, slots=True)
class Who:
    """Who does something, and the id that was made for it where it was done."""

    operator: str
    id: UUID


class JobService:
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
        self._reader = reader
        self._memory = memory or StateMemory()
        self._append = append
        self._clock = clock
        self._site = site
        self._bench = bench

    # ── machines ─────────────────────────────────────────────────────────────────────────────

    def register(
        self, machine: str, nameplate: Nameplate, who: Who, note: str = ""
    ) -> MachineEntry:
        """Register a machine, or say anew what is known of it.

        Raises:
            InputError: a field cannot be taken, or the id was used for something else.
        """
        known = self._reader.entry(who.id)
        if known is not None:
            if known.kind != "machine" or known.subject != machine:
                raise InputError(f"the id {who.id} belongs to another entry; make a new one")
            stored = MachineEntry.model_validate_json(known.body)
            if (stored.nameplate, stored.note) != (nameplate, note):
                raise InputError(
                    f"the id {who.id} stands for another description of {machine} already; "
                    "make a new one for what has changed"
                )
            return stored
        try:
            entry = MachineEntry(
                id=who.id,
                site=self._site,
                bench=self._bench,
                time=self._clock.utc(),
                operator=who.operator,
                machine=machine,
                nameplate=nameplate,
                note=note,
            )
        except ValidationError as error:
            raise InputError(one_line(error)) from error
        self._append([entry], None)
        return entry

    def check_new(self, machine: str, who: Who, earlier: Collection[UUID] = ()) -> None:
        """Refuse to register a machine where there is one, whose description would be replaced.

        What ``who`` writes may be stored already: handing it in twice does it once. ``earlier`` are
        tries whose answer was lost; what one of them stored may be said anew.

        Raises:
            InputError: there is a machine of this name, or of one that differs in capitals only,
                which a person would take for the same.
        """
        if self._reader.entry(who.id) is not None:
            return
        name = machine.casefold()
        for each in self.machines():
            if each.machine.casefold() != name or each.id in earlier:
                continue
            if each.machine == machine:
                raise InputError(
                    f"machine {machine!r} is registered already; what is known of it is said anew "
                    "at the machine itself"
                )
            raise InputError(
                f"machine {each.machine!r} is registered, and {machine!r} differs from it in "
                "capitals only; give it another name"
            )

    def machines(self) -> list[MachineEntry]:
        """List every machine as it was last described, newest first."""
        rows = self._reader.newest_by_subject("machine")
        return [MachineEntry.model_validate_json(row.body) for row in rows]

    def machine(self, machine: str) -> MachineEntry:
        """Give a machine as it was last described.

        Raises:
            NotThereError: nobody registered it.
        """
        history = self.machine_history(machine)
        if not history:
            raise NotThereError(f"machine {machine!r} is not registered; register it first")
        return history[-1]

    def machine_history(self, machine: str) -> list[MachineEntry]:
        """Give every description of a machine, oldest first."""
        rows = self._reader.of_subject("machine", machine)
        return [MachineEntry.model_validate_json(row.body) for row in rows]

    # ── jobs ─────────────────────────────────────────────────────────────────────────────────

    def start(
        self,
        job: UUID,
        machine: str,
        procedure: Procedure,
        who: Who,
        conditions: JobConditions | None = None,
    ) -> JobState:
        """Start a job on a registered machine; handing the same job in twice starts it once.

        Raises:
            InputError: the machine is not registered.
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
        self._append([self._entry(job, event, who)], Expectation("job", str(job), 0))
        return self.state(job)

    def state(self, job: UUID) -> JobState:
        """Give a job's state.

        Raises:
            NotThereError: there is no such job.
        """
        known = self._memory.get(job)
        rows = self._reader.of_subject("job", str(job), after=0 if known is None else known.last)
        state = replay(((row.n, JobEntry.model_validate_json(row.body)) for row in rows), known)
        if state is None:
            raise NotThereError(f"there is no job {job}")
        if rows:
            self._memory.put(state)
        return state

    def job_ids(self) -> list[UUID]:
        """List the ids of all jobs, the one that was worked on last first."""
        return [UUID(row.subject) for row in self._reader.newest_by_subject("job")]

    def worked_on_last(self) -> UUID | None:
        """Give the job that somebody worked on last; None where there is none.

        How long a voltage was on is written into a job that may have been left since.
        """
        found: JobState | None = None
        for row in self._reader.newest_by_subject("job"):
            if found is not None and row.n <= found.worked:
                break
            state = self._as_of(row)
            if found is None or state.worked > found.worked:
                found = state
        return None if found is None else found.job

    def jobs(self) -> list[JobState]:
        """List every job, the one that was worked on last first."""
        return [state for _, state in self.page()]

    def page(
        self, *, before: int | None = None, limit: int | None = None
    ) -> list[tuple[int, JobState]]:
        """Give up to ``limit`` jobs, each after a number; the one that was worked on last first.

        With ``before``, those that stand behind the job with that number. One that is worked on
        while somebody goes from page to page stands on the first one then, and on no later one.
        """
        rows = self._reader.newest_by_subject("job", before=before, limit=limit)
        return [(row.n, self._as_of(row)) for row in rows]

    def newest_first(self) -> Iterator[JobState]:
        """Give every job in that order, and replay no more of them than are asked for."""
        return map(self._as_of, self._reader.newest_by_subject("job"))

    def _as_of(self, row: Row) -> JobState:
        """Give a job's state from memory, where its newest entry is this one."""
        known = self._memory.get(UUID(row.subject))
        return known if known and known.last == row.n else self.state(UUID(row.subject))

    def jobs_of(self, machine: str) -> list[JobState]:
        """List the jobs of one machine, the one that was worked on last first.

        Only its own jobs are replayed, and of what the memory holds only what is new.
        """
        found = [self.state(job) for job in self._begun_on(machine)]
        return sorted(found, key=lambda each: each.last, reverse=True)

    def _begun_on(self, machine: str) -> list[UUID]:
        """List the jobs that were begun on a machine; of the others nothing but that is read.

        One of which the beginning cannot be read was begun on none: it keeps no other from being
        done.
        """
        starts = self._reader.subjects("job")
        new = [n for job, n in starts.items() if self._memory.machine_of(job) is None]
        for row in self._reader.numbered(new):
            self._memory.begun(row.subject, _machine_in(row.body))
        return [UUID(job) for job in starts if self._memory.machine_of(job) == machine]

    def beside(self, state: JobState) -> list[JobState]:
        """List the other jobs of a job's machine that owe its winding a discharge now.

        Of one with an entry that cannot be read, what can be read counts: what it says of voltages
        holds on, and a person can pass the lock with a reason, though not confirm there.
        """
        others = [job for job in self._begun_on(state.machine) if job != state.job]
        found = [self._as_far_as_read(job) for job in others]
        now = self._clock.utc()
        return [each for each in found if each is not None and owed(each, now) is not None]

    def _as_far_as_read(self, job: UUID) -> JobState | None:
        try:
            return self.state(job)
        except (ValueError, InputError):
            state = None
        for row in self._reader.of_subject("job", str(job)):
            with suppress(ValueError, InputError):
                state = apply(state, row.n, JobEntry.model_validate_json(row.body))
        return state

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

    def readings_of(self, state: JobState) -> Mapping[UUID, dict[str, object]]:
        """Give the stored readings that hold in a job, by id."""
        found: dict[UUID, dict[str, object]] = {}
        for step in state.steps.values():
            for reading in step.readings:
                row = self._reader.entry(reading)
                if row is not None:
                    found[reading] = json.loads(row.body)
        return found

    def entry(self, id_: UUID) -> Row | None:
        """Give an entry of the journal by its id."""
        return self._reader.entry(id_)

    def before(self, body: Mapping[str, Any]) -> Iterator[Row]:
        """Give what its instrument had sent before a reading, newest first."""
        for sequence in range(int(body["sequence"]) - 1, 0, -1):
            row = self._reader.reading(str(body["instrument"]), sequence)
            if row is None:
                return
            yield row

    def results_are_due(self, job: UUID) -> bool:
        """Tell whether something was taken, opened again or changed since results were stored."""
        rows = self._reader.of_subject("job", str(job), after=self.last_result(job))
        return any(json.loads(row.body)["event"]["action"] in _CHANGES_RESULTS for row in rows)

    def last_result(self, job: UUID) -> int:
        """Give the number of a job's newest stored result; 0 where there is none."""
        rows = self._reader.of_subject("result", str(job))
        return rows[-1].n if rows else 0

    def results(self, job: UUID) -> list[ResultRecord]:
        """Give the stored results of a job, oldest first; of one name the last one holds."""
        rows = self._reader.of_subject("result", str(job))
        return [ResultRecord.model_validate_json(row.body) for row in rows]

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


def _machine_in(body: bytes) -> str:
    """Give the machine that a job's first entry names; empty where it names none, or is damaged."""
    try:
        return str(from_json(body)["event"]["machine"])
    except (ValueError, TypeError, KeyError):
        return ""
