"""What a person does in a job: ``benchtally job take``, ``redo``, ``skip`` and the like.

Each is one entry of the journal. It says which entry of the job its writer has seen last, and has
an id of its own, so that nothing is overwritten unseen and nothing is done twice.
"""

from typing import Annotated, Any

import typer

from capture.cli.acting import Act, Written, acting
from capture.cli.bench import ReasonOption, StepArgument, keeper_of
from capture.cli.fields import CONDITION_WORDS, checked, given, with_fields
from capture.cli.output import complain
from capture.errors import InputError
from capture.model.job import JobConditions

PendingArgument = Annotated[
    str | None, typer.Argument(metavar="[STEP]", help="Id of a step; that which waits for it.")
]
ReadingOption = Annotated[
    list[str] | None,
    typer.Option("--reading", help="A reading: its id, INSTRUMENT:SEQUENCE or INSTRUMENT:last."),
]

UpToOption = Annotated[
    int | None,
    typer.Option(
        "--up-to",
        metavar="N",
        min=0,
        help="Newest voltage of the machine's other jobs that you were shown: up_to in job show "
        "--json. A later one is not passed. Without it: those that stand there now, or with --seen "
        "no later ones than that entry.",
    ),
]


def register(job: typer.Typer) -> None:
    """Add the commands."""
    _steps(job)
    _reasons(job)
    _winding(job)
    _whole(job)
    _over(job)


def _steps(job: typer.Typer) -> None:
    @job.command()
    @acting
    @with_fields(JobConditions, CONDITION_WORDS)
    def take(
        act: Act,
        step: StepArgument,
        reading: ReadingOption = None,
        applied: Annotated[
            float | None,
            typer.Option(metavar="SECONDS", help="For how long the test voltage was on."),
        ] = None,
        **fields: Any,
    ) -> Written:
        """Take stored readings for a step: those named, else the newest since it was opened."""
        held = checked(JobConditions, given(fields))
        state, who = act.state, act.who
        state.step(step)
        readings = [_reading(act, name) for name in reading or ()]
        done = "was taken before" if act.bench.reader.entry(who.id) else "is taken"
        with act.bench.explained(state):
            after = act.bench.desk.take(
                state.job,
                step,
                readings,
                who,
                act.expects,
                conditions=held,
                applied_seconds=applied,
            )
        return after, f"{step} {done}"

    @job.command()
    @acting
    def select(act: Act, step: StepArgument) -> Written:
        """Do another step next, whatever the order of the procedure."""
        return act.do("selected", step=step), f"{step} is next"


def _reasons(job: typer.Typer) -> None:
    @job.command()
    @acting
    def redo(act: Act, step: StepArgument, reason: ReasonOption) -> Written:
        """Open a step again; its readings stay, superseded with the reason."""
        return act.do("redone", step=step, reason=reason), f"{step} is open again"

    @job.command()
    @acting
    def skip(act: Act, step: StepArgument, reason: ReasonOption) -> Written:
        """Leave a step out."""
        return act.do("skipped", step=step, reason=reason), f"{step} is left out"

    @job.command()
    @acting
    def refuse(
        act: Act,
        step: StepArgument,
        reason: ReasonOption,
        reading: Annotated[
            str | None, typer.Option("--reading", help="The reading; the newest if not given.")
        ] = None,
    ) -> Written:
        """Refuse a reading that is about to be taken; the leads must be put on anew."""
        act.state.step(step)
        if reading is None:
            refused = act.bench.desk.newest(act.state.job, step)[0]
        else:
            refused = _reading(act, reading)
        after = act.do("refused", step=step, reading=refused, reason=reason)
        return after, f"reading {refused} is refused"

    @job.command()
    @acting
    def override(
        act: Act,
        step: StepArgument,
        lock: Annotated[
            str, typer.Argument(metavar="LOCK", help="discharge, insulation or ramp-down.")
        ],
        reason: ReasonOption,
        up_to: UpToOption = None,
    ) -> Written:
        """Pass a lock of a step, on your own responsibility; it is stored with your reason."""
        passed, words = (up_to, "") if lock != "discharge" else _shown(act, up_to)
        after = act.do("overridden", step=step, lock=lock, reason=reason, up_to=passed)
        return after, f"{step}: the lock {lock} is passed{words}"


def _winding(job: typer.Typer) -> None:
    @job.command()
    @acting
    def applied(
        act: Act,
        step: StepArgument,
        seconds: Annotated[float, typer.Argument(help="For how long it was on the winding.")],
    ) -> Written:
        """Say that a test voltage was on the winding; the wait for its discharge begins."""
        after = act.do("applied", step=step, seconds=seconds)
        return after, f"voltage was on for {seconds:g} s"

    @job.command()
    @acting
    def discharged(act: Act, step: PendingArgument = None) -> Written:
        """Confirm that the winding was discharged after a step."""
        waiting = [each.step for each in act.state.applications if not each.discharged]
        which = _pending(step, waiting, "no voltage was applied that waits for a discharge")
        return act.do("discharged", step=which), f"the discharge after {which} is noted"

    @job.command("ramped-down")
    @acting
    def ramped_down(act: Act, step: PendingArgument = None) -> Written:
        """Confirm that the meter's current was zero before the leads were moved."""
        waiting = sorted(act.state.ramp_down)
        which = _pending(step, waiting, "no step waits for its current to be ramped down")
        return act.do("ramped-down", step=which), f"zero current after {which} is noted"


def _whole(job: typer.Typer) -> None:
    @job.command()
    @acting
    def note(
        act: Act,
        text: Annotated[str, typer.Argument(help="The remark.")],
        step: Annotated[str | None, typer.Option(help="Of this step; else of the job.")] = None,
    ) -> Written:
        """Note a remark on a job or on one of its steps."""
        return act.do("noted", step=step, text=text), "noted"

    @job.command()
    @acting
    @with_fields(JobConditions, CONDITION_WORDS)
    def conditions(act: Act, **fields: Any) -> Written:
        """Say under what the job is done from here on; what is not given stays as it is."""
        members = given(fields)
        if not members:
            raise InputError("give at least one condition, as in --winding-celsius 22.5")
        held = checked(JobConditions, members)
        return act.do("conditions", conditions=held), "the conditions are noted"

    @job.command()
    @acting
    def pause(act: Act, reason: ReasonOption) -> Written:
        """Stop work for a while; nothing is taken by itself meanwhile."""
        return act.do("paused", reason=reason), "the job is paused"

    @job.command()
    @acting
    def resume(act: Act) -> Written:
        """Go on, perhaps on another device."""
        return act.do("resumed"), "the job goes on"


def _over(job: typer.Typer) -> None:
    @job.command()
    @acting
    def finish(act: Act) -> Written:
        """End the work on a job."""
        return act.do("finished"), "the job is finished"

    @job.command()
    @acting
    def void(act: Act, reason: ReasonOption) -> Written:
        """Say that a job counts for nothing, such as one begun on the wrong machine.

        It is not taken back. What its test voltages have left on a winding stays owed.
        """
        _refuse_other_roles(act)
        if not reason.strip():
            raise InputError("--reason: say why the job is void")
        after = act.do("noted", text=reason, voids=True)
        if failed := keeper_of(act.bench).make_or_say(after.job, act.operator):
            complain(f"void, but its record does not say so yet: {failed}")
        return after, "the job is void"

    @job.command("sign-off")
    @acting
    def sign_off(
        act: Act,
        statement: Annotated[str, typer.Option(help="What you stand for, in a sentence.")] = "",
    ) -> Written:
        """Stand for a finished job."""
        after = act.do("signed-off", statement=statement)
        if failed := keeper_of(act.bench).make_or_say(after.job, act.operator):
            complain(f"signed off, but its record is not made yet: {failed}")
        return after, f"signed off by {act.operator}"


def _refuse_other_roles(act: Act) -> None:
    """Hold whoever voids a job against the roles that the site names; by name, no secret is asked.

    Raises:
        NotAllowedError: the operator is not registered with one of them.
    """
    roles = act.bench.settings.jobs.void_roles
    if not roles:
        return
    from capture.access.file import AccessFile
    from capture.access.names import key_of
    from capture.access.operators import Operators
    from capture.access.roles import refuse_other_roles

    file = AccessFile(act.bench.settings.access_path)
    try:
        known = {key_of(each.name): each.role for each in Operators(file).all()}
    finally:
        file.close()
    refuse_other_roles(roles, known.get(key_of(act.operator), ""), "void a job")


def _reading(act: Act, name: str) -> Any:
    from capture.tagging import find_reading

    return find_reading(act.bench.reader, name).id


def _shown(act: Act, up_to: int | None) -> tuple[int | None, str]:
    """Give which voltages of other jobs are passed, and say which jobs those are."""
    from capture.jobs.shown import look

    state, now = act.state, act.bench.clock.utc()
    found = look(act.bench.desk.service, act.bench.reader, state)
    if up_to is None and act.seen is None:
        up_to = found.up_to(state, now)
    most = act.expects if up_to is None else up_to
    jobs = [
        f"{each.step} of job {each.job}" for each in found.locks(state, now) if each.newest <= most
    ]
    return up_to, f", also for what is left by {', '.join(jobs)}" if jobs else ""


def _pending(step: str | None, waiting: list[str], none: str) -> str:
    if step is not None:
        return step
    if not waiting:
        raise InputError(none)
    return waiting[-1]
