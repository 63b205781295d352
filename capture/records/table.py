"""A record as CSV: one line a reading and one a result, for a spreadsheet."""

import csv
import io
from collections.abc import Iterator

from capture.display import clean
from capture.exports.cells import neutral
from capture.model.record import Record, RecordReading
from capture.model.result import ResultRecord
from capture.records import figures
from capture.records.texts import catalogue
from capture.records.titles import quantity_name, source_of

_COLUMNS = [
    "what",
    "name",
    "point",
    "value",
    "unit",
    "shown",
    "status",
    "standing",
    "reason",
    "expanded",
    "limit",
    "verdict",
    "limit_source",
    "time",
    "instrument",
    "serial",
    "origin",
    "step",
    "id",
]


def csv_of(record: Record, language: str) -> bytes:
    """Write a record's readings and results; numbers have the language's decimal mark.

    Where that is a comma, cells are parted by semicolons, as spreadsheets of such countries have
    it. Text that a spreadsheet would run as a formula begins with an apostrophe.

    Raises:
        InputError: there is no such language.
    """
    text = catalogue(language)
    out = io.StringIO()
    comma = text.number("1.5") == "1,5"
    writer = csv.writer(out, delimiter=";" if comma else ",", lineterminator="\r\n")
    writer.writerow([text.of("csv", name) for name in _COLUMNS])
    for cells in (
        *_void(record, language),
        *_readings(record, language),
        *_results(record, language),
    ):
        writer.writerow([_cell(cells.get(name), comma=comma) for name in _COLUMNS])
    # The mark at the beginning is what spreadsheets know UTF-8 by.
    return out.getvalue().encode("utf-8-sig")


def _cell(value: str | float | None, *, comma: bool) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return neutral(value)
    return repr(value).replace(".", ",") if comma else repr(value)


def _void(record: Record, language: str) -> Iterator[dict[str, str | float | None]]:
    """Say first of all, on a line of its own, that the job is void."""
    if record.voided is not None:
        text, void = catalogue(language), record.voided
        yield {
            "what": text("void_word"),
            "name": text("void_short"),
            "reason": clean(void.reason),
            "time": void.time.isoformat(),
            "origin": clean(void.operator),
        }


def _readings(record: Record, language: str) -> Iterator[dict[str, str | float | None]]:
    serials = {each.name: each.serial for each in record.instruments}
    for each in record.readings:
        yield _reading(each, language) | {"serial": serials.get(each.instrument)}


def _reading(reading: RecordReading, language: str) -> dict[str, str | float | None]:
    text = catalogue(language)
    spread = reading.uncertainty
    return {
        "what": text.of("csv", "reading"),
        "name": quantity_name(reading.quantity, text),
        "point": reading.point,
        "value": reading.value,
        "unit": reading.unit,
        "shown": figures.shown(reading, text),
        "status": str(reading.status),
        "standing": text.of("values", reading.standing),
        "reason": reading.reason,
        "expanded": None if spread is None else spread.standard * spread.coverage_factor,
        "time": reading.time.isoformat(),
        "instrument": reading.instrument,
        "origin": source_of(reading, text),
        "step": reading.step,
        "id": str(reading.id),
    }


def _results(record: Record, language: str) -> Iterator[dict[str, str | float | None]]:
    text = catalogue(language)
    for each in record.results:
        yield _result(each) | {
            "what": text.of("csv", "result"),
            "name": text.say(each.name),
            "shown": figures.result(each, text)[0],
            "verdict": None
            if each.judgement is None
            else text.of("verdicts", each.judgement.verdict),
        }


def _result(result: ResultRecord) -> dict[str, str | float | None]:
    judged = result.judgement
    return {
        "value": result.value,
        "unit": result.unit,
        "expanded": None if result.uncertainty is None else result.uncertainty.expanded,
        "limit": None if judged is None else judged.limit,
        "limit_source": None if judged is None else judged.source,
        "time": result.time.isoformat(),
        "id": str(result.id),
    }
