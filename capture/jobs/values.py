"""What one job found, value by value, so that it can stand beside what other jobs found. Pure.

Two values are comparable where their `Kind` is the same: same quantity, test point, temperature,
frequency, rotor, place of measurement.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any, Literal, cast
from uuid import UUID

from capture.errors import InputError
from capture.jobs.state import JobState, StepStatus
from capture.jobs.taken import Readings, celsius_of, condition_of, of_step, one_line_of
from capture.judging.gather import as_number
from capture.model.job import JobConditions
from capture.model.machine import MachineEntry
from capture.model.result import ResultRecord
from capture.model.testset import SetReading
from capture.winding import Bounded, Measured, Result, WindingError, correct_resistance

Bound = Literal["above", "below"]
Rotor = Literal["in", "out", "unknown"]

#: What computed values are values of: beginning of the formula's name, quantity, what an unbalance
#: is one of, and the readings behind it.
_COMPUTED = (
    ("unbalance-", "unbalance", "resistance", "resistance"),
    ("inductance-unbalance-", "unbalance", "inductance", "inductance"),
    ("pulse-deviation-", "pulse_deviation", None, "pulse_time"),
    ("insulation-at-40", "insulation_resistance", None, "insulation_resistance"),
    ("polarization-index", "polarization_index", None, "insulation_resistance"),
    ("absorption-ratio-", "absorption_ratio", None, "insulation_resistance"),
)
_INSULATION_CELSIUS = 40.0
#: Standard uncertainty of a winding's temperature, K: 0.2 % of a resistance, mostly more than the
#: instrument's own (common practice, no source).
_CELSIUS_STANDARD = 0.5
_AS_READ = frozenset({"resistance", "inductance", "pulse_time"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What must agree for two values to be comparable. See `Comparable` for the members."""

    quantity: str
    point: str
    unit: str
    name: str = ""
    of: str | None = None
    formula: str | None = None
    reference_celsius: float | None = None
    hertz: float | None = None
    rotor: Rotor | None = None
    law: str | None = None
    measured_at: str | None = None

    def members(self) -> dict[str, Any]:
        """Give what it says as members of a `Comparable`."""
        return {**asdict(self), "name": self.name or None}


@dataclass(frozen=True, slots=True, kw_only=True)
class JobValue:
    """One value of a job; ``value`` is None where only a bound is known.

    Attributes:
        standard: standard uncertainty, where one is known.
        time: when the newest reading behind it was taken.
        judged: limit and verdict, where there was a limit.
    """

    kind: Kind
    value: float | None
    time: datetime
    bound: Bound | None = None
    bound_value: float | None = None
    standard: float | None = None
    judged: ResultRecord | None = None


def job_values(
    state: JobState,
    machine: MachineEntry,
    readings: Readings,
    results: Sequence[ResultRecord],
    reference_celsius: float,
) -> tuple[list[JobValue], list[str]]:
    """Give what a job found, and what could not be made comparable, with the reason.

    Resistance is brought to ``reference_celsius`` by the machine's own k, as it is known now, with
    half a kelvin of standard uncertainty for the winding's temperature.
    Insulation is compared by its value at 40 °C, unbalances and deviations as they were computed.
    Inductances at rotor angles are left out: angles count from wherever the rotor stood that day.
    """
    notes: list[str] = []
    found: dict[Kind, JobValue] = {}
    behind: dict[str, list[_Read]] = {}
    for step in state.steps.values():
        if step.status is not StepStatus.TAKEN:
            continue
        for reading in of_step(step, readings, []):
            if reading.quantity == step.step.quantity:
                read = _Read(reading, step.conditions, _time_of(reading, readings, state))
                behind.setdefault(reading.quantity, []).append(read)
    celsius = celsius_of(state, "resistance", [])
    for quantity in sorted(_AS_READ & behind.keys()):
        for read in behind[quantity]:
            value = _as_read(state, machine, read, celsius, reference_celsius, notes)
            if value is not None:
                found[value.kind] = value  # of several the last one, as everywhere
    holding = {read.reading.id for reads in behind.values() for read in reads}
    for record in {each.name: each for each in results}.values():
        value = _computed(state, record, behind, holding)
        if value is not None:
            found[value.kind] = value
    return list(found.values()), list(dict.fromkeys(notes))


@dataclass(frozen=True, slots=True)
class _Read:
    reading: SetReading
    conditions: JobConditions
    time: datetime


def _time_of(reading: SetReading, readings: Readings, state: JobState) -> datetime:
    body = readings.get(UUID(reading.id)) if reading.id else None
    return state.started if body is None else datetime.fromisoformat(str(body["time"]))


def _as_read(
    state: JobState,
    machine: MachineEntry,
    read: _Read,
    celsius: float | None,
    reference: float,
    notes: list[str],
) -> JobValue | None:
    reading = read.reading
    point = reading.test_point or "no test point"
    try:
        number = as_number(reading)
    except InputError as error:
        notes.append(one_line_of(error))
        return None
    kind = Kind(
        quantity=reading.quantity,
        point=point,
        unit=reading.unit,
        measured_at=read.conditions.measured_at or state.conditions.measured_at,
    )
    match reading.quantity:
        case "resistance":
            if "frequency" in reading.conditions:
                return None  # of an LCR meter's frame; the winding's own is measured with DC
            return _resistance(kind, number, read, machine, celsius, reference, notes)
        case "inductance":
            if read.conditions.rotor_degrees is not None:
                return None
            kind = replace(kind, hertz=_hertz(reading), rotor=_rotor(state, read))
        case _:
            kind = replace(kind, law=_law(reading))
    return _value(kind, number, read.time)


def _resistance(
    kind: Kind,
    number: Measured | Bounded,
    read: _Read,
    machine: MachineEntry,
    celsius: float | None,
    reference: float,
    notes: list[str],
) -> JobValue | None:
    k = machine.nameplate.zero_resistance_celsius
    if isinstance(number, Bounded):
        return None  # an open pair has no resistance to compare
    if celsius is None or k is None:
        what = "winding's temperature" if celsius is None else "conductor's constant k"
        notes.append(f"resistance: the {what} is not known, so it is not comparable")
        return None
    # Without the instrument's own uncertainty that of the thermometer alone would mislead.
    spread = _CELSIUS_STANDARD if number.standard_uncertainty else 0.0
    at = Measured(value=celsius, random=spread, unit="Cel")
    try:
        corrected = correct_resistance(number, at, reference, k)
    except WindingError as error:
        notes.append(f"resistance {kind.point}: {error}")
        return None
    return _value(replace(kind, reference_celsius=reference), corrected, read.time)


def _value(kind: Kind, number: Measured | Bounded | Result, time: datetime) -> JobValue:
    if isinstance(number, Bounded):
        return JobValue(
            kind=kind, value=None, bound=number.side, bound_value=number.bound, time=time
        )
    standard = number.standard_uncertainty
    return JobValue(kind=kind, value=number.value, standard=standard or None, time=time)


def _computed(
    state: JobState,
    record: ResultRecord,
    behind: Mapping[str, Sequence[_Read]],
    holding: set[str],
) -> JobValue | None:
    computed = next((each for each in _COMPUTED if record.formula.startswith(each[0])), None)
    if computed is None:
        return None
    begins, quantity, of, source = computed
    if not set(record.inputs) <= holding:
        return None  # of readings that were taken again since
    reads = [
        each
        for each in behind.get(source, ())
        if not record.inputs or each.reading.id in record.inputs
    ]
    if not reads:
        return None
    first = reads[0]
    kind = Kind(
        quantity=quantity,
        point=", ".join(dict.fromkeys(each.reading.test_point or "?" for each in reads)),
        unit=record.unit,
        name=record.name,
        of=of,
        formula=record.formula,
        reference_celsius=_INSULATION_CELSIUS if begins == "insulation-at-40" else None,
        hertz=_hertz(first.reading) if source == "inductance" else None,
        rotor=_rotor(state, first) if source == "inductance" else None,
        law=_law(first.reading) if source == "pulse_time" else None,
        measured_at=first.conditions.measured_at or state.conditions.measured_at,
    )
    spread = record.uncertainty
    return JobValue(
        kind=kind,
        value=record.value,
        bound=record.bound,
        bound_value=record.bound_value,
        standard=None if spread is None else spread.expanded / spread.coverage_factor,
        time=max(each.time for each in reads),
        judged=record,
    )


def _hertz(reading: SetReading) -> float | None:
    found = reading.conditions.get("frequency")
    return None if found is None or isinstance(found, str | bool) else found.value


def _law(reading: SetReading) -> str:
    return str(reading.conditions.get("law", "unknown"))


def _rotor(state: JobState, read: _Read) -> Rotor:
    found = read.conditions.rotor or condition_of(state, "inductance", "rotor")
    return cast("Rotor", found or "unknown")
