"""Trends of a machine: what its jobs found, put in order of time, value by value.

A rewound winding is another winding: trends begin with the newest job whose procedure says that the
winding is new. Jobs that are not finished do not count, but for the one that is asked about; void
jobs never do.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from uuid import UUID

from capture.jobs.desk import Desk
from capture.jobs.state import JobState, JobStatus
from capture.jobs.values import JobValue, Kind, job_values
from capture.model.machine import MachineEntry
from capture.model.trend import MachineTrends, Trend, TrendPoint, TrendSlope
from capture.winding import Point, TrendFound, trend
from capture.winding.measured import COVERAGE_FACTOR
from capture.winding.trend import Scale

_DONE = frozenset({JobStatus.FINISHED, JobStatus.SIGNED_OFF})
_ORIGIN = datetime(2000, 1, 1, tzinfo=UTC)
_DAY = timedelta(days=1)
#: What decays, or grows, by factors.
_BY_FACTORS = frozenset({"insulation_resistance"})
_ORDER = (
    "unbalance",
    "pulse_deviation",
    "insulation_resistance",
    "polarization_index",
    "absorption_ratio",
    "resistance",
    "inductance",
    "pulse_time",
)


@dataclass(frozen=True, slots=True)
class Trends:
    """Trends of a machine, and what could not be put into them, and why."""

    trends: tuple[Trend, ...]
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Dated:
    job: UUID
    value: JobValue


def machine_trends(desk: Desk, machine: str, *, until: UUID | None = None) -> Trends:
    """Give the trends of a machine over its jobs, those with limits first.

    With ``until``, over the jobs up to that one, and only of what that one has measured: as its
    record shows them.

    Raises:
        NotThereError: there is no such machine, or no such job.
    """
    described = desk.service.machine(machine)
    last = None if until is None else desk.service.state(until)
    jobs, left_out = _since_new(_jobs(desk, machine, last))
    series: dict[Kind, list[_Dated]] = {}
    for state in jobs:
        values, notes = values_of(desk, state, described)
        left_out += [f"job of {state.started:%Y-%m-%d}: {note}" for note in notes]
        for value in values:
            series.setdefault(value.kind, []).append(_Dated(state.job, value))
    made = []
    for kind, dated in sorted(series.items(), key=lambda item: place_of(item[0])):
        if until is None or any(each.job == until for each in dated):
            made.append(_trend(kind, sorted(dated, key=lambda each: each.value.time)))
    return Trends(tuple(made), tuple(left_out))


def _jobs(desk: Desk, machine: str, last: JobState | None) -> list[JobState]:
    """Give the jobs that count, in the order they were started."""
    found = [
        state
        for state in desk.service.jobs_of(machine)
        if state.status in _DONE
        or (last is not None and state.job == last.job and state.voided is None)
    ]
    found.sort(key=lambda state: state.started)
    return found if last is None else [each for each in found if each.started <= last.started]


def _since_new(jobs: list[JobState]) -> tuple[list[JobState], list[str]]:
    begin = max((i for i, state in enumerate(jobs) if state.procedure.new_winding), default=0)
    if not begin:
        return jobs, []
    day = f"{jobs[begin].started:%Y-%m-%d}"
    count = "1 job" if begin == 1 else f"{begin} jobs"
    return jobs[begin:], [f"{count} before the winding was renewed ({day})"]


def values_of(
    desk: Desk, state: JobState, machine: MachineEntry
) -> tuple[list[JobValue], list[str]]:
    """Give what a job found, as it can be compared, and what cannot be, with the reason."""
    return job_values(
        state,
        machine,
        desk.service.readings_of(state),
        desk.service.results(state.job),
        desk.results.reference_celsius,
    )


def place_of(kind: Kind) -> tuple[int, str, str, str]:
    """Give a kind's place among others: what has limits first."""
    order = _ORDER.index(kind.quantity) if kind.quantity in _ORDER else len(_ORDER)
    return order, kind.of or "", kind.name, kind.point


def _trend(kind: Kind, dated: Sequence[_Dated]) -> Trend:
    scale: Scale = "logarithmic" if kind.quantity in _BY_FACTORS else "linear"
    notes: list[str] = []
    points = _numbers(dated, scale, notes)
    judged = next(
        (each.value.judged.judgement for each in reversed(dated)
         if each.value.judged is not None and each.value.judged.judgement is not None),
        None,
    )  # fmt: skip
    limit, side = (None, None) if judged is None else (judged.limit, judged.side)
    found = trend(points, scale=scale, limit=limit, side=side) if points else None
    if found is not None:
        notes += found.notes
    newest = dated[-1].value.value is not None
    return Trend(
        **kind.members(),
        scale=scale,
        points=tuple(trend_point(each.job, each.value) for each in dated),
        limit=limit,
        side=side,
        limit_source=None if judged is None else judged.source,
        notes=tuple(notes),
        **({} if found is None else _said(found, newest_is_number=newest)),
    )


def _numbers(dated: Sequence[_Dated], scale: Scale, notes: list[str]) -> list[Point]:
    """Give what a line can be drawn through: no bounds, and nothing that has no logarithm."""
    points = []
    for each in dated:
        value = each.value.value
        if value is not None and (value > 0 or scale == "linear"):
            day = (each.value.time - _ORIGIN) / _DAY
            points.append(Point(day=day, value=value, standard=each.value.standard))
    if len(points) < len(dated):
        left = len(dated) - len(points)
        notes.append(f"{left} of {len(dated)} values are bounds, or zero: not in the line")
    return points


def _said(found: TrendFound, *, newest_is_number: bool) -> dict[str, object]:
    """Give the members that the computation gave; changes are those of the newest job only."""
    slope, crossing = found.slope, found.crossing
    return {
        "direction": found.direction,
        "baseline": found.baseline,
        "center": found.center,
        "lower_control": found.lower_control,
        "upper_control": found.upper_control,
        "change_last_percent": found.change_last if newest_is_number else None,
        "change_baseline_percent": found.change_baseline if newest_is_number else None,
        "slope": None
        if slope is None
        else TrendSlope(
            per_year=slope.per_year, expanded=slope.expanded, percent_per_year=slope.percent
        ),
        "crosses": None if crossing is None else _ORIGIN + crossing.day * _DAY,
        "crosses_earliest": None if crossing is None else _ORIGIN + crossing.earliest * _DAY,
    }


def trend_point(job: UUID, value: JobValue) -> TrendPoint:
    """Write one job's value."""
    judgement = None if value.judged is None else value.judged.judgement
    return TrendPoint(
        job=job,
        time=value.time,
        value=value.value,
        bound=value.bound,
        bound_value=value.bound_value,
        expanded=None if value.standard is None else COVERAGE_FACTOR * value.standard,
        verdict=None if judgement is None else judgement.verdict,
    )


def trends_document(
    desk: Desk, machine: str, now: datetime, *, until: UUID | None = None
) -> MachineTrends:
    """Give the trends of a machine as they are exchanged. Raises what `machine_trends` raises."""
    found = machine_trends(desk, machine, until=until)
    described = desk.service.machine(machine)
    return MachineTrends(
        site=described.site,
        bench=described.bench,
        machine=machine,
        time=now,
        trends=found.trends,
        left_out=found.left_out,
    )
