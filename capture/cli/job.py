"""``benchtally job``: a machine's tests, step by step, from the start to the signature."""

import uuid
from itertools import islice
from pathlib import Path
from typing import Annotated, Any

import typer

from capture.cli import job_acts, job_watch
from capture.cli.bench import IdOption, JobArgument, id_beside, open_bench
from capture.cli.commands import Group
from capture.cli.entry import OperatorOption
from capture.cli.fields import CONDITION_WORDS, checked, given, with_fields
from capture.cli.output import DONE, ConfigOption, JsonOption, print_json, say
from capture.display import clean, console, table
from capture.errors import ConfigError, InputError
from capture.model.job import JobConditions

_SHOWN = 50  # jobs of a table, where nobody says how many


def register(app: typer.Typer) -> None:
    """Add the commands."""
    job = typer.Typer(
        cls=Group, help="Jobs: the tests of one machine, guided step by step.", no_args_is_help=True
    )
    app.add_typer(job, name="job")
    _procedures(job)
    _start(job)
    _looking(job)
    _next(job)
    job_watch.register(job)
    job_acts.register(job)


def _procedures(job: typer.Typer) -> None:
    @job.command()
    def procedures(as_json: JsonOption = False) -> int:
        """List the procedures: built in, and on the search path; faulty ones with their fault."""
        found = [_procedure_line(name) for name in _known()]
        if as_json:
            print_json(found)
        else:
            rows = [
                (
                    each["name"],
                    each["steps"] if each["faults"] == [] else "faulty",
                    "; ".join(each["faults"]) or each["title"],
                    each["source"],
                )
                for each in found
            ]
            console(120).print(table(("procedure", "steps", "title", "from"), rows))
        return DONE

    @job.command()
    def procedure(
        name: Annotated[str, typer.Argument(help="Name of a procedure, or a path to its .toml.")],
        as_json: JsonOption = False,
    ) -> int:
        """Show a procedure: cautions first, then its steps. Needs no journal."""
        from capture.jobs.procedure import load_procedure

        found = load_procedure(name)
        if as_json:
            print_json([found.model_dump(mode="json")])
            return DONE
        say(f"{clean(found.title)} ({found.name}), {len(found.steps)} steps")
        for caution in found.cautions:
            say(f"CAUTION: {clean(caution)}")
        for number, step in enumerate(found.steps, start=1):
            say(f"{number}. {step.id}: {clean(step.title)}")
            for caution in step.cautions:
                say(f"   CAUTION: {clean(caution)}")
            times = ", ".join(f"{at:g} s" for at in step.take.at_s)
            how = f"{step.take.how} at {times}" if times else step.take.how
            say(clean(f"   {', '.join(step.points)}: {step.quantity}, {how}"))
            if step.explain:
                say(f"   {clean(step.explain)}")
        return DONE


def _start(job: typer.Typer) -> None:
    @job.command()
    @with_fields(JobConditions, CONDITION_WORDS)
    def start(
        operator: OperatorOption,
        machine: Annotated[str, typer.Argument(help="Machine, as it was registered.")],
        procedure: Annotated[str, typer.Argument(help="Name of a procedure, or a .toml file.")],
        beside: Annotated[
            bool, typer.Option("--beside", help="Though the same procedure is open on the machine.")
        ] = False,
        job_id: Annotated[
            str | None, typer.Option("--job-id", metavar="UUID", help="Id for the job.")
        ] = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
        **fields: Any,
    ) -> int:
        """Start a job on a registered machine, by a procedure that is kept with it whole."""
        from capture.cli.bench import read_id
        from capture.cli.job_words import show_briefly
        from capture.jobs.opened import OpenJobError
        from capture.jobs.procedure import load_procedure

        asked = load_procedure(procedure)
        held = checked(JobConditions, given(fields))
        with open_bench(config) as bench:
            who = bench.who(operator, id_)
            made = read_id(job_id) or _job_id(who.id)
            try:
                state = bench.desk.service.start(made, machine, asked, who, held, beside=beside)
            except OpenJobError as error:
                # Which option says so is the command's own; the API has another word for it.
                raise InputError(f"{error}: --beside") from error
            view = bench.desk.view(state)
        if as_json:
            print_json([view])
            return DONE
        say(f"job {state.job} started: {clean(asked.title)} of machine {clean(machine)}")
        for caution in view["cautions"]:
            say(f"CAUTION: {clean(caution)}")
        show_briefly(view)
        return DONE


def _looking(job: typer.Typer) -> None:
    @job.command("list")
    def list_(
        machine: Annotated[str | None, typer.Option(help="Of this machine only.")] = None,
        last: Annotated[
            int | None,
            typer.Option(min=1, max=10_000_000, help="The newest so many only (a table shows 50)."),
        ] = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """List the jobs with their verdicts, the one that was worked on last first."""
        with open_bench(config, only_reads=True) as bench:
            fitting = (
                state
                for state in bench.desk.service.newest_first()
                if machine in (None, state.machine)
            )
            if as_json:
                print_json(bench.desk.listed(islice(fitting, last)))
                return DONE
            most = last or _SHOWN
            found = list(bench.desk.listed(islice(fitting, most)))
            more = next(fitting, None) is not None
        if not found:
            say("no jobs fit")
            return DONE
        _show_list(found)
        if more:
            say(f"there are older ones; --last {2 * most} shows more of them")
        return DONE

    @job.command()
    def show(job: JobArgument, config: ConfigOption = None, as_json: JsonOption = False) -> int:
        """Show a job: the plain sentence, its steps and what holds them, results with figures."""
        from capture.cli.job_words import show_job

        with open_bench(config, only_reads=True) as bench:
            view = bench.desk.view(bench.state(job))
        if as_json:
            print_json([view])
        else:
            show_job(view)
        return DONE


def _next(job: typer.Typer) -> None:
    @job.command("next")
    def next_(
        job: JobArgument,
        step: Annotated[
            str | None, typer.Option(help="Another step than the one that is due.")
        ] = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Show one step in full: cautions first, then the leads, then what is set and asked."""
        from capture.cli.job_words import current_step, show_briefly, show_step

        with open_bench(config, only_reads=True) as bench:
            state = bench.state(job)
            if step is not None:
                state.step(step)
            view = bench.desk.view(state)
        wanted = current_step(view)
        if step is not None:
            wanted = next(each for each in view["steps"] if each["id"] == step)
        if as_json:
            print_json([] if wanted is None else [wanted])
        elif wanted is None:
            show_briefly(view)
        else:
            show_step(view, wanted)
        return DONE


def _show_list(found: list[dict[str, Any]]) -> None:
    from capture.cli.job_words import verdict_words

    rows = [
        (
            each["job"],
            each["machine"],
            each["procedure"],
            each["status"],
            f"{each['done']} of {each['of']}",
            str(each["started"])[:16].replace("T", " "),
            verdict_words(each),
        )
        for each in found
    ]
    headings = ("job", "machine", "procedure", "status", "steps", "started (UTC)", "verdict")
    console().print(table(headings, rows))


def _job_id(act: uuid.UUID) -> uuid.UUID:
    """Give the job's id from that of its start, so that starting it twice starts it once."""
    return id_beside(act, 1)


def _known() -> list[str]:
    from capture.jobs.procedure import known_procedures

    return known_procedures()


def _procedure_line(name: str) -> dict[str, Any]:
    from capture.jobs.procedure import load_procedure, search_path

    folder = next((folder for folder in search_path() if (folder / f"{name}.toml").is_file()), None)
    line: dict[str, Any] = {
        "name": name,
        "title": "",
        "steps": 0,
        "source": "built in" if folder is None else str(Path(folder) / f"{name}.toml"),
        "faults": [],
    }
    try:
        found = load_procedure(name)
    except ConfigError as error:
        return {**line, "faults": error.faults}
    return {**line, "title": found.title, "steps": len(found.steps)}
