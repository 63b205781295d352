"""``benchtally readings``: what the journal holds."""

import itertools
from functools import partial
from typing import Annotated

import typer

from capture.cli.output import DONE, ConfigOption, JsonOption, print_json, say
from capture.display import HEADINGS, console, row_of, table


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def readings(
        config: ConfigOption = None,
        as_json: JsonOption = False,
        instrument: Annotated[str | None, typer.Option(help="Of this instrument only.")] = None,
        quantity: Annotated[str | None, typer.Option(help="Of this quantity only.")] = None,
        machine: Annotated[str | None, typer.Option(help="Of this machine only.")] = None,
        last: Annotated[
            int | None,
            typer.Option(min=1, max=10_000_000, help="The newest so many only (a table shows 50)."),
        ] = None,
    ) -> int:
        """List stored readings, oldest first, each with the tag that holds now."""
        from capture.config import load_config
        from capture.journal import JournalReader

        settings = load_config(config)
        reader = JournalReader(settings.journal_path)
        try:
            fitting = partial(
                reader.readings, instrument=instrument, quantity=quantity, machine=machine
            )
            if as_json and last is None:
                print_json(fitting())
                return DONE
            newest = fitting(newest_first=True)
            found = list(itertools.islice(newest, last or 50))[::-1]
        finally:
            reader.close()
        if as_json:
            print_json(found)
        elif not found:
            say("no readings fit")
        else:
            console().print(table(HEADINGS, [row_of(reading) for reading in found]))
        return DONE
