"""``benchtally profile``: try a profile on a trace, or make one from what a meter sends."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.commands import Group
from capture.cli.output import DONE, FAILED, JsonOption, print_json
from capture.cli.profile_tried import printable, show, tried
from capture.cli.trace import BaudOption, DataBitsOption, ParityOption, TcpOption

if TYPE_CHECKING:
    from capture.driver.replay import Outcome

TraceOption = Annotated[Path | None, typer.Option("--trace", metavar="FILE", help="A trace.")]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    profile = typer.Typer(
        cls=Group,
        help="Profiles: what an ordinary meter needs, in a TOML file.",
        no_args_is_help=True,
    )
    app.add_typer(profile, name="profile")

    @profile.command("try")
    def try_(
        file: Annotated[Path, typer.Argument(metavar="FILE", help="The profile; or its name.")],
        trace: Annotated[Path, typer.Option("--trace", metavar="FILE", help="Recorded bytes.")],
        as_json: JsonOption = False,
    ) -> int:
        """Show line by line what a profile makes of a trace. Needs no instrument."""
        from capture.runtime.trace import read_trace

        chunks = [(each.time, each.data) for each in read_trace(trace) if each.received]
        outcomes = tried(file, chunks)
        if as_json:
            print_json(_as_json(outcome) for outcome in outcomes)
        else:
            show(outcomes)
        return DONE if any(outcome.indications for outcome in outcomes) else FAILED

    @profile.command("new")
    def new(
        port: Annotated[str | None, typer.Option(help="Serial port to listen on.")] = None,
        tcp: TcpOption = None,
        trace: TraceOption = None,
        seconds: Annotated[
            float, typer.Option("--for", metavar="SECONDS", min=0.5, help="How long to listen.")
        ] = 10.0,
        baud: BaudOption = None,
        data_bits: DataBitsOption = None,
        parity: ParityOption = None,
        out: Annotated[
            Path | None, typer.Option(metavar="FILE", help="Where to write; else it is asked.")
        ] = None,
    ) -> int:
        """Make a profile: listens, shows what comes, asks what it means, tries it, writes it.

        Nothing is ever sent to the instrument.
        """
        from capture.cli.profile_new import Interview

        serial = {"baud": baud, "data_bits": data_bits, "parity": parity}
        return Interview(port, tcp, trace, seconds, serial, out).run()


def _as_json(outcome: "Outcome") -> dict[str, Any]:
    return {
        "t": outcome.time,
        "became": str(outcome.kind),
        "bytes": printable(outcome.raw),
        "reason": outcome.text,
        "values": [
            {
                "quantity": each.quantity,
                "value": None if each.value is None else float(each.value),
                "unit": each.unit,
                "status": str(each.status),
                "elapsed": None if each.elapsed is None else float(each.elapsed),
                "record": each.record,
            }
            for each in outcome.indications
        ],
    }
