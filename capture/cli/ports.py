"""``benchtally ports``: the serial ports of this host."""

import typer

from capture.cli.output import DONE, JsonOption, print_json, say
from capture.display import console, table


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def ports(as_json: JsonOption = False) -> int:
        """List the serial ports: where each is, and what to write in a configuration for it.

        Nothing is opened and nothing is sent. Pseudo-terminals are not listed.
        """
        from dataclasses import asdict

        from capture.links import serial_ports

        found = serial_ports()
        if as_json:
            print_json(asdict(port) for port in found)
        elif not found:
            say("no serial ports; plug in an adapter, or write a port's path in the configuration")
        else:
            rows = [
                (
                    port.path,
                    port.identity,
                    port.description,
                    f"in use by {port.holder}"
                    if port.holder
                    else ("free" if port.usable else "no permission"),
                )
                for port in found
            ]
            console().print(table(("port", "write as", "what it says of itself", "state"), rows))
        return DONE
