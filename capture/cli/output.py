"""What every command shares: the configuration option, printing, and errors on one line.

Whatever comes from outside is hostile text: it is stripped of control characters and never read as
markup.
"""

import json
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.box import SIMPLE
from rich.console import Console
from rich.table import Table
from rich.text import Text

DONE, FAILED, WRONG_USAGE = 0, 1, 2

ConfigOption = Annotated[
    Path | None,
    typer.Option("--config", "-c", metavar="FILE", help="Configuration file."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON object a line.")]


def console(without_terminal: int = 160) -> Console:
    """Give a console on standard output; so many columns wide where that is no terminal."""
    width = None if sys.stdout.isatty() else without_terminal
    return Console(width=width, highlight=False, soft_wrap=False, emoji=False, markup=False)


def clean(text: object) -> str:
    """Make outside text printable: control characters and escapes become visible marks."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in str(text))


def cell(text: object, style: str = "") -> Text:
    """Make a table cell that is never read as markup."""
    return Text(clean(text), style=style)


def table(headings: Sequence[str], rows: Iterable[Sequence[object]], *, title: str = "") -> Table:
    """Make a table of plain cells."""
    made = Table(box=SIMPLE, title=title or None, title_justify="left", pad_edge=False)
    for heading in headings:
        made.add_column(heading, overflow="fold")
    for row in rows:
        made.add_row(*(each if isinstance(each, Text) else cell(each) for each in row))
    return made


def print_json(objects: Iterable[Any]) -> None:
    """Print one JSON object a line."""
    for each in objects:
        sys.stdout.write(json.dumps(each, ensure_ascii=False, default=str) + "\n")
    sys.stdout.flush()


def say(text: str) -> None:
    """Print a line for a person."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def complain(text: str) -> None:
    """Print a line on standard error."""
    sys.stderr.write(f"benchtally: {text}\n")
    sys.stderr.flush()
