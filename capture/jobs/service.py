"""Jobs and machines in the journal: looking at them, and writing what people do.

Reads replay; writes say what they have seen, carry an id made where the person acts, and store the
readings that they bring along in the same transaction.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from pydantic import ValidationError

from capture.clock import Clock
from capture.driver.faults import fault_lines
from capture.errors import InputError
from capture.jobs.locks import Failed
from capture.jobs.procedure import Procedure
from capture.jobs.rules import check
from capture.jobs.state import JobState, replay
from capture.journal import Entry, Expectation, JournalReader, Stored
from capture.model import ReadingDraft
from capture.model.job import Event, JobConditions, JobEntry, Started
from capture.model.machine import MachineEntry, Nameplate

#: Appends a batch: the daemon's writer, or a store of the caller's own.
Append = Callable[[Sequence[Entry], Expectation | None], list[Stored]]


@dataclass(frozen=True, slots=True)
class Who:
    """Who does something, and the id that was made for it where it was done."""

    operator: str
    id: UUID


class JobService:
    """Everything that can be done with machines and jobs of one bench."""

    def __init__(
        self, reader: JournalReader, append: Append, clock: Clock, site: str, bench: str
    ) -> None:
        self._reader = reader
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
            InputError: a field cannot be taken.
        """
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
            raise InputError("; ".join(fault_lines(error))) from error
        self._append([entry], None)
        return entry

    def machines(self) -> list[MachineEntry]:
        """List every machine as it was last described, newest first."""
        rows = self._reader.newest_by_subject("machine")
        return [MachineEntry.model_validate_json(row.body) for row in rows]

    def machine(self, machine: str) -> MachineEntry:
        """Give a machine as it was last described.

        Raises:
            InputError: nobody registered it.
        """
        history = self.machine_history(machine)
        if not history:
            raise InputError(f"machine {machine!r} is not registered; register it first")
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
        self._append([self._entry(job, event, who)], Expectation("job", str(job), 0))
        return self.state(job)

    def state(self, job: UUID) -> JobState:
        """Give a job's state.

        Raises:
            InputError: there is no such job.
        """
        rows = self._reader.of_subject("job", str(job))
        state = replay((row.n, JobEntry.model_validate_json(row.body)) for row in rows)
        if state is None:
            raise InputError(f"there is no job {job}")
        return state

    def jobs(self) -> list[JobState]:
        """List every job, the one that was worked on last first."""
        return [self.state(UUID(row.subject)) for row in self._reader.newest_by_subject("job")]

    def act(
        self,
        job: UUID,
        event: Event,
        who: Who,
        seen: int,
        *,
        readings: Sequence[ReadingDraft] = (),
        insulation_failed: Failed = lambda _step: None,
    ) -> JobState:
        """Write what a person or the watcher does, with the readings that belong to it.

        ``seen`` is the newest entry of the job that whoever acts has seen. The same id again does
        nothing and gives the state.

        Raises:
            InputError: the event does not fit; says why.
            LockedError: the step is locked; says by what.
            StaleError: somebody else has acted since; look again.
        """
        if self._reader.entry(who.id) is None:
            check(self.state(job), event, self._clock.utc(), insulation_failed)
        entry = self._entry(job, event, who)
        self._append([*readings, entry], Expectation("job", str(job), seen))
        return self.state(job)

    def readings_of(self, state: JobState) -> Mapping[UUID, dict[str, object]]:
        """Give the stored readings that hold in a job, by id."""
        found: dict[UUID, dict[str, object]] = {}
        for step in state.steps.values():
            for reading in step.readings:
                row = self._reader.entry(reading)
                if row is not None:
                    found[reading] = json.loads(row.body)
        return found

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
            raise InputError("; ".join(fault_lines(error))) from error
