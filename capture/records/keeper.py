"""Making records, and giving those that were made. A draft is made anew each time, and not kept."""

from datetime import datetime
from uuid import UUID

import structlog
from pydantic import ValidationError

from capture.clock import Clock
from capture.config import Config
from capture.errors import CaptureError, InputError
from capture.faults import one_line
from capture.jobs.desk import Desk
from capture.jobs.service import Append
from capture.jobs.trends import machine_trends
from capture.journal import Expectation, StaleError
from capture.model.record import Earlier, Record, content_of, sealed
from capture.model.trend import Trend
from capture.records.build import Making, build


class RecordKeeper:
    """Makes and gives records of one bench. Used by one thread at a time."""

    def __init__(
        self,
        desk: Desk,
        append: Append,
        config: Config,
        clock: Clock,
    ) -> None:
        self._desk = desk
        self._append = append
        self._config = config
        self._clock = clock

    def versions(self, job: UUID) -> list[Record]:
        """Give the versions of a job's record that were made, oldest first."""
        rows = self._desk.reader.of_subject("record", str(job))
        return [Record.model_validate_json(row.body) for row in rows]

    def make(self, job: UUID, made_by: str) -> Record:
        """Make the record of a job that is signed off, and store it; give what holds now.

        Nothing is stored where nothing has changed since the last version. What has changed gives
        a new version, which names the one before it; so does that the job was voided.

        Raises:
            InputError: the job is not signed off.
            NotThereError: there is no such job.
            JournalError: nothing was stored.
        """
        for _ in range(3):
            if not self._desk.service.state(job).signed_off:
                raise InputError(
                    f"job {job} is not signed off: its record can be drawn as a draft only"
                )
            rows = self._desk.reader.of_subject("record", str(job))
            last = Record.model_validate_json(rows[-1].body) if rows else None
            self._desk.results.update(job, self._clock.utc())
            made = self._built(job, made_by)
            if last is not None:
                if content_of(made) == content_of(last):
                    return last
                made = _following(made, last)
            seen = rows[-1].n if rows else 0
            try:
                self._append([made], Expectation("record", str(job), seen))
            except StaleError:
                continue  # somebody else made it meanwhile: look at theirs
            return made
        raise StaleError(f"the record of job {job} is being made by others; try again")

    def make_or_say(self, job: UUID, made_by: str) -> str:
        """Make the record after a sign-off, which stands whatever comes of this; say what failed.

        After a voiding too, where the job was signed off before. Empty where the record was made,
        or none is due. It can be made again at any time.
        """
        if not self._desk.service.state(job).signed_off:
            return ""
        try:
            self.make(job, made_by)
        except CaptureError as error:
            structlog.get_logger().warning("record.not_made", job=str(job), reason=str(error))
            return str(error)
        return ""

    def shown(self, job: UUID, asked_by: str, version: int | None = None) -> Record:
        """Give the version asked for, else the newest one, else a draft.

        Raises:
            InputError: there is no such version, or the job is signed off and has no record yet.
            NotThereError: there is no such job.
        """
        state = self._desk.service.state(job)
        found = self.versions(job)
        if version is not None:
            chosen = [each for each in found if each.version == version]
            if not chosen:
                raise InputError(f"job {job} has no version {version} of its record")
            return chosen[0]
        if found:
            return found[-1]
        if state.signed_off:
            raise InputError(f"the record of job {job} has not been made yet; make it first")
        return self._built(job, asked_by)

    def jobs_since(self, since: datetime | None) -> list[UUID]:
        """List the jobs that are signed off, started since a moment, oldest first; no void ones."""
        service = self._desk.service
        found = service.signed_off()
        if since is None:
            return found
        return [job for job in found if service.state(job).started >= since]

    def _built(self, job: UUID, made_by: str) -> Record:
        try:
            return build(self._desk, job, self._making(job, made_by))
        except ValidationError as error:
            raise InputError(f"the record cannot be made: {one_line(error)}") from error

    def _making(self, job: UUID, made_by: str) -> Making:
        return Making(
            site=self._config.site,
            bench=self._config.bench,
            time=self._clock.utc(),
            made_by=made_by,
            equipment=self._config.equipment,
            trends=self._trends(job),
        )

    def _trends(self, job: UUID) -> tuple[Trend, ...]:
        """Give what has moved, up to this job; what was measured for the first time has not.

        A void job moves nothing.
        """
        state = self._desk.service.state(job)
        if state.voided is not None:
            return ()
        found = machine_trends(self._desk, state.machine, until=job)
        return tuple(each for each in found.trends if len(each.points) > 1)


def _following(made: Record, last: Record) -> Record:
    """Make a record the version after another."""
    return sealed(
        made.model_copy(
            update={
                "record": last.record,
                "version": last.version + 1,
                "replaces": Earlier(version=last.version, sha256=last.sha256),
            }
        )
    )
