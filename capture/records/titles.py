"""Names of what a record holds: nameplate, conditions, quantities, where readings came from."""

from typing import Any

from capture.display import clean
from capture.model.job import JobConditions
from capture.model.machine import Nameplate
from capture.model.record import RecordReading
from capture.model.source import Imported, Keyed, Photographed, Polled, Streamed
from capture.records.texts import Catalogue

_KILO = 1000.0


def quantity_name(name: str, text: Catalogue) -> str:
    """Name a quantity."""
    found = text.of("quantities", name)
    return f"{found[:1].upper()}{found[1:]}"


def nameplate_rows(plate: Nameplate, text: Catalogue) -> list[list[str]]:
    """Write a nameplate as labels and values; what is not known is left out."""
    members = plate.model_dump(exclude_none=True)
    members.pop("description", None)  # it stands beside the machine's name
    if members.get("connection") == "unknown":
        del members["connection"]
    return _rows("nameplate", members, text)


def condition_rows(conditions: JobConditions, text: Catalogue) -> list[list[str]]:
    """Write conditions as labels and values."""
    return _rows("conditions", conditions.model_dump(exclude_none=True), text)


def _rows(group: str, members: dict[str, Any], text: Catalogue) -> list[list[str]]:
    rows = []
    for name, value in members.items():
        label, _, unit = text.of(group, name).partition("|")
        if unit == "W" and value >= _KILO:
            value, unit = value / _KILO, "kW"  # noqa: PLW2901 - written in the decade of nameplates
        if isinstance(value, float):
            told = text.number(f"{value:.6g}")
        else:
            told = text.of("values", str(value)) if text.has("values", str(value)) else str(value)
        rows.append([label, f"{clean(told)} {unit}".rstrip()])
    return rows


def source_of(reading: RecordReading, text: Catalogue) -> str:
    """Say where a reading came from; what a person keyed or confirmed stands in capitals."""
    source = reading.source
    match source:
        case Keyed(second_operator=str(second)):
            said = text("keyed_twice", operator=source.operator, second=second)
        case Keyed():
            said = text("keyed", operator=source.operator)
        case Photographed(corrected=str()):
            said = text("photo_corrected", operator=source.operator, proposed=source.proposed)
        case Photographed():
            said = text("photo", operator=source.operator)
        case Imported():
            said = text("imported", operator=source.operator, origin=source.origin)
        case Streamed():
            said = text("streamed", instrument=reading.instrument)
        case Polled():
            said = text("polled", instrument=reading.instrument)
        case _:
            said = text("computed")
    return clean(said)
