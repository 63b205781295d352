"""What people decide of a historian: to ask once more, or that something can never come."""

from typing import Annotated, Literal

import typer

from capture.cli.entry import OperatorOption
from capture.cli.historian import ConfigOption, ready_database, settings_of
from capture.cli.output import DONE, say
from capture.errors import InputError


def register(historian: typer.Typer) -> None:
    """Add the commands."""

    @historian.command()
    def retry(config: ConfigOption = None) -> int:
        """Ask benches once more for what was given up, as after a fault there was mended."""
        settings = settings_of(config)
        from capture.historian.overview import ask_once_more

        with ready_database(settings) as database:
            count = ask_once_more(database)
        say(f"{count} opened again" if count else "nothing was given up")
        return DONE

    @historian.command()
    def settle(
        bench: Annotated[str, typer.Argument(metavar="SITE/BENCH", help="As in the listing.")],
        state: Annotated[
            Literal["given-up", "cut-off", "gone", "reused", "refused"],
            typer.Option(help="All of this bench that `historian gaps` shows in this state."),
        ],
        why: Annotated[str, typer.Option(metavar="TEXT", help="Why it can never come.")],
        operator: OperatorOption,
        instrument: Annotated[str | None, typer.Option(help="Of this instrument only.")] = None,
        first: Annotated[
            int | None, typer.Option(min=0, help="Only what begins with this number.")
        ] = None,
        config: ConfigOption = None,
    ) -> int:
        """Take what can never come off the list of gaps; who said so and why is kept."""
        site, slash, name = bench.partition("/")
        if not (site and slash and name):
            raise InputError(f"{bench!r}: say SITE/BENCH, as `historian gaps` lists them")
        settings = settings_of(config)
        from capture.historian.settle import Which, settle

        which = Which(site, name, state, instrument, first)
        with ready_database(settings) as database:
            count = settle(database, which, operator, why)
        if not count:
            raise InputError(f"{bench}: nothing of that is {state}; see `historian gaps`")
        say(f"{count} settled; `historian gaps --settled` lists what was")
        return DONE
