"""The verdict on a job where many are listed: cheap, and never another than was stood for.

Computing one takes a job's readings and, where their uncertainty is known, thousands of draws. So
the verdict is stored with the entry that ends a job; of one that is under way, or was ended by a
program that did not store it, it is computed, a few for each list, and remembered.
"""

from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime

from pydantic_core import from_json

from capture.errors import CaptureError
from capture.jobs.found import clipped
from capture.jobs.results import ResultCache, ResultKeeper
from capture.jobs.service import JobService, Who
from capture.jobs.state import OVER, JobState
from capture.model.job import Finished, JobEntry, SignedOff

#: Verdicts that are computed for one list: each may take a twentieth of a second.
_AT_ONCE = 5


@dataclass(frozen=True, slots=True)
class Told:
    """A verdict and what stands behind it; None and empty where it has to be looked up at the job.

    Attributes:
        verdict: over all steps of the job.
        doubt: what decides it, what was not run, what is suspected all the same.
    """

    verdict: str | None = None
    doubt: str = ""


class Verdicts:
    """Tells the verdicts of jobs. For one list, or one act, after the other."""

    def __init__(self, service: JobService, results: ResultKeeper, cache: ResultCache) -> None:
        self._service = service
        self._results = results
        self._cache = cache
        self._left = _AT_ONCE

    def of(self, state: JobState, now: datetime) -> Told:
        """Give the verdict on a job.

        Of one that is over, as it was then, unless the machine was described anew since.
        """
        if state.voided is not None:
            void = state.voided
            return Told("not applicable", clipped(f"void, by {void.operator}: {void.reason}"))
        described = self._service.described(state.machine)
        held = self._cache.told((state.job, state.last, described))
        if held is not None:
            return Told(*held)
        found = self._stored(state, described) if state.status in OVER else None
        if found is None:
            if not self._left:
                return Told()
            self._left -= 1
            computed = self._results.now(state, now)
            found = Told(computed.verdict, clipped(computed.doubt))
        self._cache.tell((state.job, state.last, described), (found.verdict, found.doubt))
        return found

    def _stored(self, state: JobState, described: int) -> Told | None:
        """Give the verdict as it was stored; None where none was, or it may hold no more."""
        stated = state.stated
        if stated is not None:
            return Told(stated.verdict, stated.doubt) if described < stated.n else None
        record = self._service.last_record(state.job) if state.signed_off else None
        if record is None or record.n < described:
            return None
        try:
            content = from_json(record.body)
            return Told(str(content["verdict"]), clipped(str(content["sentence"])))
        except (ValueError, TypeError, KeyError):
            return None  # of a damaged entry; the job itself tells

    def stated(
        self, state: JobState, event: Finished | SignedOff, who: Who, now: datetime
    ) -> Finished | SignedOff:
        """Give the event that ends a job with the verdict that goes with it.

        Handed in again, with the one that was stored then.
        """
        known = self._service.entry(who.id)
        verdict, doubt = None, ""
        if known is None:
            # Whoever ends a job ends it, though its numbers could not be read just now.
            with suppress(CaptureError):
                found = self._results.now(state, now)
                verdict, doubt = found.verdict, clipped(found.doubt)
        elif known.kind == "job":
            stored = JobEntry.model_validate_json(known.body).event
            if isinstance(stored, Finished | SignedOff):
                verdict, doubt = stored.verdict, stored.doubt
        return event.model_copy(update={"verdict": verdict, "doubt": doubt})
