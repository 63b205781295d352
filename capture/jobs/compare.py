"""Two jobs side by side: incoming against after rewind, one machine against its sister."""

from collections.abc import Iterator
from datetime import datetime
from math import hypot
from uuid import UUID

from capture.errors import InputError
from capture.jobs.desk import Desk
from capture.jobs.state import JobState
from capture.jobs.trends import place_of, trend_point, values_of
from capture.jobs.values import JobValue, Kind
from capture.model.comparison import ComparedJob, ComparedValue, Comparison, Finding
from capture.model.machine import MachineEntry
from capture.winding.measured import COVERAGE_FACTOR

#: On a nameplate these tell one machine from its sister, not one kind of machine from another.
_OWN = frozenset({"serial", "order", "label", "description"})
_CONDITIONS = ("state", "rotor", "measured_at")


def compare(desk: Desk, first: UUID, second: UUID, now: datetime) -> Comparison:
    """Put the values of two jobs beside each other, those with limits first.

    Only values of the same quantity, test point, frequency and so on stand beside each other, and
    resistances at one temperature. A difference counts where it is larger than its expanded
    uncertainty: the two jobs are taken to share nothing, which is on the careful side.

    Raises:
        InputError: it is one job, twice.
        NotThereError: there is no such job.
    """
    if first == second:
        raise InputError("a job compared with itself tells nothing; name two jobs")
    states = desk.service.state(first), desk.service.state(second)
    machines = [desk.service.machine(state.machine) for state in states]
    found: list[dict[Kind, JobValue]] = []
    left_out: list[str] = []
    for place, state, machine in zip(("first", "second"), states, machines, strict=True):
        if state.voided is not None:
            left_out.append(f"{place} job is void, so none of its values: {state.voided.reason}")
            found.append({})
            continue
        values, notes = values_of(desk, state, machine)
        found.append({value.kind: value for value in values})
        left_out += [f"{place} job: {note}" for note in notes]
    kinds = sorted(set(found[0]) | set(found[1]), key=_order)
    return Comparison(
        site=machines[0].site,
        bench=machines[0].bench,
        time=now,
        first=_job(desk, states[0], now),
        second=_job(desk, states[1], now),
        values=tuple(
            _value(kind, (first, found[0].get(kind)), (second, found[1].get(kind)))
            for kind in kinds
        ),
        differences=tuple(_differences(states, machines)),
        left_out=tuple(dict.fromkeys(left_out)),
    )


def _order(kind: Kind) -> tuple[tuple[int, str, str, str], str]:
    return place_of(kind), repr(kind)


def _job(desk: Desk, state: JobState, now: datetime) -> ComparedJob:
    results = desk.results.now(state, now)
    return ComparedJob.model_validate(
        {
            "job": state.job,
            "machine": state.machine,
            "title": state.procedure.title,
            "started": state.started,
            "status": str(state.status),
            "state": state.conditions.state,
            "verdict": results.verdict,
            "sentence": results.sentence,
        }
    )


def _value(
    kind: Kind, first: tuple[UUID, JobValue | None], second: tuple[UUID, JobValue | None]
) -> ComparedValue:
    one, other = first[1], second[1]
    percent, expanded = _difference(one, other)
    return ComparedValue(
        **kind.members(),
        first=None if one is None else trend_point(first[0], one),
        second=None if other is None else trend_point(second[0], other),
        difference_percent=percent,
        expanded_percent=expanded,
        finding=_finding(percent, expanded),
    )


def _difference(one: JobValue | None, other: JobValue | None) -> tuple[float | None, float | None]:
    if one is None or other is None or not one.value or other.value is None:
        return None, None
    ratio = other.value / one.value
    if one.standard is None or other.standard is None:
        return 100 * (ratio - 1), None
    # u(b/a) by JCGM 100:2008, 5.1.2, for two values that are independent of each other.
    standard = hypot(other.standard / one.value, ratio * one.standard / one.value)
    return 100 * (ratio - 1), 100 * COVERAGE_FACTOR * standard


def _finding(percent: float | None, expanded: float | None) -> Finding:
    if percent is None or expanded is None:
        return "not told"
    if abs(percent) <= expanded:
        return "same"
    return "higher" if percent > 0 else "lower"


def _differences(states: tuple[JobState, JobState], machines: list[MachineEntry]) -> Iterator[str]:
    plates = [machine.nameplate.model_dump(exclude_none=True) for machine in machines]
    for name in sorted((set(plates[0]) | set(plates[1])) - _OWN):
        yield from _differs(name, plates[0].get(name), plates[1].get(name))
    for name in _CONDITIONS:
        yield from _differs(
            name, getattr(states[0].conditions, name), getattr(states[1].conditions, name)
        )


def _differs(name: str, first: object, second: object) -> Iterator[str]:
    if first != second:
        said = [_told(each) for each in (first, second)]
        yield f"{name.replace('_', ' ')}: {said[0]} against {said[1]}"


def _told(value: object) -> str:
    if value is None:
        return "not known"
    return f"{value:g}" if isinstance(value, float) else str(value)
