"""Resistances without a number: an open circuit, or leads that are off. They pass nothing."""

from collections.abc import Mapping

from capture.judging.gather import Gathered
from capture.winding import Bounded, Measured


def open_ends(readings: Mapping[str, Measured | Bounded]) -> list[str]:
    """Name the phases of six free ends that read open; one line each."""
    return [
        f"{ends} is open: phase {ends[:1]} is open, or a lead is off"
        for ends, each in readings.items()
        if isinstance(each, Bounded) and each.side == "above"
    ]


def kept_from_passing(found: Gathered) -> str:
    """Say which resistances have no number; empty where each has one.

    None of them comes to a result that could fail, so nothing else would keep the whole from being
    called a pass.
    """
    places = {**found.resistance, **found.resistance_elsewhere}
    names = [place for place, each in places.items() if isinstance(each, Bounded)]
    if not names:
        return ""
    return f"no number for the resistance of {', '.join(names)}: open, or the leads are off"
