"""Command line of the simulators: `python -P -m simulators KIND [--pty LINK | --tcp PORT] ...`.

One line of JSON on stdout says where the instrument is; from then on each line on stdin is a hand
command and is answered by one line on stdout.
"""

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

from simulators import catalogue, faults, winding_faults
from simulators.faults import Damaged
from simulators.ports import Port, PseudoTerminal, TcpServer
from simulators.serve import Station, serve_forever
from simulators.settings import SettingsError, pairs

FAILED = 1
WRONG_USAGE = 2


class _Parser(argparse.ArgumentParser):
    """Says what is wrong with a call on one line."""

    def error(self, message: str) -> NoReturn:
        self.exit(WRONG_USAGE, f"{self.prog}: {message} (see `{self.prog} --help`)\n")


def main(argv: Sequence[str] | None = None, name: str = "simulators") -> int:
    """Serve one simulated instrument until stopped; `name` is what the person called.

    Returns 0 when stopped, 1 when the port cannot be had, 2 for wrong usage; the reason is one
    line on stderr.
    """
    arguments = _parser(name).parse_args(argv)
    if arguments.list:
        print(json.dumps(catalogue.listing()) if arguments.json else catalogue.listing_text())  # noqa: T201 - this is the command's output
        return 0
    try:
        station = _station(arguments)
    except SettingsError as error:
        return _complain(name, str(error), WRONG_USAGE)
    except (OSError, ValueError) as error:
        return _complain(name, f"{arguments.kind}: cannot open its port: {error}", FAILED)
    serve_forever(
        [station],
        hand=sys.stdin.fileno() if sys.stdin is not None else None,
        answers=sys.stdout,
        stop_at_eof=arguments.stop_at_eof,
    )
    return 0


def _parser(name: str) -> argparse.ArgumentParser:
    parser = _Parser(prog=name, description="Serve one simulated instrument.")
    parser.add_argument("kind", nargs="?", help="what to simulate; see --list")
    parser.add_argument("--list", action="store_true", help="say what there is, and end")
    parser.add_argument("--json", action="store_true", help="with --list: as JSON")
    where = parser.add_mutually_exclusive_group()
    where.add_argument(
        "--pty", metavar="LINK", nargs="?", const="", help="pseudo-terminal (default), with a link"
    )
    where.add_argument("--tcp", metavar="PORT", type=int, help="TCP on 127.0.0.1; 0 is any free")
    parser.add_argument("--rate", help="readings or lines a second; short for --option rate=")
    parser.add_argument(
        "--option", "-o", action="append", default=[], metavar="KEY=VALUE", help="see --list"
    )
    parser.add_argument(
        "--winding",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="measure a physical winding: ohms, henries, connection, turns, rotor.cage ...",
    )
    parser.add_argument(
        "--winding-fault",
        action="append",
        default=[],
        metavar="NAME[:KEY=VALUE,...]",
        help=f"fault of that winding: {', '.join(winding_faults.NAMES)}",
    )
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="NAME[:KEY=VALUE,...]",
        help=f"damage on the line: {', '.join(faults.KINDS)}",
    )
    parser.add_argument("--seed", type=int, default=1, help="seed of noise and damage")
    parser.add_argument(
        "--lossless", action="store_true", help="wait for the host rather than lose bytes"
    )
    parser.add_argument("--buffer", type=int, default=4096, help="bytes kept for a slow host")
    parser.add_argument("--baud", type=int, help="line speed; a host at another one sees noise")
    parser.add_argument(
        "--queue-clients", action="store_true", help="TCP: a second client waits, else is refused"
    )
    parser.add_argument("--stop-at-eof", action="store_true", help="end when stdin is closed")
    return parser


def _station(arguments: argparse.Namespace) -> Station:
    if arguments.kind is None:
        raise SettingsError("say what to simulate; --list shows what there is")
    options = pairs(arguments.option)
    options.setdefault("seed", str(arguments.seed))
    if arguments.rate is not None:
        options["rate"] = arguments.rate
    specimen = None
    if arguments.winding or arguments.winding_fault:
        # Linear algebra takes longer to import than all the rest: not for who has no use for it.
        from simulators import physical  # noqa: PLC0415

        winding = physical.read_winding(pairs(arguments.winding), arguments.winding_fault)
        specimen = physical.PhysicalSpecimen(winding)
    instrument = catalogue.make(arguments.kind, options, specimen)
    damaged = Damaged(instrument, arguments.fault, arguments.seed)
    port: Port
    if arguments.tcp is not None:
        port = TcpServer(arguments.tcp, arguments.buffer, queue=arguments.queue_clients)
    else:
        link = Path(arguments.pty) if arguments.pty else None
        port = PseudoTerminal(link, arguments.buffer, arguments.baud or 9600)
    station = Station(
        arguments.kind,
        damaged,
        port,
        lossless=arguments.lossless,
        baud=arguments.baud,
        seed=arguments.seed,
    )
    if specimen is not None:
        specimen.attach(station.hand)
    return station


def _complain(name: str, text: str, code: int) -> int:
    print(f"{name}: {text}", file=sys.stderr)  # noqa: T201 - one line to the person
    return code


if __name__ == "__main__":
    raise SystemExit(main())
