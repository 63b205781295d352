"""``benchtally simulate``: simulated instruments on a pseudo-terminal or a TCP port."""

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(
        context_settings={
            "allow_extra_args": True,
            "ignore_unknown_options": True,
            "help_option_names": [],
        }
    )
    def simulate(
        arguments: Annotated[
            list[str] | None, typer.Argument(help="KIND and its options; --list, --help.")
        ] = None,
    ) -> int:
        """Serve a simulated instrument (--list says which there are)."""
        from simulators.__main__ import main

        try:
            return main(arguments or ["--help"], "benchtally simulate")
        except SystemExit as end:  # argparse ends by itself on --help and on wrong usage
            return end.code if isinstance(end.code, int) else 0
