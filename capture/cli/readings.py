"""``benchtally readings``: what the journal holds."""

import itertools
from functools import partial
from typing import Annotated, Any

import typer

from capture.cli.output import DONE, ConfigOption, JsonOption, console, print_json, say, table


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
            int | None, typer.Option(min=1, help="The newest so many only (a table shows 50).")
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


#: Columns of a listing of readings.
HEADINGS = (
    "time (UTC)",
    "instrument",
    "no.",
    "quantity",
    "shown",
    "status",
    "machine",
    "point",
    "by",
)


def row_of(reading: dict[str, Any]) -> tuple[str, ...]:
    """Give a reading's cells."""
    tag = reading.get("tag") or {}
    return (
        str(reading["time"])[:23].replace("T", " "),
        reading["instrument"],
        str(reading["sequence"]),
        reading["quantity"],
        shown(reading),
        reading["status"],
        tag.get("machine", ""),
        point_of(tag.get("test_point")),
        origin(reading["source"]),
    )


def shown(reading: dict[str, Any]) -> str:
    """Write a value as it was shown."""
    bound = reading.get("bound") or {}
    mark = {"above": ">", "below": "<"}.get(bound.get("side", ""), "")
    return f"{mark}{reading['digits']} {reading['shown_unit'] or reading['unit']}"


def point_of(point: dict[str, Any] | None) -> str:
    """Write a test point."""
    if not point:
        return ""
    text = f"{'+'.join(point['first'])}-{'+'.join(point['second'])}"
    for place in ("guard", "earth"):
        if point.get(place):
            text += f" {place} {'+'.join(point[place])}"
    return text


def origin(source: dict[str, Any]) -> str:
    """Say where a number came from, in a word or two."""
    if source["kind"] in ("keyed", "photo", "imported"):
        return f"{source['kind']} by {source['operator']}"
    return str(source["kind"])
