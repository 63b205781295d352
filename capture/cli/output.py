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
