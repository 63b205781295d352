"""``benchtally trace``: record what a port sends."""

import threading
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.output import DONE, ConfigOption, say
from capture.errors import ConfigError, InputError

if TYPE_CHECKING:
    from capture.links import Link

PortArgument = Annotated[str | None, typer.Argument(metavar="PORT", help="Serial port.")]
TcpOption = Annotated[str | None, typer.Option(metavar="HOST:PORT", help="A TCP socket instead.")]
BaudOption = Annotated[int | None, typer.Option(help="Of a serial port; 9600 if not given.")]
DataBitsOption = Annotated[int | None, typer.Option(help="5, 6, 7 or 8.")]
ParityOption = Annotated[str | None, typer.Option(help="none, even, odd, mark or space.")]
StopBitsOption = Annotated[float | None, typer.Option(help="1, 1.5 or 2.")]
LineOption = Annotated[bool | None, typer.Option(help="Level to set on opening.")]


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def trace(
        port: PortArgument = None,
        out: Annotated[Path, typer.Option(metavar="FILE", help="Where to write.")] = Path(
            "trace.jsonl"
        ),
        seconds: Annotated[
            float, typer.Option("--for", metavar="SECONDS", min=0.1, help="How long to listen.")
        ] = 30.0,
        baud: BaudOption = None,
        data_bits: DataBitsOption = None,
        parity: ParityOption = None,
        stop_bits: StopBitsOption = None,
        dtr: LineOption = None,
        rts: LineOption = None,
        tcp: TcpOption = None,
        config: ConfigOption = None,
        instrument: Annotated[
            str | None, typer.Option(metavar="NAME", help="The link of a configured instrument.")
        ] = None,
    ) -> int:
        """Record the bytes that a port receives, with their times. Nothing is ever sent.

        Opening a serial port moves its control lines. A port that the daemon has open is busy.
        """
        from capture.clock import SystemClock
        from capture.runtime.trace import TraceWriter, listen

        serial = {
            "baud": baud,
            "data_bits": data_bits,
            "parity": parity,
            "stop_bits": stop_bits,
            "dtr": dtr,
            "rts": rts,
        }
        link, settings = chosen_link(port, tcp, serial, config, instrument)
        clock, seen = SystemClock(), [0, 0]
        with out.open("w", encoding="utf-8") as file:
            writer = TraceWriter(file, clock, link.description, settings)

            def take(data: bytes) -> bool:
                writer.received(data)
                seen[0] += len(data)
                seen[1] += 1
                return False

            with suppress(KeyboardInterrupt):  # stopping early is no failure: what came is kept
                listen(link, seconds, clock, threading.Event(), take, writer.event)
        say(f"{out}: {seen[0]} bytes in {seen[1]} pieces from {link.description}")
        return DONE


def chosen_link(
    port: str | None,
    tcp: str | None,
    serial: dict[str, Any],
    config: Path | None,
    instrument: str | None,
) -> tuple["Link", dict[str, Any]]:
    """Make the link that a command line names, and give its settings.

    Raises:
        InputError: none or several are named, or a setting is wrong.
        ConfigError: the configuration or the instrument in it cannot be used.
    """
    from pydantic import ValidationError

    from capture.config import SerialSettings, TcpSettings
    from capture.faults import one_line, shown
    from capture.links import make_link
    from capture.links.address import host_and_port

    if [port, tcp, instrument].count(None) != 2:  # noqa: PLR2004 - two of three are left out
        raise InputError("name one: a serial PORT, --tcp HOST:PORT, or --instrument NAME")
    if instrument is not None:
        return _configured(config, instrument)
    given = {name: value for name, value in serial.items() if value is not None}
    try:
        if port is not None:
            settings: SerialSettings | TcpSettings = SerialSettings(port=port, **given)
        else:
            found = host_and_port(tcp or "")
            if found is None:
                raise InputError(f"--tcp: found {shown(tcp)}, expected HOST:PORT")
            settings = TcpSettings(host=found[0], port=found[1])
    except ValidationError as error:
        raise InputError(one_line(error)) from error
    said = settings.model_dump(exclude_none=True, exclude={"kind", "port", "host"})
    return make_link(settings), said


def _configured(config: Path | None, instrument: str) -> tuple["Link", dict[str, Any]]:
    from capture.config import load_config
    from capture.instruments import build_instruments
    from capture.plugins import DriverRegistry

    made = {each.id: each for each in build_instruments(load_config(config), DriverRegistry.load())}
    if instrument not in made:
        listed = ", ".join(made) or "none"
        raise ConfigError([f"instruments.{instrument}: not configured; there are {listed}"])
    link = made[instrument].make_link()
    if link.message_based:
        raise InputError(
            f"{instrument}: its link hands over data only when asked for it, and a trace never asks"
        )
    return link, {"instrument": instrument}
