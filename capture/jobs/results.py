"""From a job to results: its readings become a test set, the test set is judged, results are kept.

What the readings so far allow is computed; what they do not allow yet is named, never guessed.
Whether insulation holds pulses back follows from the same numbers, whoever adopted the limit: a
lock is no verdict.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any
from uuid import UUID

from pydantic import ValidationError

from capture.errors import InputError
from capture.jobs.found import JobResults, Uncomputed, as_void, doubt_of, lacking_words
from capture.jobs.memory import StateMemory
from capture.jobs.procedure import INSULATION
from capture.jobs.service import Append, JobService
from capture.jobs.state import JobState, JobStatus, StepStatus
from capture.jobs.taken import (
    KINDS,
    Readings,
    celsius_of,
    condition_of,
    of_step,
    one_line_of,
    taken_of,
)
from capture.journal import Expectation, StaleError
from capture.judging import Assessment, Named, assess, records
from capture.model.machine import MachineEntry
from capture.model.result import ResultRecord
from capture.model.status import Status
from capture.model.testset import SetConditions, SetMachine, SetReading, TestSet

#: What a verdict holds for: the job, its newest entry, the one that described its machine last.
Told = tuple[UUID, int, int]
_MOST_TOLD = 20_000  # verdicts remembered, a line each
_CACHED = 64  # jobs and states of jobs whose results are remembered
#: Temperature that resistances are brought to, °C, where a site says nothing (IEEE Std 112, from
#: memory; product sheets after IEC use 20).
REFERENCE_CELSIUS = 25.0
#: Least insulation that any winding must have at 40 °C, Ω: (kV + 1) MΩ for no kV at all, the lowest
#: row of the table (IEEE Std 43-2013, 12.3, from public texts).
_FLOOR_OHMS = 1e6
_MINUTE = 60.0  # s
_UNCORRECTED = 40.0  # °C at which a value is left as it is
_FAILED_OUTRIGHT = frozenset({Status.BREAKDOWN, Status.ABORTED, Status.LIVE_VOLTAGE})


def compute(
    state: JobState,
    machine: MachineEntry,
    readings: Readings,
    time: datetime,
    site_limits: Mapping[str, Mapping[str, object]] | None = None,
    reference_celsius: float = REFERENCE_CELSIUS,
) -> JobResults:
    """Compute and judge what the readings of a job allow. Pure."""

    def set_of(readings: Sequence[SetReading], quantity: str, asked: Sequence[str] = ()) -> TestSet:
        celsius = celsius_of(state, quantity, notes)
        return _test_set(state, machine, readings, asked, celsius, reference_celsius)

    notes: list[str] = []
    uncomputed: list[Uncomputed] = []
    steps = tuple(
        dict.fromkeys(
            KINDS[step.step.quantity]
            for step in state.steps.values()
            if step.step.quantity in KINDS
        )
    )
    groups = taken_of(state, readings, notes)
    usable: list[SetReading] = []
    results: list[Named] = []
    for quantity in KINDS:
        group = groups.get(quantity, [])
        if not group:
            continue
        try:
            # By itself, for its own temperature, which the others may not have been taken at.
            found = assess(set_of(group, quantity), site_limits)
        except (InputError, ValidationError) as error:
            notes.append(f"{quantity}: {one_line_of(error)}")
            uncomputed.append(Uncomputed.of(quantity, error))
        else:
            usable += group
            results += found.results
            notes += found.notes
    without = _without_result(state, [each.quantity for each in uncomputed])
    if not usable:
        missing = tuple(each for each in steps if each not in without)
        return JobResults(
            sentence=f"Nothing can be said yet: {_lacking(missing, without)}.",
            verdict="inconclusive",
            doubt=lacking_words(missing, without),
            not_run=missing,
            notes=tuple(notes),
            uncomputed=tuple(uncomputed),
            without_result=without,
        )
    try:
        assessment = assess(set_of(usable, INSULATION, steps), site_limits, without)
    except InputError as error:
        # Each kind is sound by itself; together they contradict each other.
        return JobResults(
            sentence=f"The readings do not fit together: {error}.",
            verdict="inconclusive",
            doubt=f"the readings do not fit together: {error}",
            notes=tuple(dict.fromkeys((*notes, str(error)))),
            uncomputed=tuple(uncomputed),
        )
    assessment = replace(assessment, results=tuple(results))
    made = records(assessment, machine=state.machine, time=time, job=state.job)
    return JobResults(
        sentence=sentence(assessment),
        verdict=assessment.overall.verdict.value,
        doubt=doubt_of(assessment, made),
        results=tuple(made),
        suspicion=assessment.suspicion,
        not_run=assessment.not_run,
        notes=tuple(dict.fromkeys((*notes, *assessment.notes))),
        uncomputed=tuple(uncomputed),
        without_result=assessment.without_result,
    )


def _without_result(state: JobState, quantities: Sequence[str]) -> tuple[str, ...]:
    """Name the kinds of test that were done for nothing: no more of their values is to come."""
    going_on = state.status in (JobStatus.RUNNING, JobStatus.PAUSED)
    open_ = {
        step.step.quantity
        for step in state.steps.values()
        if step.status is StepStatus.OPEN and going_on
    }
    return tuple(dict.fromkeys(KINDS[each] for each in quantities if each not in open_))


def _lacking(missing: Sequence[str], without: Sequence[str]) -> str:
    parts = [f"{', '.join(missing)} still to be done"] if missing else []
    parts += [f"{', '.join(without)} taken, without a result"] if without else []
    return "; ".join(parts)


def sentence(assessment: Assessment) -> str:
    """Say in one sentence what the numbers mean."""
    overall = assessment.overall
    whole = f"overall {overall.verdict.value} ({overall.reason})"
    suspicion = assessment.suspicion
    if suspicion is None or not suspicion.words:
        return f"{whole[:1].upper()}{whole[1:]}."
    words = suspicion.words[0]
    return f"{words[:1].upper()}{words[1:]}; {whole}."


def insulation_failed(
    state: JobState, machine: MachineEntry, readings: Readings, step_id: str
) -> bool | None:
    """Tell whether the insulation reading of a step has failed; None where it cannot be judged.

    A breakdown has failed outright, and so has a reading that tells nothing. Otherwise the
    one-minute value at 40 °C is held against the least that the nameplate asks for, whether or not
    the site has adopted that limit; where the nameplate does not tell, against the least of all.
    Where nobody knows the kind of winding, what may be too little counts as too little.
    Where the winding's temperature is not known, the value is taken as it is: below 40 °C that
    flatters it, so what fails all the same has failed. Parts that were read one after the other,
    such as three phases of one display, stand for the whole as all of them side by side.
    """
    step = state.step(step_id)
    for reading in step.readings:
        if readings.get(reading, {}).get("status") in _FAILED_OUTRIGHT:
            return True
    group = [each for each in of_step(step, readings, []) if _tells(each)]
    if not group:
        return True if step.readings else None
    if len(group) == 1 or len({each.test_point for each in group}) > 1:
        group = [_after_a_minute(each) for each in group]
    celsius = condition_of(state, INSULATION, "winding_celsius")
    try:
        assessment = assess(
            _test_set(state, machine, group, (), _UNCORRECTED if celsius is None else celsius, None)
        )
    except (InputError, ValidationError):
        return None
    found = [
        named.result
        for named in assessment.results
        if named.name.startswith("insulation resistance")
    ]
    # "above" a bound that is itself under the limit says nothing; it counts as failed until a
    # reading says more. "below" a bound never says that it is enough.
    for result in found:
        limit = _FLOOR_OHMS if result.judgement is None else result.judgement.limit
        if result.bound == "below" or result.value < limit:
            return True
    if any(each.judgement is not None for each in found):
        parts = [each for each in found if each.judgement is not None]
        limit = max(each.judgement.limit for each in parts if each.judgement is not None)
        if len(parts) > 1 and 1 / sum(1 / each.value for each in parts) < limit:
            return True
    return False if found and all(each.judgement is not None for each in found) else None


def _after_a_minute(reading: SetReading) -> SetReading:
    """Take a value without a time, alone or beside others, for the one-minute value it is."""
    if reading.elapsed is not None:
        return reading
    return reading.model_copy(update={"elapsed": _MINUTE})


def _tells(reading: SetReading) -> bool:
    return (
        reading.value is not None
        or reading.bound is not None
        or reading.status is Status.ABOVE_RANGE
    )


class ResultCache:
    """Remembers what was computed of jobs, for many desks of one bench and any threads.

    A job's entries, and the machine's description, are all that its results depend on: what was
    computed for them holds.

    states: the newest state seen of each job.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._held: OrderedDict[tuple[UUID, int, UUID], JobResults] = OrderedDict()
        self._told: OrderedDict[Told, tuple[str | None, str]] = OrderedDict()
        self.states = StateMemory()

    def told(self, key: Told) -> tuple[str | None, str] | None:
        """Give a verdict that was told before, with what stands behind it."""
        with self._lock:
            return self._told.get(key)

    def tell(self, key: Told, verdict: tuple[str | None, str]) -> None:
        """Remember a verdict."""
        with self._lock:
            self._told[key] = verdict
            while len(self._told) > _MOST_TOLD:
                self._told.popitem(last=False)

    def get(
        self, state: JobState, machine: MachineEntry, compute: Callable[[], JobResults]
    ) -> JobResults:
        """Give what was computed before, else compute it."""
        key = (state.job, state.last, machine.id)
        with self._lock:
            found = self._held.get(key)
        if found is None:
            found = compute()
            with self._lock:
                self._held[key] = found
                while len(self._held) > _CACHED:
                    self._held.popitem(last=False)
        return found


class ResultKeeper:
    """Keeps the stored results of jobs up to date."""

    def __init__(
        self,
        service: JobService,
        append: Append,
        site: str,
        bench: str,
        site_limits: Mapping[str, Mapping[str, object]] | None = None,
        cache: ResultCache | None = None,
        reference_celsius: float = REFERENCE_CELSIUS,
    ) -> None:
        self._service = service
        self._reference = reference_celsius
        self._cache = cache or ResultCache()
        self._append = append
        self._site = site
        self._bench = bench
        self._limits = site_limits

    @property
    def reference_celsius(self) -> float:
        """Temperature that resistances are brought to, °C."""
        return self._reference

    def now(self, state: JobState, time: datetime) -> JobResults:
        """Compute what can be said of a job."""
        machine = self._service.machine(state.machine)

        def made() -> JobResults:
            held = self._service.readings_of(state)
            found = compute(state, machine, held, time, self._limits, self._reference)
            return found if state.voided is None else as_void(found, state.voided)

        return self._cache.get(state, machine, made)

    def failed(self, state: JobState, step_id: str) -> bool | None:
        """Tell whether the insulation reading of a step has failed; None where nobody can say."""
        machine = self._service.machine(state.machine)
        return insulation_failed(state, machine, self._service.readings_of(state), step_id)

    def update(self, job: UUID, time: datetime) -> list[ResultRecord]:
        """Store the results that are new or different; give those.

        Two that do so at the same time store each result once.

        Raises:
            JournalError: nothing was stored.
        """
        for _ in range(3):
            last = self._service.last_result(job)
            made = self._different(job, self.now(self._service.state(job), time).results)
            if not made:
                return []
            try:
                self._append(made, Expectation("result", str(job), last))
            except StaleError:
                continue  # somebody else stored results of this job: look what is left to store
            return made
        return []

    def _different(self, job: UUID, results: Sequence[ResultRecord]) -> list[ResultRecord]:
        held = {each.name: _content(each) for each in self._service.results(job)}
        return [
            each.model_copy(update={"site": self._site, "bench": self._bench})
            for each in results
            if held.get(each.name) != _content(each)
        ]


def _content(record: ResultRecord) -> dict[str, Any]:
    return record.model_dump(exclude={"id", "time", "site", "bench"})


def _test_set(
    state: JobState,
    machine: MachineEntry,
    readings: Sequence[SetReading],
    steps: Sequence[str],
    winding_celsius: float | None,
    reference_celsius: float | None,
) -> TestSet:
    plate = machine.nameplate
    return TestSet.model_validate(
        {
            "machine": SetMachine.model_validate(
                {
                    "id": state.machine,
                    "connection": plate.connection,
                    "winding": plate.winding,
                    "rated_volts": plate.rated_volts,
                    "rotor_volts": plate.rotor_volts,
                    "excitation_volts": plate.excitation_volts,
                    "year": plate.year,
                    "thermal_class": plate.thermal_class,
                    "insulation": plate.insulation,
                    "parallel_paths": plate.parallel_paths,
                    "zero_resistance_celsius": plate.zero_resistance_celsius,
                }
            ),
            "conditions": SetConditions(
                rotor=state.conditions.rotor or "unknown",
                winding_celsius=winding_celsius,
                reference_celsius=reference_celsius,
            ),
            "steps": tuple(steps),
            "readings": tuple(readings),
        }
    )
