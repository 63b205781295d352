"""What people, and the watcher, do in jobs: one place for the command line, the API and itself.

An act is checked, written with what belongs to it (readings, tags, the voltage that was applied)
in one transaction, and what follows for the results is computed and stored.

One class, since whoever acts has one door; what an act is checked by stands in files of its own.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from uuid import UUID

from pydantic import ValidationError

from capture.clock import Clock
from capture.errors import InputError, NotThereError
from capture.faults import one_line
from capture.jobs.doubting import doubts_of
from capture.jobs.earlier import insulation_of
from capture.jobs.energy import ENERGY_LIMIT_JOULES, amperes_of, needs_ramp_down
from capture.jobs.fit import elapsed_of, of_energy, points_of, refuse_twice, value_of
from capture.jobs.found import JobResults
from capture.jobs.keyed import KeyedValues, drafts_of, typed_in
from capture.jobs.plausible import Doubt, DoubtError
from capture.jobs.procedure import Step
from capture.jobs.results import REFERENCE_CELSIUS, ResultCache, ResultKeeper
from capture.jobs.service import Append, JobService, Who
from capture.jobs.shown import look
from capture.jobs.state import JobState, StepStatus
from capture.jobs.tagged import Tagger
from capture.jobs.told import Verdicts
from capture.jobs.twice import refuse_stale
from capture.jobs.view import Sight, job_view, summary
from capture.journal import JournalReader, Row
from capture.model import (
    ReadingDraft,
    Tag,
)
from capture.model.job import (
    Applied,
    ConditionsChanged,
    Event,
    Finished,
    JobConditions,
    JobEntry,
    Noted,
    Redone,
    SignedOff,
    Taken,
)
from capture.winding import load_limits

_RECOMPUTE = (Taken, Redone, ConditionsChanged)
#: After these a value that was shown before belongs to something else.
_OPENING = frozenset({"started", "taken", "redone", "resumed"})


class Desk:
    """Everything that can be done in the jobs of one bench. Used by one thread at a time."""

    def __init__(
        self,
        reader: JournalReader,
        append: Append,
        clock: Clock,
        site: str,
        bench: str,
        *,
        site_limits: Mapping[str, Mapping[str, object]] | None = None,
        energy_limit_joules: float = ENERGY_LIMIT_JOULES,
        cache: ResultCache | None = None,
        reference_celsius: float = REFERENCE_CELSIUS,
    ) -> None:
        cache = cache or ResultCache()
        self.service = JobService(reader, append, clock, site, bench, cache.states)
        self.results = ResultKeeper(
            self.service, append, site, bench, site_limits, cache, reference_celsius
        )
        self._reader = reader
        self._clock = clock
        self._site = site
        self._bench = bench
        self._energy_limit = energy_limit_joules
        self._limits = load_limits(site=site_limits)
        self.told = Verdicts(self.service, self.results, cache)
        self._tagger = Tagger(reader, clock, site, bench)

    @property
    def reader(self) -> JournalReader:
        """The journal as this desk reads it."""
        return self._reader

    # ── acts ─────────────────────────────────────────────────────────────────────────────────

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
    ) -> JobState:
        """Write an event, and what follows from it for the results.

        Raises:
            InputError, LockedError, StaleError: see `JobService.act`.
        """
        voids = isinstance(event, Noted) and event.voids
        if isinstance(event, Finished | SignedOff):
            event = self.told.stated(self.service.state(job), event, who, self._clock.utc())
        elif isinstance(event, Noted) and event.voids:
            tags = [*tags, *self._tagger.voided(self.service.state(job), event.text, who)]
        state = self.service.act(
            job,
            event,
            who,
            seen,
            also=also,
            readings=readings,
            tags=tags,
            insulation_failed=self.results.failed,
        )
        if voids or isinstance(event, _RECOMPUTE):
            self.results.update(job, self._clock.utc())
        return state

    def take(
        self,
        job: UUID,
        step_id: str,
        readings: Sequence[UUID],
        who: Who,
        seen: int,
        *,
        how: str = "operator",
        conditions: JobConditions | None = None,
        applied_seconds: float | None = None,
    ) -> JobState:
        """Take stored readings for a step; each is tagged with the machine and the test point.

        Without ``readings`` it is the newest, as `newest` finds it; handed in again, what was the
        newest then. After a test voltage, its time is written down: ``applied_seconds``, else the
        largest that the readings or the step tell.

        Raises:
            InputError: a reading is not there or does not fit; and as for `act`.
        """
        state = self.service.state(job)
        step = state.step(step_id).step
        known = self._reader.entry(who.id)
        if not readings:
            readings = self.newest(job, step_id) if known is None else _taken_by(known).readings
        bodies = [self._body(reading) for reading in readings]
        if known is None:
            refuse_twice(state, step, readings, bodies)
        taken = self._taken(state, step, readings, how, conditions, bodies, known)
        points = points_of(step, bodies)
        tags = [
            self._tagger.taken(state, step, body, point, who)
            for body, point in zip(bodies, points, strict=True)
        ]
        also = self._applied(step, applied_seconds, [elapsed_of(body) for body in bodies])
        return self.act(job, taken, who, seen, also=also, tags=tags)

    def newest(self, job: UUID, step_id: str) -> list[UUID]:
        """Give the newest reading of a step's quantity, with what stood beside it in its frame.

        Raises:
            InputError: there is none since the step was opened, or it was taken already.
        """
        state = self.service.state(job)
        if state.step(step_id).status is StepStatus.TAKEN:
            raise InputError(f"step {step_id} has been taken; redo it, with a reason, before that")
        step = state.step(step_id).step
        for row in self._reader.newest(
            step.quantity, since=self.opened(job), instrument=step.instrument
        ):
            body = self._content(row.body)
            if body["status"] != "stale" and of_energy(step, body):
                return [row.id, *self.beside(row.n, body)]
        raise InputError(
            f"no reading of {step.quantity} has come since step {step_id} was opened; put the "
            "leads on, or key the value"
        )

    def beside(self, n: int, body: Mapping[str, Any]) -> list[UUID]:
        """Give the readings that stood in the same frame as this one, which has the number n."""
        group = body.get("group")
        if not group:
            return []
        found = []
        for row in self._reader.after(max(0, n - 12), 24):
            if row.kind == "reading" and row.instrument == body["instrument"] and row.n != n:
                other = self._content(row.body)
                if other.get("group") == group and other.get("session") == body.get("session"):
                    found.append(row.id)
        return found

    def key(
        self,
        job: UUID,
        step_id: str,
        keyed: KeyedValues,
        who: Who,
        seen: int,
        *,
        conditions: JobConditions | None = None,
        applied_seconds: float | None = None,
    ) -> JobState:
        """Take keyed values for a step: all that stand on the display at once, or none.

        Raises:
            InputError: a value cannot be taken, or two keyings differ; says which.
            DoubtError: a value is not likely and nobody has confirmed it; nothing is stored.
        """
        known = self._reader.entry(who.id)
        state = self.service.state(job)
        step = state.step(step_id).step
        if known is None:
            refuse_stale(state, seen)
        drafts, deviation = drafts_of(state, step, keyed)
        self._refuse_used_ids([*drafts, *([] if deviation is None else [deviation])], known)
        if known is None and not keyed.confirmed:
            found = self.doubts(state, step, drafts, deviation)
            if found:
                raise DoubtError(found)
        taken = self._taken(
            state,
            step,
            [draft.id for draft in drafts],
            "keyed",
            conditions,
            [draft.model_dump() for draft in drafts],
            known,
        )
        also = self._applied(
            step,
            applied_seconds,
            [None if draft.series is None else draft.series.elapsed for draft in drafts],
        )
        more = [] if deviation is None else [deviation]
        return self.act(job, taken, who, seen, also=also, readings=[*drafts, *more])

    def doubts(
        self,
        state: JobState,
        step: Step,
        drafts: Sequence[ReadingDraft],
        deviation: ReadingDraft | None = None,
    ) -> list[Doubt]:
        """List what is odd about values that are to be taken for a step."""
        return doubts_of(self.service, self._reader, state, step, drafts, deviation)

    def view(self, state: JobState) -> dict[str, Any]:
        """Write a job out as people see it."""
        now = self._clock.utc()

        def reading(id_: UUID) -> dict[str, Any] | None:
            row = self._reader.entry(id_)
            return None if row is None else self._content(row.body)

        return job_view(
            Sight(
                state=state,
                machine=self.service.machine(state.machine),
                results=self.results.now(state, now),
                readings=reading,
                limits=self._limits,
                failed=lambda step: self.results.failed(state, step),
                now=now,
                insulation=lambda: self.known_insulation(state.machine),
                shown=look(self.service, self._reader, state),
            )
        )

    def known_insulation(self, machine: str) -> str:
        """Say what the newest insulation test of a machine was, over all of its jobs."""
        return insulation_of(self.service.jobs_of(machine), self.results.failed)

    def list_page(
        self, *, before: int | None = None, limit: int
    ) -> tuple[list[dict[str, Any]], int | None]:
        """List up to ``limit`` jobs, the one that was worked on last first, and what goes on.

        The second is the ``before`` of the next page; None where there is none.
        """
        page = self.service.page(before=before, limit=limit + 1)
        more = page[limit - 1][0] if len(page) > limit else None
        return self.listed([state for _, state in page[:limit]]), more

    def listed(self, states: Iterable[JobState]) -> list[dict[str, Any]]:
        """Write jobs out as a list has them, each with its verdict."""
        now, told = self._clock.utc(), []
        for state in states:
            verdict = self.told.of(state, now)
            told.append({**summary(state), "verdict": verdict.verdict, "doubt": verdict.doubt})
        return told

    def now(self, job: UUID) -> JobResults:
        """Give what can be said of a job now."""
        return self.results.now(self.service.state(job), self._clock.utc())

    def opened(self, job: UUID) -> int:
        """Give the number of the entry since which readings may belong to the open step."""
        opening = [
            row.n
            for row in self._reader.of_subject("job", str(job))
            if json.loads(row.body)["event"]["action"] in _OPENING
        ]
        return opening[-1] if opening else 0

    def complete(self, job: UUID) -> None:
        """Store the results that a crash has left out, should it have left any."""
        if self.service.results_are_due(job):
            self.results.update(job, self._clock.utc())

    # ── parts ────────────────────────────────────────────────────────────────────────────────

    def _taken(
        self,
        state: JobState,
        step: Step,
        readings: Sequence[UUID],
        how: str,
        conditions: JobConditions | None,
        bodies: Sequence[Mapping[str, Any]],
        known: Row | None,
    ) -> Taken:
        ramp_down = self._ramp_down(state, step, bodies)
        if known is not None:
            # The same act once more: what followed from the job's state then is what holds.
            ramp_down = _taken_by(known).ramp_down
        try:
            return Taken.model_validate(
                {
                    "step": step.id,
                    "readings": tuple(readings),
                    "how": how,
                    "conditions": conditions or JobConditions(),
                    "ramp_down": ramp_down,
                }
            )
        except ValidationError as error:
            raise InputError(one_line(error)) from error

    def _refuse_used_ids(self, drafts: Sequence[ReadingDraft], known: Row | None) -> None:
        """Refuse an id under which something else is stored: what is typed now would be lost."""
        for draft in drafts:
            row = self._reader.entry(draft.id)
            if row is None:
                continue
            typed = typed_in(draft.source.model_dump()) or draft.digits
            if known is None or row.kind != "reading":
                raise InputError(
                    f"{typed!r}: the id {draft.id} belongs to another entry; make a new id for "
                    "each value"
                )
            stored = typed_in(self._content(row.body)["source"])
            if stored != typed:
                raise InputError(
                    f"{typed!r} is stored as {stored!r} already; redo the step to change it"
                )

    def _body(self, reading: UUID) -> dict[str, Any]:
        row = self._reader.entry(reading)
        if row is None or row.kind != "reading":
            raise NotThereError(f"there is no reading {reading}; `benchtally readings` lists them")
        return self._content(row.body)

    @staticmethod
    def _content(body: bytes) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(body)
        return found

    @staticmethod
    def _applied(step: Step, given: float | None, elapsed: Sequence[float | None]) -> list[Event]:
        """Write down for how long a test voltage was on the winding."""
        if step.energy != "test-voltage":
            return []
        told = [each for each in (*step.take.at_s, *elapsed) if each]
        seconds = given if given is not None else max(told, default=60.0)
        try:
            return [Applied(step=step.id, seconds=seconds)]
        except ValidationError as error:
            raise InputError(one_line(error)) from error

    def _ramp_down(
        self, state: JobState, step: Step, bodies: Sequence[Mapping[str, Any]]
    ) -> bool | None:
        """Tell whether the leads must wait for the meter's current; None for no current."""
        if step.energy != "direct-current":
            return None
        henries = None
        held = self.service.readings_of(state)
        for other in state.steps.values():
            if other.step.quantity == "inductance" and other.step.points == step.points:
                values = [value_of(held.get(id_, {}), "inductance") for id_ in other.readings]
                henries = next((v for v in values if v is not None), None)
        needed, _words = needs_ramp_down(
            henries, amperes_of(bodies), self._energy_limit, direct_current=True
        )
        return needed


def _taken_by(known: Row) -> Taken:
    """Give the taking that an id was used for.

    Raises:
        InputError: it was used for something else.
    """
    event = JobEntry.model_validate_json(known.body).event if known.kind == "job" else None
    if not isinstance(event, Taken):
        raise InputError(f"the id {known.id} belongs to another entry; make a new one for each act")
    return event
