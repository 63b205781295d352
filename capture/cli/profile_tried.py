"""What a profile makes of bytes, on a terminal; and the bytes that come while somebody listens."""

import threading
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.cli.output import say
from capture.display import clean, console, table
from capture.errors import InputError

if TYPE_CHECKING:
    from capture.driver.replay import Outcome

_LONGEST = 120
_ESCAPES = {0x0A: "\\n", 0x0D: "\\r", 0x09: "\\t", 0x5C: "\\\\"}


def tried(file: Path, chunks: Iterable[tuple[float, bytes]]) -> list["Outcome"]:
    """Run a profile's own driver on recorded bytes; a name is looked for as a configuration's is.

    Raises:
        ConfigError: the profile is faulty or its driver is not installed.
        InputError: its driver holds conversations, of which a recording has one side only.
    """
    from capture.driver.profile import find_profile, read_profile
    from capture.driver.replay import replay
    from capture.plugins import DriverRegistry, read_options

    registry = DriverRegistry.load()
    by_name = file.suffix != ".toml" and file.name == str(file) and not file.exists()
    packages = registry.profile_packages
    profile = find_profile(file.name, packages) if by_name else read_profile(file)
    if profile.scpi is not None:
        raise InputError(
            f"{file}: driver {profile.driver} asks several questions, and a trace that only "
            "listened has no answers; `benchtally check` checks the profile itself"
        )
    spec = registry.get(profile.driver).spec
    named = file.name if by_name else str(file.absolute())
    options = read_options(spec, {"profile": named}, str(file), Path())
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


def listened(link: Any, seconds: float) -> list[tuple[float, bytes]]:
    """Listen on a link and show what comes, as it comes; give it with its times in seconds."""
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
