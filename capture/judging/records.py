"""Results as they are stored and published."""

from datetime import datetime
from uuid import UUID

from capture.judging.assess import Assessment
from capture.judging.judged import Named
from capture.model import new_id
from capture.model.result import (
    CoverageInterval,
    ExpandedUncertainty,
    JudgementRecord,
    ResultRecord,
)


def records(
    assessment: Assessment, *, machine: str, time: datetime, job: UUID | None = None
) -> list[ResultRecord]:
    """Write every result of an assessment as a record."""
    return [_record(each, machine, time, job) for each in assessment.results]


def _record(named: Named, machine: str, time: datetime, job: UUID | None) -> ResultRecord:
    result, judgement = named.result, named.result.judgement
    bounded = result.bound is not None
    return ResultRecord(
        id=new_id(),
        job=job,
        machine=machine,
        time=time,
        name=named.name,
        value=None if bounded else result.value,
        unit=result.unit,
        bound=result.bound,
        bound_value=result.value if bounded else None,
        formula=result.formula,
        inputs=result.inputs,
        constants=dict(result.constants),
        uncertainty=None
        if result.uncertainty is None or not result.coverage_factor
        else ExpandedUncertainty(
            expanded=result.uncertainty, coverage_factor=result.coverage_factor
        ),
        coverage=None
        if result.coverage is None
        else CoverageInterval(
            probability=result.coverage.probability,
            lower=result.coverage.lower,
            upper=result.coverage.upper,
            floor=result.coverage.floor,
            trials=result.coverage.trials,
        ),
        judgement=None
        if judgement is None
        else JudgementRecord(
            verdict=judgement.verdict.value,
            limit=judgement.limit,
            side=judgement.side,
            rule=judgement.rule,
            acceptance_limit=judgement.acceptance_limit,
            guard=judgement.guard,
            probability=judgement.probability,
            source=judgement.source,
            confidence=judgement.confidence,
            reason=judgement.reason,
        ),
        notes=result.notes,
    )
