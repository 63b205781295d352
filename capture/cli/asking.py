"""Asking a person about odd values before they are stored; where nobody sits there, refusing."""

import shlex
import sys
from typing import TYPE_CHECKING

import typer

from capture.cli.output import say
from capture.display import clean
from capture.errors import CaptureError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capture.jobs.plausible import Doubt


def ask(
    doubts: "Sequence[Doubt]",
    *,
    as_json: bool,
    look_at: str = "display",
    do: str = "key",
) -> None:
    """Ask whether what is odd stands so; returning means that it does.

    look_at: where a person looks once more. do: what they then do again, in a word.

    Raises:
        CaptureError: it does not, or there is nobody to ask; nothing is to be stored then.
    """
    words = [_question(doubt) for doubt in doubts]
    if as_json or not sys.stdin.isatty():
        raise CaptureError(
            f"{'; '.join(words)}; nothing is stored: look at the {look_at} once more, and add "
            "--confirm if it stands so"
        )
    for each in words:
        say(clean(each))
    if not typer.confirm(f"Look at the {look_at} once more. Does it stand so?"):
        raise CaptureError(f"nothing is stored; {do} it again")


def _question(doubt: "Doubt") -> str:
    if doubt.machine is not None:
        return f"{doubt.words}, `benchtally machine add {shlex.quote(doubt.machine)}` registers it"
    return doubt.question
