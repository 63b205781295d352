"""What can be said of a job, as it was computed. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from capture.jobs.state import Void
from capture.jobs.taken import one_line_of
from capture.judging import Assessment
from capture.judging.lacking import NoConditionError, OfReadingError
from capture.model.result import ResultRecord
from capture.winding import Suspicion

_LONGEST = 400  # letters of a reason, by the models


@dataclass(frozen=True, slots=True)
class Uncomputed:
    """Why the values of a quantity came to no result: reading, words and condition, in this order.

    Attributes:
        quantity: the values' own.
        why: the words, without the names of reading and condition.
        reading: id of the reading that it is about; None where it is about none alone.
        condition: name of the condition that it asks for; None where it asks for none.
    """

    quantity: str
    why: str
    reading: str | None = None
    condition: str | None = None

    @classmethod
    def of(cls, quantity: str, error: Exception) -> "Uncomputed":
        """Tell what a computation said."""
        match error:
            case OfReadingError() if error.reading:
                return cls(quantity, error.why, reading=error.reading)
            case NoConditionError():
                return cls(quantity, error.why, condition=error.condition)
            case _:
                return cls(quantity, one_line_of(error))


@dataclass(frozen=True, slots=True)
class JobResults:
    """What can be said of a job now.

    Attributes:
        sentence: the plain sentence, first of all.
        verdict: over all steps; never a pass while one is missing.
        doubt: what stands behind the verdict, or against it: what decides it, what was not run,
            what is suspected all the same. One clause.
        results: as they are stored, in the order a person would read them.
        not_run: kinds of test that have no values, or are still being done; of a kind that has
            some, the places that nobody has tested.
        without_result: kinds of test that were done, and whose values came to no result; where
            nothing else keeps the whole from a pass, places of them too.
        notes: what was not used or not computed, and why.
        uncomputed: what of the notes says why a quantity came to no result.
    """

    sentence: str
    verdict: str
    results: tuple[ResultRecord, ...] = ()
    suspicion: Suspicion | None = None
    not_run: tuple[str, ...] = ()
    doubt: str = ""
    notes: tuple[str, ...] = ()
    uncomputed: tuple[Uncomputed, ...] = ()
    without_result: tuple[str, ...] = ()


def doubt_of(assessment: Assessment, results: Sequence[ResultRecord]) -> str:
    """Say in one clause what stands behind the verdict over all, or against it.

    Whoever reads no further than a list must not take a pass for all that was found: what is
    suspected, and what lies beyond a limit that nobody adopted, stands before the reason.
    """
    said = []
    suspicion = assessment.suspicion
    if suspicion is not None and suspicion.statement != "balanced" and suspicion.words:
        said.append(suspicion.words[0])
    beyond = [each.name for each in results if beyond_unadopted(each)]
    if beyond:
        said.append(f"beyond a limit that is for information: {', '.join(beyond)}")
    overall = assessment.overall
    if overall.decided_by:
        said.append(f"decided by {', '.join(overall.decided_by)}")
    if overall.not_run or overall.without_result:
        said.append(lacking_words(overall.not_run, overall.without_result))
    return "; ".join(said or [overall.reason])


def lacking_words(not_run: Sequence[str], without_result: Sequence[str]) -> str:
    """Name the kinds of test that have no result, by whether they were done."""
    said = [f"not run: {', '.join(not_run)}"] if not_run else []
    if without_result:
        said.append(f"taken, without a result: {', '.join(without_result)}")
    return "; ".join(said)


def beyond_unadopted(result: ResultRecord) -> bool:
    """Tell whether a value lies beyond a limit that decides nothing here."""
    judged, value = result.judgement, result.value
    if judged is None or value is None or judged.verdict != "information only":
        return False
    return value > judged.limit if judged.side == "upper" else value < judged.limit


def as_void(found: JobResults, void: Void) -> JobResults:
    """Give what can be said of a void job: the same figures, and a verdict of none of them.

    Whoever knows nothing of void jobs reads "not applicable" and takes no result for a pass.
    """
    why = f"void, by {void.operator}: {void.reason}"
    return replace(
        found,
        sentence=f"This job is {why}. Before that: {found.sentence}",
        verdict="not applicable",
        doubt=why,
        results=tuple(_as_void(each, why) for each in found.results),
    )


def _as_void(result: ResultRecord, why: str) -> ResultRecord:
    judged = result.judgement
    if judged is not None:
        more = {"verdict": "not applicable", "reason": clipped(why)}
        judged = judged.model_copy(update=more)
    return result.model_copy(update={"voided": True, "judgement": judged})


def clipped(words: str) -> str:
    """Give words that fit where a reason is stored."""
    return words if len(words) <= _LONGEST else f"{words[: _LONGEST - 1]}…"
