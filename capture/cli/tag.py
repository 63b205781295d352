"""``benchtally tag``: ties captured readings to a machine and a test point."""

from typing import Annotated

import typer

from capture.cli.bench import look_before_writing
from capture.cli.entry import DirectionOption, NoteOption, OperatorOption, PointOption, read_point
from capture.cli.output import DONE, ConfigOption, JsonOption, print_json, say
from capture.display import clean


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def tag(
        operator: OperatorOption,
        readings: Annotated[
            list[str],
            typer.Argument(
                help="Readings: ids, INSTRUMENT:SEQUENCE, INSTRUMENT:FIRST-LAST, INSTRUMENT:last."
            ),
        ],
        machine: Annotated[str, typer.Option(help="Machine, as on its label.")],
        point: PointOption = None,
        direction: DirectionOption = None,
        note: NoteOption = None,
        confirm: Annotated[
            bool,
            typer.Option("--confirm", help="A machine that nobody registered is meant."),
        ] = False,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Tie readings that were captured to a machine and a test point.

        The readings stay as they are; the tag is an entry of its own, and the newest one holds.
        Several readings are tied together or not at all: `benchtally tag ohm-1:12-17 ...`. A
        machine that is not registered is asked about.
        """
        from capture.cli.asking import ask
        from capture.clock import SystemClock
        from capture.config import load_config
        from capture.jobs.odd import described
        from capture.journal import JournalReader, Store
        from capture.tagging import each_reading, find_reading, make_tag

        settings = load_config(config)
        look_before_writing(settings)
        where = read_point(point, direction)
        names = each_reading(readings)
        reader = JournalReader(settings.journal_path)
        try:
            tags = [
                make_tag(
                    reader,
                    find_reading(reader, name),
                    site=settings.site,
                    bench=settings.bench,
                    time=SystemClock().utc(),
                    operator=operator,
                    machine=machine,
                    point=where,
                    note=note,
                )
                for name in names
            ]
            doubts = [] if confirm else described(reader, machine)[1]
        finally:
            reader.close()
        if doubts:
            ask(doubts, as_json=as_json, look_at="label", do="tag")
        store = Store(settings.journal_path)
        try:
            store.append(tags)
        finally:
            store.close()
        if as_json:
            print_json(each.model_dump(mode="json") for each in tags)
        else:
            for name, each in zip(names, tags, strict=True):
                at = f" at {where}" if where is not None else ""
                before = ", in place of an earlier tag" if each.supersedes else ""
                say(f"reading {clean(name)} is of machine {each.machine}{at}{before}")
        return DONE
