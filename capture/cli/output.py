"""What every command shares: options, printing, and complaints on one line."""

import json
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any

import typer

DONE, FAILED, WRONG_USAGE = 0, 1, 2

ConfigOption = Annotated[
    Path | None,
    typer.Option("--config", "-c", metavar="FILE", help="Configuration file."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON object a line.")]


def print_json(objects: Iterable[Any]) -> None:
    """Print one JSON object a line."""
    for each in objects:
        sys.stdout.write(json_text(each) + "\n")
    sys.stdout.flush()


def json_text(value: Any) -> str:
    """Write JSON that reads back the same and holds nothing that a terminal would obey.

    JSON leaves C1 controls, direction marks and lone surrogates as they are; here they are spelt
    out, and everything that people read stays readable.
    """
    text = json.dumps(value, ensure_ascii=False, default=str)
    return "".join(c if c.isprintable() else json.dumps(c)[1:-1] for c in text)


def say(text: str) -> None:
    """Print a line for a person."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def complain(text: str) -> None:
    """Print one line on standard error, whatever the text came from."""
    from capture.display import clean

    sys.stderr.write(f"benchtally: {clean(' '.join(text.splitlines()))}\n")
    sys.stderr.flush()
