"""What a person does in a job: ``benchtally job take``, ``redo``, ``skip`` and the like.

Each is one entry of the journal. It says which entry of the job its writer has seen last, and has
an id of its own, so that nothing is overwritten unseen and nothing is done twice.
"""

from typing import Annotated, Any

import typer

from capture.cli.bench import (
    Bench,
    IdOption,
    JobArgument,
    ReasonOption,
    SeenOption,
    StepArgument,
    keeper_of,
    open_bench,
)
from capture.cli.entry import OperatorOption
from capture.cli.fields import CONDITION_WORDS, checked, given, with_fields
from capture.cli.output import (
    DONE,
    ConfigOption,
    JsonOption,
    complain,
    print_json,
    say,
)
from capture.display import clean
from capture.errors import InputError
from capture.model.job import JobConditions

PendingArgument = Annotated[
    str | None, typer.Argument(metavar="[STEP]", help="Id of a step; that which waits for it.")
]
ReadingOption = Annotated[
    list[str] | None,
    typer.Option("--reading", help="A reading: its id, INSTRUMENT:SEQUENCE or INSTRUMENT:last."),
]


def register(job: typer.Typer) -> None:
    """Add the commands."""
    _steps(job)
    _reasons(job)
    _winding(job)
    _whole(job)


def _steps(job: typer.Typer) -> None:
    @job.command()
    @with_fields(JobConditions, CONDITION_WORDS)
    def take(
        operator: OperatorOption,
        job: JobArgument,
        step: StepArgument,
        reading: ReadingOption = None,
        applied: Annotated[
            float | None,
            typer.Option(metavar="SECONDS", help="For how long the test voltage was on."),
        ] = None,
        seen: SeenOption = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
        **fields: Any,
    ) -> int:
        """Take stored readings for a step: those named, else the newest since it was opened."""
        held = checked(JobConditions, given(fields))
        with open_bench(config) as bench:
            state = bench.state(job)
            state.step(step)
            who = bench.who(operator, id_)
            readings = [_reading(bench, name) for name in reading or ()]
            done = "was taken before" if bench.reader.entry(who.id) else "is taken"
            with bench.explained(state):
                after = bench.desk.take(
                    state.job,
                    step,
                    readings,
                    who,
                    state.last if seen is None else seen,
                    conditions=held,
                    applied_seconds=applied,
                )
            return _tell(bench, after, f"{step} {done}", as_json=as_json)

    @job.command()
    def select(
        operator: OperatorOption,
        job: JobArgument,
        step: StepArgument,
        seen: SeenOption = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Do another step next, whatever the order of the procedure."""
        with open_bench(config) as bench:
            after = bench.act(job, "selected", operator, seen, id_, step=step)
            return _tell(bench, after, f"{step} is next", as_json=as_json)


def _reasons(job: typer.Typer) -> None:
    @job.command()
    def redo(
        operator: OperatorOption,
        job: JobArgument,
        step: StepArgument,
        reason: ReasonOption,
        seen: SeenOption = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Open a step again; its readings stay, superseded with the reason."""
        with open_bench(config) as bench:
            after = bench.act(job, "redone", operator, seen, id_, step=step, reason=reason)
            return _tell(bench, after, f"{step} is open again", as_json=as_json)

    @job.command()
    def skip(
        operator: OperatorOption,
        job: JobArgument,
        step: StepArgument,
        reason: ReasonOption,
        seen: SeenOption = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Leave a step out."""
        with open_bench(config) as bench:
            after = bench.act(job, "skipped", operator, seen, id_, step=step, reason=reason)
            return _tell(bench, after, f"{step} is left out", as_json=as_json)

    @job.command()
    def refuse(
        operator: OperatorOption,
        job: JobArgument,
        step: StepArgument,
        reason: ReasonOption,
        reading: Annotated[
            str | None, typer.Option("--reading", help="The reading; the newest if not given.")
        ] = None,
        seen: SeenOption = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Refuse a reading that is about to be taken; the leads must be put on anew."""
        with open_bench(config) as bench:
            state = bench.state(job)
            state.step(step)
            if reading is None:
                refused = bench.desk.newest(state.job, step)[0]
            else:
                refused = _reading(bench, reading)
            after = bench.act(
                str(state.job), "refused", operator, seen, id_,
                step=step, reading=refused, reason=reason,
            )  # fmt: skip
            return _tell(bench, after, f"reading {refused} is refused", as_json=as_json)

    @job.command()
    def override(
        operator: OperatorOption,
        job: JobArgument,
        step: StepArgument,
        lock: Annotated[
            str, typer.Argument(metavar="LOCK", help="discharge, insulation or ramp-down.")
        ],
        reason: ReasonOption,
        seen: SeenOption = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Pass a lock of a step, on your own responsibility; it is stored with your reason."""
        with open_bench(config) as bench:
            more = {"step": step, "lock": lock, "reason": reason}
            after = bench.act(job, "overridden", operator, seen, id_, **more)
            return _tell(bench, after, f"{step}: the lock {lock} is passed", as_json=as_json)


def _winding(job: typer.Typer) -> None:
    @job.command()
    def applied(
        operator: OperatorOption,
        job: JobArgument,
        step: StepArgument,
        seconds: Annotated[float, typer.Argument(help="For how long it was on the winding.")],
        seen: SeenOption = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Say that a test voltage was on the winding; the wait for its discharge begins."""
        with open_bench(config) as bench:
            after = bench.act(job, "applied", operator, seen, id_, step=step, seconds=seconds)
            return _tell(bench, after, f"voltage was on for {seconds:g} s", as_json=as_json)

    @job.command()
    def discharged(
        operator: OperatorOption,
        job: JobArgument,
        step: PendingArgument = None,
        seen: SeenOption = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Confirm that the winding was discharged after a step."""
        with open_bench(config) as bench:
            state = bench.state(job)
            waiting = [each.step for each in state.applications if not each.discharged]
            which = _pending(step, waiting, "no voltage was applied that waits for a discharge")
            after = bench.act(str(state.job), "discharged", operator, seen, id_, step=which)
            return _tell(bench, after, f"the discharge after {which} is noted", as_json=as_json)

    @job.command("ramped-down")
    def ramped_down(
        operator: OperatorOption,
        job: JobArgument,
        step: PendingArgument = None,
        seen: SeenOption = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Confirm that the meter's current was zero before the leads were moved."""
        with open_bench(config) as bench:
            state = bench.state(job)
            waiting = sorted(state.ramp_down)
            which = _pending(step, waiting, "no step waits for its current to be ramped down")
            after = bench.act(str(state.job), "ramped-down", operator, seen, id_, step=which)
            return _tell(bench, after, f"zero current after {which} is noted", as_json=as_json)


def _whole(job: typer.Typer) -> None:
    @job.command()
    def note(
        operator: OperatorOption,
        job: JobArgument,
        text: Annotated[str, typer.Argument(help="The remark.")],
        step: Annotated[str | None, typer.Option(help="Of this step; else of the job.")] = None,
        seen: SeenOption = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Note a remark on a job or on one of its steps."""
        with open_bench(config) as bench:
            after = bench.act(job, "noted", operator, seen, id_, step=step, text=text)
            return _tell(bench, after, "noted", as_json=as_json)

    @job.command()
    @with_fields(JobConditions, CONDITION_WORDS)
    def conditions(
        operator: OperatorOption,
        job: JobArgument,
        seen: SeenOption = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
        **fields: Any,
    ) -> int:
        """Say under what the job is done from here on; what is not given stays as it is."""
        members = given(fields)
        if not members:
            raise InputError("give at least one condition, as in --winding-celsius 22.5")
        held = checked(JobConditions, members)
        with open_bench(config) as bench:
            after = bench.act(job, "conditions", operator, seen, id_, conditions=held)
            return _tell(bench, after, "the conditions are noted", as_json=as_json)

    @job.command()
    def pause(
        operator: OperatorOption,
        job: JobArgument,
        reason: ReasonOption,
        seen: SeenOption = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Stop work for a while; nothing is taken by itself meanwhile."""
        with open_bench(config) as bench:
            after = bench.act(job, "paused", operator, seen, id_, reason=reason)
            return _tell(bench, after, "the job is paused", as_json=as_json)

    for name, action, words, text in (
        ("resume", "resumed", "the job goes on", "Go on, perhaps on another device."),
        ("finish", "finished", "the job is finished", "End the work on a job."),
    ):
        job.command(name, help=text)(_plain(action, words))

    @job.command("sign-off")
    def sign_off(
        operator: OperatorOption,
        job: JobArgument,
        statement: Annotated[str, typer.Option(help="What you stand for, in a sentence.")] = "",
        seen: SeenOption = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Stand for a finished job."""
        with open_bench(config) as bench:
            after = bench.act(job, "signed-off", operator, seen, id_, statement=statement)
            if failed := keeper_of(bench).make_or_say(after.job, operator):
                complain(f"signed off, but its record is not made yet: {failed}")
            return _tell(bench, after, f"signed off by {operator}", as_json=as_json)


def _plain(action: str, words: str) -> Any:
    """Make a command that takes nothing but the job."""

    def command(
        operator: OperatorOption,
        job: JobArgument,
        seen: SeenOption = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        with open_bench(config) as bench:
            after = bench.act(job, action, operator, seen, id_)
            return _tell(bench, after, words, as_json=as_json)

    return command


def _tell(bench: Bench, state: Any, words: str, *, as_json: bool) -> int:
    """Say what was written, and how the job stands now."""
    from capture.cli.job_words import show_briefly

    view = bench.desk.view(state)
    if as_json:
        print_json([view])
        return DONE
    say(f"{clean(words)} (entry {state.last} of job {state.job})")
    show_briefly(view)
    return DONE


def _reading(bench: Bench, name: str) -> Any:
    from capture.tagging import find_reading

    return find_reading(bench.reader, name).id


def _pending(step: str | None, waiting: list[str], none: str) -> str:
    if step is not None:
        return step
    if not waiting:
        raise InputError(none)
    return waiting[-1]
