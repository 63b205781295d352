"""Which instruments can be simulated: name, what each is, its settings, and how it is made."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from simulators import settings
from simulators.counter import CounterSettings, CounterStream
from simulators.instrument import Instrument
from simulators.scpi_resistance import ScpiResistanceMeter, ScpiResistanceSettings
from simulators.settings import SettingsError
from simulators.talk_only import TalkOnlyMeter, TalkOnlySettings


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of simulated instrument."""

    name: str
    description: str
    settings: type[Any]
    make: Callable[[Any], Instrument]


KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            "scpi-resistance",
            "SCPI resistance meter on a three-phase winding, polled",
            ScpiResistanceSettings,
            ScpiResistanceMeter,
        ),
        Kind(
            "talk-only",
            "meter that sends readable lines by itself or for each press",
            TalkOnlySettings,
            TalkOnlyMeter,
        ),
        Kind(
            "counter",
            "numbered lines at a steady rate, for load tests",
            CounterSettings,
            CounterStream,
        ),
    )
}


def make(name: str, options: Mapping[str, str]) -> Instrument:
    """Make an instrument; raise SettingsError for an unknown kind or option, or a bad value."""
    kind = KINDS.get(name)
    if kind is None:
        raise SettingsError(f"unknown kind {name!r}; there are: {', '.join(KINDS)}")
    try:
        return kind.make(settings.read(kind.settings, options))
    except ValueError as error:
        raise SettingsError(f"{name}: {error}") from None


def listing() -> list[dict[str, Any]]:
    """Return every kind with its options, ready for JSON."""
    return [
        {
            "kind": kind.name,
            "description": kind.description,
            "options": [
                {"name": name, "default": default, "help": explanation}
                for name, default, explanation in settings.describe(kind.settings)
            ],
        }
        for kind in KINDS.values()
    ]


def listing_text() -> str:
    """Return every kind with its options as text for people."""
    lines = []
    for kind in KINDS.values():
        lines.append(f"{kind.name}: {kind.description}")
        lines += [
            f"  {name}={default}  {explanation}"
            for name, default, explanation in settings.describe(kind.settings)
        ]
    return "\n".join(lines)
