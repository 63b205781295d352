"""The command ``benchtally``. One module a command, imported when that command is run."""

import io
import os
import sys
from typing import Annotated

import typer
from typer.exceptions import TyperException

from capture import __version__
from capture.cli.commands import Commands
from capture.cli.output import DONE, FAILED, WRONG_USAGE, complain, say
from capture.errors import CaptureError, ConfigError, InputError, JournalFull, PluginError
from capture.extras import MissingExtraError

app = typer.Typer(
    name="benchtally",
    cls=Commands,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Bench-meter readings: captured, tied to a machine, stored, judged, delivered over MQTT.",
)


@app.callback(invoke_without_command=True)
def _main(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Say the version and end.")] = False,
) -> None:
    if version:
        say(f"benchtally {__version__}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        say(context.get_help())


#: What the person can put right before they try again.
_WRONG_USAGE = (TyperException, ConfigError, InputError, MissingExtraError, PluginError)


def main() -> None:
    """Run the command line; errors are one line a fault, never a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A terminal that has no Ω gets a poorer text, not a failure after the work was done.
            stream.reconfigure(errors="backslashreplace")
    sys.exit(_run())


def _run() -> int:
    try:
        result = app(standalone_mode=False)
    except typer.Exit as end:
        return end.exit_code
    except (typer.Abort, KeyboardInterrupt):
        return FAILED
    except BrokenPipeError:
        # The reader of our output has gone: nothing is wrong, and nobody is left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        return FAILED
    except (TyperException, CaptureError) as error:
        for line in _lines(error):
            complain(line)
        wrong = isinstance(error, _WRONG_USAGE)
        return WRONG_USAGE if wrong else FAILED
    except OSError as error:
        if os.environ.get("BENCHTALLY_TRACEBACK"):
            raise
        complain(f"{error.filename or 'this computer'}: {error.strerror or error}")
        return FAILED
    except Exception as error:
        if os.environ.get("BENCHTALLY_TRACEBACK"):
            raise
        complain(
            f"internal error: {type(error).__name__}: {error}; "
            "set BENCHTALLY_TRACEBACK=1 and report what it prints"
        )
        return FAILED
    return result if isinstance(result, int) else DONE


def _lines(error: TyperException | CaptureError) -> list[str]:
    if isinstance(error, ConfigError):
        return error.faults
    if isinstance(error, JournalFull):
        # The daemon keeps what it could not store; a command has nowhere to keep it.
        return [f"{error}; what this command was given is not stored: do it again"]
    if isinstance(error, TyperException):
        context = getattr(error, "ctx", None)
        command = context.command_path if context else "benchtally"
        said = error.format_message().rstrip(".").replace("Value error, ", "")
        return [f"{said} (see `{command} --help`)"]
    return [str(error)]
