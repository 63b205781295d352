"""Which instruments can be simulated: name, what each is, its settings, and how it is made."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from simulators import settings
from simulators.counter import CounterSettings, CounterStream
from simulators.instrument import Instrument
from simulators.insulation_tester import InsulationTester, InsulationTesterSettings
from simulators.packed_stream import PackedStream, PackedStreamSettings
from simulators.pulse_tester import PulseTester, PulseTesterSettings
from simulators.scpi_lcr import ScpiLcrMeter, ScpiLcrSettings
from simulators.scpi_resistance import ScpiResistanceMeter, ScpiResistanceSettings
from simulators.settings import SettingsError
from simulators.specimen import Specimen
from simulators.stored_results import StoredResultsMeter, StoredResultsSettings
from simulators.talk_only import CheckedLinesSettings, TalkOnlyMeter, TalkOnlySettings

Make = Callable[[Any, Specimen | None], Instrument]


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of simulated instrument."""

    name: str
    description: str
    settings: type[Any]
    make: Make


def _alone(make: Callable[[Any], Instrument]) -> Make:
    """Wrap the maker of an instrument that measures no specimen."""

    def made(given: Any, specimen: Specimen | None) -> Instrument:
        if specimen is not None:
            raise ValueError("it measures no winding")
        return make(given)

    return made


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
            "scpi-lcr",
            "SCPI LCR bridge: primary, secondary, status and bin",
            ScpiLcrSettings,
            ScpiLcrMeter,
        ),
        Kind(
            "insulation-tester",
            "insulation tester that streams time, voltage and resistance each second of a test",
            InsulationTesterSettings,
            InsulationTester,
        ),
        Kind(
            "pulse-tester",
            "pulse tester whose result is on its display only; it never sends",
            PulseTesterSettings,
            PulseTester,
        ),
        Kind(
            "stored-results",
            "meter that sends all its stored results at once, with its own times",
            StoredResultsSettings,
            StoredResultsMeter,
        ),
        Kind(
            "talk-only",
            "meter that sends readable lines by itself or for each press",
            TalkOnlySettings,
            _alone(TalkOnlyMeter),
        ),
        Kind(
            "checked-lines",
            "talk-only meter with a checksum behind each line",
            CheckedLinesSettings,
            _alone(TalkOnlyMeter),
        ),
        Kind(
            "packed-stream",
            "packed binary frames parted by gaps only",
            PackedStreamSettings,
            _alone(PackedStream),
        ),
        Kind(
            "counter",
            "numbered lines at a steady rate, for load tests",
            CounterSettings,
            _alone(CounterStream),
        ),
    )
}


def make(name: str, options: Mapping[str, str], specimen: Specimen | None = None) -> Instrument:
    """Make an instrument on a specimen, or on the built-in one.

    Raises SettingsError for an unknown kind or option, or a bad value.
    """
    kind = KINDS.get(name)
    if kind is None:
        raise SettingsError(f"unknown kind {name!r}; there are: {', '.join(KINDS)}")
    try:
        return kind.make(settings.read(kind.settings, options), specimen)
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
