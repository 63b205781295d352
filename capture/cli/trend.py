"""``benchtally trend`` and ``benchtally compare``: a machine over its jobs, two jobs together."""

from typing import TYPE_CHECKING, Annotated

import typer

from capture.cli.bench import open_bench
from capture.cli.output import DONE, ConfigOption, JsonOption, print_json, say
from capture.display import clean, console, table

if TYPE_CHECKING:
    from capture.model.comparison import ComparedJob, Comparison
    from capture.model.trend import MachineTrends


def register(app: typer.Typer) -> None:
    """Add the commands."""

    @app.command()
    def trend(
        machine: Annotated[str, typer.Argument(metavar="MACHINE", help="Machine, as registered.")],
        until: Annotated[
            str | None,
            typer.Option(metavar="JOB", help="Up to this job: its id, its beginning, or last."),
        ] = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Show how the values of a machine have moved over its jobs, and where they are going."""
        from capture.jobs.trends import trends_document

        with open_bench(config, only_reads=True) as bench:
            job = None if until is None else bench.state(until).job
            found = trends_document(bench.desk, machine, bench.clock.utc(), until=job)
        if as_json:
            print_json([found.model_dump(mode="json")])
        else:
            _show(found)
        return DONE

    @app.command()
    def compare(
        first: Annotated[str, typer.Argument(metavar="JOB", help="Id, or its beginning.")],
        second: Annotated[str, typer.Argument(metavar="JOB", help="The other one, or last.")],
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Put two jobs beside each other: before and after, or a machine and its sister."""
        from capture.jobs.compare import compare as compared

        with open_bench(config, only_reads=True) as bench:
            jobs = bench.state(first).job, bench.state(second).job
            found = compared(bench.desk, *jobs, bench.clock.utc())
        if as_json:
            print_json([found.model_dump(mode="json")])
        else:
            _show_two(found)
        return DONE


def _show(found: "MachineTrends") -> None:
    from capture.records.moving import table_of
    from capture.records.texts import catalogue

    text = catalogue("en")
    made = table_of(found.trends, text)
    if made is None:
        say(f"nothing comparable has been measured at machine {clean(found.machine)} yet")
    else:
        console().print(table(tuple(made.head), [tuple(map(clean, row)) for row in made.rows]))
        say(text("trend_note"))
        notes = [f"{each.name or each.quantity} {each.point}: {note}" for each in found.trends
                 for note in each.notes]  # fmt: skip
        for note in notes:
            say(f"note: {clean(note)}")
    for each in found.left_out:
        say(f"left out: {clean(each)}")


def _show_two(found: "Comparison") -> None:
    from capture.records.compared import comparison_table
    from capture.records.texts import catalogue

    for place, job in (("first", found.first), ("second", found.second)):
        say(clean(f"{place}: {_about(job)}"))
    text = catalogue("en")
    made = comparison_table(found, text)
    if not made.rows:
        say("neither job holds a value that could be compared")
        return
    console().print(table(tuple(made.head), [tuple(map(clean, row)) for row in made.rows]))
    say(text("compare_note"))
    for each in found.differences:
        say(f"differs: {clean(each)}")
    for each in found.left_out:
        say(f"left out: {clean(each)}")


def _about(job: "ComparedJob") -> str:
    state = f", {job.state}" if job.state else ""
    when = f"{job.started:%Y-%m-%d %H:%M}"
    return f"{job.machine}, {job.title}, {when} UTC{state}: {job.sentence}"
