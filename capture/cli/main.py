"""The command ``benchtally``. One module a command; each imports what it needs when it runs."""

import os
import sys
from typing import Annotated, Any

import typer

from capture import __version__
from capture.cli import (
    check,
    demo,
    drivers,
    follow,
    key,
    ports,
    readings,
    run,
    schema,
    simulate,
    tag,
)
from capture.cli.output import FAILED, WRONG_USAGE, complain, say
from capture.errors import CaptureError, ConfigError, InputError, PluginError

# What typer raises on wrong usage. Newer ones carry a click of their own, whose classes are not
# those of an installed click; the public BadParameter is of the right family in either case.
_UsageError: Any = typer.BadParameter.__mro__[1]
_ClickException: Any = typer.BadParameter.__mro__[2]

app = typer.Typer(
    name="benchtally",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Bench-meter readings: captured, tied to a machine, stored, judged, delivered over MQTT.",
)

for module in (run, check, ports, drivers, readings, follow, key, tag, simulate, schema, demo):
    module.register(app)


@app.callback(invoke_without_command=True)
def _main(
    version: Annotated[bool, typer.Option("--version", help="Say the version and end.")] = False,
) -> None:
    if version:
        say(f"benchtally {__version__}")
        raise typer.Exit


def main() -> None:
    """Run the command line; errors are one line a fault, never a traceback."""
    sys.exit(_run())


def _run() -> int:
    try:
        result = app(standalone_mode=False)
    except typer.Exit as end:
        return end.exit_code
    except typer.Abort:
        return FAILED
    except _UsageError as error:
        command = error.ctx.command_path if error.ctx else "benchtally"
        complain(f"{error.format_message()} (see `{command} --help`)")
        return WRONG_USAGE
    except _ClickException as error:
        complain(error.format_message())
        return WRONG_USAGE
    except ConfigError as error:
        for fault in error.faults:
            complain(fault)
        return WRONG_USAGE
    except (InputError, PluginError) as error:
        complain(str(error))
        return WRONG_USAGE
    except CaptureError as error:
        complain(str(error))
        return FAILED
    except BrokenPipeError:
        # The reader of our output has gone: nothing is wrong, and nobody is left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        return FAILED
    except KeyboardInterrupt:
        return FAILED
    except Exception as error:  # noqa: BLE001 - no traceback reaches a person
        if os.environ.get("BENCHTALLY_TRACEBACK"):
            raise
        complain(
            f"internal error: {type(error).__name__}: {error}; "
            "set BENCHTALLY_TRACEBACK=1 and report what it prints"
        )
        return FAILED
    return result if isinstance(result, int) else 0
