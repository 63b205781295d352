"""``benchtally demo``: everything at work, on simulated instruments."""

from pathlib import Path
from typing import Annotated

import typer

from capture.cli.output import DONE


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def demo(
        once: Annotated[bool, typer.Option("--once", help="End after the last stage.")] = False,
        folder: Annotated[
            Path, typer.Option("--dir", metavar="DIR", help="Where configuration and journal go.")
        ] = Path("demo-run"),
    ) -> int:
        """Measure a simulated machine with the real program, and show all of it."""
        from capture.extras import require_extra

        # A broker of the system's does for amqtt: that is looked at where one is started.
        require_extra("the demonstration", "demo", but=("amqtt",))
        from capture.demo.scenario import Demo

        Demo(folder).run(once=once)
        return DONE
