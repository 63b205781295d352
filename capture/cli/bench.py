"""The bench as commands see it: the configuration, the journal, and the desk where jobs are done.

It works on the journal's own file, beside a running daemon or without one.
"""

import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.errors import InputError, NotThereError

if TYPE_CHECKING:
    from capture.clock import Clock
    from capture.config import Config
    from capture.jobs.desk import Desk
    from capture.jobs.service import Append, Who
    from capture.jobs.state import JobState
    from capture.journal import Entry, Expectation, JournalReader, Store, Stored
    from capture.journal.broken_log import BrokenLog
    from capture.records.keeper import RecordKeeper

JobArgument = Annotated[
    str, typer.Argument(metavar="JOB", help="Id of a job, its beginning, or last.")
]
StepArgument = Annotated[str, typer.Argument(metavar="STEP", help="Id of a step.")]
ReasonOption = Annotated[str, typer.Option("--reason", help="Why; it is stored with it.")]
SeenOption = Annotated[
    int | None,
    typer.Option(
        min=0, help="Last entry of the job that you have seen (as it is now if not given)."
    ),
]
IdOption = Annotated[
    str | None,
    typer.Option("--id", metavar="UUID", help="Id of what is written; the same id does it once."),
]
_ENOUGH = 4  # digits of a job's id that may stand for it
_PLACE_BITS = 32


@dataclass
class Bench:
    """One bench, open for one command."""

    settings: "Config"
    append: "Append"
    reader: "JournalReader"
    desk: "Desk"
    clock: "Clock"

    def state(self, name: str) -> "JobState":
        """Give the state of a job by its id, by the beginning of its id, or of the last one.

        Raises:
            InputError: it names no job, or several; says which there are.
        """
        return self.desk.service.state(self._job(name))

    @staticmethod
    def who(operator: str, id_: str | None) -> "Who":
        """Say who acts, with an id of their own or a new one."""
        from capture.jobs.service import Who
        from capture.model import new_id

        return Who(operator, read_id(id_) or new_id())

    @contextmanager
    def explained(self, state: "JobState") -> Iterator[None]:
        """Let a refusal by a lock say until when it holds, and by which command it is opened.

        Raises:
            LockedError: the step is locked; says by what, until when, and what opens it.
        """
        from capture.jobs.rules import LockedError

        try:
            yield
        except LockedError as error:
            locks = [
                replace(lock, words=lock.words + self._way_out(state, error.step, lock))
                for lock in error.locks
            ]
            raise LockedError(error.step, locks) from error

    def _way_out(self, state: "JobState", step: str, lock: Any) -> str:
        from capture.jobs.earlier import has_insulation

        until = f" (until {lock.until:%H:%M:%S} UTC)" if lock.until is not None else ""
        match lock.name:
            case "discharge" if lock.job is not None:
                return f"{until}: benchtally job discharged {lock.job} {lock.step}"
            case "discharge":
                steps = [each.step for each in state.applications if not each.discharged]
                named = f": benchtally job discharged {state.job} {steps[-1]}" if steps else ""
                return until + named
            case "ramp-down":
                steps = sorted(state.ramp_down - {step})  # its own does not hold it
                return f"{until}: benchtally job ramped-down {state.job} {steps[0]}"
            case "insulation" if not has_insulation(state, step):
                # What is known of the winding stands before the command that passes the lock.
                known = self.desk.known_insulation(state.machine)
                return (
                    f"; {known}: benchtally job override {state.job} {step} insulation --reason ..."
                )
            case _:
                return until

    def _job(self, name: str) -> uuid.UUID:
        jobs = self.reader.subjects("job")
        if not jobs:
            raise NotThereError("there is no job yet; `benchtally job start` starts one")
        if name == "last" and (last := self.desk.service.worked_on_last()) is not None:
            return last
        wanted = name.lower().replace("-", "")
        found = [job for job in jobs if job.replace("-", "").startswith(wanted)]
        if len(wanted) < _ENOUGH or not found:
            raise NotThereError(
                f"there is no job {name!r}; give an id, at least {_ENOUGH} digits of its beginning,"
                " or last; `benchtally job list` lists them"
            )
        if len(found) > 1:
            raise InputError(f"{name!r} may be any of the jobs {', '.join(found)}; give more of it")
        return uuid.UUID(found[0])


@contextmanager
def open_bench(
    config: Path | None, *, make: bool = False, only_reads: bool = False
) -> Iterator[Bench]:
    """Open the bench of a configuration; `make` makes its journal where there is none.

    Who only reads leaves what a killed daemon left of its log to who writes.

    Raises:
        ConfigError, JournalError: what is wrong, one line a fault.
    """
    from capture.clock import SystemClock
    from capture.config import load_config
    from capture.jobs.setup import make_desk
    from capture.journal import JournalReader

    settings = load_config(config)
    path = settings.journal_path
    if not only_reads:
        look_before_writing(settings)
    with _appending(path) as store:
        if make:
            path.parent.mkdir(parents=True, exist_ok=True)
            store()

        def append(
            entries: "Sequence[Entry]", expecting: "Expectation | None" = None
        ) -> "list[Stored]":
            assert not only_reads  # the log was not looked at
            return store().append(entries, expecting=expecting)

        reader = JournalReader(path)
        try:
            clock = SystemClock()
            yield Bench(settings, append, reader, make_desk(settings, reader, append, clock), clock)
        finally:
            reader.close()


def look_before_writing(settings: "Config") -> None:
    """Look at the log that a killed daemon left, before this process opens the journal to write.

    Where SQLite does not take all of it, it is kept, and one line says so.

    Raises:
        JournalError: it cannot be kept; nothing was opened.
    """
    from capture.clock import SystemClock
    from capture.opening import look_before_writing as look

    _complain_of(look(settings, SystemClock()))


def look_at_file(path: Path) -> None:
    """Look at the log beside a journal of which only the file is known, in the same way.

    Raises:
        JournalError: as of `look_before_writing`.
    """
    from capture.clock import SystemClock
    from capture.opening import look_at_file as look

    _complain_of(look(path, SystemClock()))


def _complain_of(broken: "BrokenLog | None") -> None:
    from capture.cli.output import complain

    if broken is not None:
        complain(
            f"the journal's log was damaged: what {broken.commits} commits after entry "
            f"{broken.last} stored is not in the journal; it is kept as {broken.kept}, look for "
            "the entries at the historian"
        )


def keeper_of(bench: Bench) -> "RecordKeeper":
    """Give what makes and gives the records of a bench."""
    from capture.records.keeper import RecordKeeper

    return RecordKeeper(bench.desk, bench.append, bench.settings, bench.clock)


def read_id(text: str | None, option: str = "--id") -> uuid.UUID | None:
    """Read an id as given on the command line.

    Raises:
        InputError: it is none.
    """
    if text is None:
        return None
    try:
        return uuid.UUID(text)
    except ValueError as error:
        raise InputError(f"{option} {text!r} is no UUID") from error


def id_beside(id_: uuid.UUID, place: int) -> uuid.UUID:
    """Give the id that always goes with another one: handing in the one hands in the other."""
    mask = (1 << _PLACE_BITS) - 1
    return uuid.UUID(int=(id_.int & ~mask) | ((id_.int + place) & mask))


@contextmanager
def _appending(path: Path) -> "Iterator[Callable[[], Store]]":
    """Give a store that is opened when it is first asked for."""
    from capture.journal import Store

    opened: list[Store] = []

    def store() -> Store:
        if not opened:
            opened.append(Store(path))
        return opened[0]

    try:
        yield store
    finally:
        for each in opened:
            each.close()
