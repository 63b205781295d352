"""Jobs in the journal as somebody looks at them: their states, lists of them, what they found.

Nothing here writes. What was replayed is remembered, so that a look reads only what is new.
"""

import json
from collections.abc import Iterator, Mapping
from contextlib import suppress
from typing import Any
from uuid import UUID

from pydantic_core import from_json

from capture.clock import Clock
from capture.errors import InputError, NotThereError
from capture.jobs.memory import StateMemory
from capture.jobs.owed import owed
from capture.jobs.state import OVER, JobState, JobStatus, apply, replay
from capture.journal import JournalReader, Row
from capture.model.job import JobEntry
from capture.model.result import ResultRecord

_ENDINGS = frozenset({"finished", "signed-off"})
_CHANGES_RESULTS = frozenset({"taken", "redone", "conditions"})


def ended(body: bytes) -> str:
    """Tell how an entry ends its job; empty where it does not, or cannot be read.

    One that ends it is mostly a job's newest, so the rest need not be replayed to know that.
    """
    try:
        event = from_json(body)["event"]
        return str(event["action"]) if event["action"] in _ENDINGS else "voided" * _voids(event)
    except (ValueError, TypeError, KeyError):
        return ""


def changes_results(event: Mapping[str, Any]) -> bool:
    """Tell whether results have to be computed anew after an event, as it is stored."""
    return event["action"] in _CHANGES_RESULTS or _voids(event)


def _voids(event: Mapping[str, Any]) -> bool:
    return event.get("voids") is True


class JobLook:
    """The jobs of one bench as the journal tells them. Used by one thread at a time."""

    def __init__(self, reader: JournalReader, clock: Clock, memory: StateMemory) -> None:
        self._reader = reader
        self._clock = clock
        self._memory = memory

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

    def under_way(self) -> list[JobState]:
        """Give the jobs that run or are paused, the one with the newest entry first.

        Of the others no more is read than tells that they are over, and of each that only once.
        """
        found = [self.look(job) for job in self.perhaps_under_way()]
        return [state for state in found[::-1] if state.status not in OVER]

    def perhaps_under_way(self) -> list[UUID]:
        """List the jobs that are not known to be over, in the order of their newest entries."""
        numbers = [
            n for job, n in self._reader.newest_of_each("job") if not self._memory.is_over(job)
        ]
        found = []
        for row in self._reader.numbered(numbers):
            if ended(row.body):
                self._memory.over(row.subject)
            else:
                found.append(UUID(row.subject))
        return found

    def look(self, job: UUID) -> JobState:
        """Give a job's state, and remember where it is over.

        Raises:
            NotThereError: there is no such job.
        """
        state = self.state(job)
        if state.status in OVER:
            self._memory.over(str(job))
        return state

    def signed_off(self) -> list[UUID]:
        """List the jobs that somebody stands for, in the order of their newest entries.

        Only those are replayed of which the newest entry does not tell.
        """
        found = []
        for row in self._reader.numbered([n for _, n in self._reader.newest_of_each("job")]):
            end, job = ended(row.body), UUID(row.subject)
            if end == "signed-off" or (not end and self._as_of(row).status is JobStatus.SIGNED_OFF):
                found.append(job)
        return found

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
        found = [self.state(job) for job in self.begun_on(machine)]
        return sorted(found, key=lambda each: each.last, reverse=True)

    def open_on(self, machine: str) -> list[JobState]:
        """List the jobs of a machine that run or are paused, the newest first.

        One that cannot be read is left out: it keeps no other from being begun.
        """
        found = [self._as_far_as_read(job) for job in self.begun_on(machine)]
        open_ = [each for each in found if each is not None and each.status not in OVER]
        return sorted(open_, key=lambda each: each.last, reverse=True)

    def begun_on(self, machine: str) -> list[UUID]:
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
        others = [job for job in self.begun_on(state.machine) if job != state.job]
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

    def last_record(self, job: UUID) -> Row | None:
        """Give the newest version of a job's record, if one was made."""
        rows = self._reader.of_subject("record", str(job))
        return rows[-1] if rows else None

    def results_are_due(self, job: UUID) -> bool:
        """Tell whether something was taken, opened again or changed since results were stored."""
        rows = self._reader.of_subject("job", str(job), after=self.last_result(job))
        return any(changes_results(json.loads(row.body)["event"]) for row in rows)

    def with_results_due(self) -> list[UUID]:
        """List the jobs of which something happened since their results were stored that asks for.

        Read at once for all of them, and of each job only what came after its newest result.
        """
        found = {}
        for row in self._reader.since_newest("job", "result"):
            with suppress(ValueError, TypeError, KeyError):
                if changes_results(from_json(row.body)["event"]):
                    found[row.subject] = True
        return [UUID(job) for job in found]

    def last_result(self, job: UUID) -> int:
        """Give the number of a job's newest stored result; 0 where there is none."""
        rows = self._reader.of_subject("result", str(job))
        return rows[-1].n if rows else 0

    def results(self, job: UUID) -> list[ResultRecord]:
        """Give the stored results of a job, oldest first; of one name the last one holds."""
        rows = self._reader.of_subject("result", str(job))
        return [ResultRecord.model_validate_json(row.body) for row in rows]


def _machine_in(body: bytes) -> str:
    """Give the machine that a job's first entry names; empty where it names none, or is damaged."""
    try:
        return str(from_json(body)["event"]["machine"])
    except (ValueError, TypeError, KeyError):
        return ""
