"""``benchtally profile``: try a profile on a trace, or make one from what a meter sends."""

import threading
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.commands import Group
from capture.cli.output import DONE, FAILED, JsonOption, print_json, say
from capture.cli.trace import BaudOption, DataBitsOption, ParityOption, TcpOption
from capture.display import clean, console, table
from capture.errors import InputError

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
        file: Annotated[Path, typer.Argument(metavar="FILE", help="The profile.")],
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


def tried(file: Path, chunks: Iterable[tuple[float, bytes]]) -> list["Outcome"]:
    """Run a profile's own driver on recorded bytes.

    Raises:
        ConfigError: the profile is faulty or its driver is not installed.
        InputError: its driver holds conversations, of which a recording has one side only.
    """
    from capture.driver.profile import read_profile
    from capture.driver.replay import replay
    from capture.plugins import DriverRegistry, read_options

    profile = read_profile(file)
    if profile.scpi is not None:
        raise InputError(
            f"{file}: driver {profile.driver} asks several questions, and a trace that only "
            "listened has no answers; `benchtally check` checks the profile itself"
        )
    spec = DriverRegistry.load().get(profile.driver).spec
    options = read_options(spec, {"profile": str(file.absolute())}, str(file), Path())
    return list(replay(spec.create(options), chunks))


def show(outcomes: list["Outcome"]) -> None:
    """Print what became of the bytes, and totals."""
    rows = [
        (f"{each.time:.3f}", str(each.kind), printable(each.raw), _said(each)) for each in outcomes
    ]
    console().print(table(("s", "became", "bytes", "what it says"), rows))
    say(totals(outcomes))


def totals(outcomes: list["Outcome"]) -> str:
    """Count what became of the bytes, in one line."""
    kinds = Counter(str(each.kind) for each in outcomes)
    values = sum(len(each.indications) for each in outcomes)
    parts = [f"{count} {kind}" for kind, count in sorted(kinds.items())]
    return f"{', '.join(parts) or 'nothing came'}; {values} values"


def printable(data: bytes) -> str:
    """Write bytes so that they can be read: text as it is, all else in hex after a backslash."""
    shown = data[:_LONGEST]
    readable = sum(0x20 <= byte < 0x7F or byte in _ESCAPES for byte in shown)  # noqa: PLR2004 - printable ASCII
    if 4 * readable < 3 * len(shown):
        text = shown.hex(" ")  # packed data, not damaged text
    else:
        text = "".join(
            _ESCAPES.get(byte) or (chr(byte) if 0x20 <= byte < 0x7F else f"\\x{byte:02x}")  # noqa: PLR2004 - printable ASCII
            for byte in shown
        )
    return text + ("…" if len(data) > _LONGEST else "")


_LONGEST = 120
_ESCAPES = {0x0A: "\\n", 0x0D: "\\r", 0x09: "\\t", 0x5C: "\\\\"}


def _said(outcome: "Outcome") -> str:
    if not outcome.indications:
        return outcome.text
    parts = []
    for each in outcome.indications:
        value = "no value" if each.value is None else f"{each.value:f} {each.unit}"
        text = f"{each.quantity} {value}"
        if each.bound is not None:
            mark = {"above": ">", "below": "<"}[each.bound.side]
            text += f", bound {mark}{each.bound.value:f} {each.unit}"
        if each.status != "ok":
            text += f" [{each.status}]"
        parts.append(text)
    first = outcome.indications[0]
    if first.elapsed is not None:
        parts.append(f"at {first.elapsed:f} s")
    if first.record is not None:
        parts.append(f"record {clean(first.record)}")
    parts += [f"{name} {_condition(state)}" for name, state in first.conditions.items()]
    return "; ".join(parts)


def _condition(state: Any) -> str:
    return f"{state[0]} {state[1]}" if isinstance(state, tuple) else str(state)


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


def listened(link: Any, seconds: float) -> list[tuple[float, bytes]]:
    """Listen on a link and show what comes, as it comes; give it with its times."""
    from capture.clock import SystemClock
    from capture.runtime.trace import listen

    clock = SystemClock()
    began = clock.monotonic()
    chunks: list[tuple[float, bytes]] = []

    def take(data: bytes) -> bool:
        chunks.append((clock.monotonic() - began, data))
        say(f"  {chunks[-1][0]:7.3f} s  {printable(data)}")
        return False

    listen(
        link, seconds, clock, threading.Event(), take, lambda what, text: say(f"  {what}: {text}")
    )
    return chunks
