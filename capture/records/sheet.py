"""What a record's pages say, in the order a reader needs it: text only, in one language.

The verdict comes first, in words; then the machine; then what was found; then the tables. The PDF
and the page draw the same sheet, so neither can say what the other does not.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from capture.display import clean
from capture.model.record import Record, RecordReading, RecordSuspicion
from capture.model.result import ResultRecord
from capture.records import figures
from capture.records.texts import Catalogue
from capture.records.titles import condition_rows, nameplate_rows, quantity_name, source_of

_PROBABLE = 0.01  # a cause less likely is not listed
_MOST_CAUSES = 4
_HASH_SHOWN = 12
_ID = re.compile(r"reading ([0-9a-f]{8}-[0-9a-f-]{27})")

#: A mark a verdict is drawn with, so that no colour is needed.
MARKS = {
    "pass": "good",
    "conditional pass": "good",
    "conditional fail": "bad",
    "fail": "bad",
}


@dataclass(frozen=True, slots=True)
class Table:
    """A table: headings, and rows of cells; empty columns have been left out."""

    title: str
    head: list[str]
    rows: list[list[str]]
    numeric: list[bool] = field(default_factory=list)


def sheet(record: Record, text: Catalogue) -> dict[str, Any]:
    """Write out what the pages say."""
    return _Sheet(record, text).whole()


class _Sheet:
    def __init__(self, record: Record, text: Catalogue) -> None:
        self._record = record
        self._text = text
        self._numbers = {str(each.id): n for n, each in enumerate(record.readings, start=1)}
        self._photos = {each["sha256"]: each["name"] for each in photos_of(record, text)}

    def whole(self) -> dict[str, Any]:
        record, text = self._record, self._text
        draft = record.state == "draft"
        return {
            "language": text.language,
            "title": text("record"),
            "machine": record.machine.id,
            "machine_about": clean(record.machine.nameplate.description or ""),
            "draft": text("draft_long") if draft else "",
            "draft_short": text("draft") if draft else "",
            "draft_word": text("draft_word") if draft else "",
            "replaces": ""
            if record.replaces is None
            else text(
                "replaces",
                version=record.version,
                earlier=record.replaces.version,
                hash=record.replaces.sha256[:_HASH_SHOWN],
            ),
            "head": self._head(),
            "verdict": self._verdict(),
            "nameplate": nameplate_rows(record.machine.nameplate, text),
            "conditions": condition_rows(record.conditions, text),
            "findings": self._findings(),
            "results": self._results(),
            "readings": list(self._readings()),
            "gone": self._gone(),
            "instruments": self._instruments(),
            "steps": self._steps(),
            "locks": self._locks(),
            "cautions": self._cautions(),
            "notes": [clean(each) for each in record.notes],
            "remarks": [self._without_ids(text.say(each)) for each in record.remarks],
            "signature": self._signature(),
            "proof": self._proof(),
            "words": {
                name: text(name)
                for name in [
                    "verdict",
                    "findings",
                    "results",
                    "plots",
                    "readings",
                    "instruments",
                    "conditions",
                    "cautions",
                    "notes",
                    "remarks",
                    "signature",
                    "proof",
                    "photos",
                    "machine",
                    "none_of_it",
                    "licensed",
                    "not_safety",
                    "limits_words",
                    "marked",
                    "scan",
                    "signed_line",
                    "suspected",
                    "for",
                    "against",
                    "next",
                ]
            },
            "page": text("page", page="%1", pages="%2"),
        }

    # ── the first page ───────────────────────────────────────────────────────────────────────

    def _head(self) -> list[list[str]]:
        record, text = self._record, self._text
        rows = [
            [text("tested"), f"{text.moment(record.started)}"],
            [text("procedure"), f"{text.say(record.title)} ({record.procedure})"],
        ]
        if record.signature is not None:
            rows.append(
                [
                    text("signed"),
                    f"{clean(record.signature.operator)}, {text.moment(record.signature.time)}",
                ]
            )
        draft = record.state == "draft"
        which = text("draft_word") if draft else text("version", version=record.version)
        rows.append([text("record_id"), f"{record.record}, {which}"])
        return rows

    def _verdict(self) -> dict[str, Any]:
        record, text = self._record, self._text
        lines = [text.of("verdict_words", record.verdict)]
        if record.decided_by:
            lines.append(text("decided_by", names=", ".join(map(text.say, record.decided_by))))
        if record.not_run:
            names = ", ".join(text.say(each) for each in record.not_run)
            lines.append(text("not_run", names=names))
        open_ = [
            each
            for each in record.results
            if each.judgement is not None and each.judgement.verdict == "information only"
        ]
        if open_ and record.verdict != "information only":
            name = "info_only_one" if len(open_) == 1 else "info_only"
            lines.append(text(name, count=len(open_)))
        beyond = [text.say(each.name) for each in open_ if _beyond(each)]
        if beyond:
            lines.append(text("beyond", names=", ".join(beyond)))
        overdue = [each.name for each in record.instruments if each.overdue]
        if overdue:
            lines.append(text("calibration_overdue", names=", ".join(overdue)))
        lines += self._not_confirmed()
        mark = MARKS.get(record.verdict, "open")
        suspected = record.suspicion is not None and record.suspicion.statement != "balanced"
        word = text.of("verdicts", record.verdict)
        if mark == "good" and (suspected or beyond):
            # Whoever reads no further than the word must not take it for all that was found.
            word, mark = text("but_look", verdict=word), "open"
        return {
            "word": word,
            "mark": mark,
            "lines": lines,
            "suspected": self._headline(),
        }

    def _not_confirmed(self) -> list[str]:
        text = self._text
        titles = {step.id: text.say(step.title) for step in self._record.steps}
        found: dict[str, list[str]] = {}
        for each in self._record.not_confirmed:
            found.setdefault(each.what, []).append(titles.get(each.step, each.step))
        return [
            text(f"no_{what.replace('-', '_')}", steps="; ".join(steps))
            for what, steps in found.items()
        ]

    def _headline(self) -> str:
        found = self._record.suspicion
        return self._text("no_analysis") if found is None else self._statement(found)

    def _statement(self, found: RecordSuspicion) -> str:
        text = self._text
        where = ""
        if found.coils:
            coils = ", ".join(
                coil if len(found.coils) == 1 else f"{coil} ({text.of('values', connection)})"
                for connection, coil in found.coils.items()
            )
            where = text.of("statements", "where").format(coils=coils)
        said = text.of("statements", found.statement)
        return said.format(hypothesis=text.say(found.hypothesis or ""), where=where)

    def _findings(self) -> dict[str, Any]:
        found, text = self._record.suspicion, self._text
        if found is None:
            return {"lines": [], "causes": None, "for": [], "against": [], "next": ""}
        likely = [each for each in found.candidates if each.probability >= _PROBABLE][:_MOST_CAUSES]
        causes = [
            [_capital(text.say(each.hypothesis)), text.number(f"{100 * each.probability:.0f} %")]
            for each in likely
        ]
        return {
            "lines": [_sentence(text.say(each)) for each in found.words],
            "causes": Table(
                text("candidates"), [text("cause"), text("probability")], causes, [False, True]
            )
            # One cause that the analysis does not name is no list, and its figure would mislead.
            if found.statement == "named" or len(causes) > 1
            else None,
            "for": [_capital(text.say(each)) for each in found.speaks_for],
            "against": [_capital(text.say(each)) for each in found.speaks_against],
            "next": _sentence(text.say(found.next_measurement)) if found.next_measurement else "",
        }

    # ── tables ───────────────────────────────────────────────────────────────────────────────

    def _results(self) -> Table:
        text = self._text
        head = [
            "col_result",
            "col_value",
            "col_uncertainty",
            "col_limit",
            "col_verdict",
            "col_source",
        ]
        rows = []
        for each in self._record.results:
            judged = each.judgement
            rows.append(
                [
                    _capital(text.say(each.name)),
                    *figures.result(each, text),
                    "" if judged is None else figures.limit(judged, each.unit, text),
                    "" if judged is None else text.of("verdicts", judged.verdict),
                    ""
                    if judged is None
                    else f"{text.say(judged.source)} ({text.say(judged.confidence)})",
                ]
            )
        return _without_empty(
            text("results"),
            [text(name) for name in head],
            rows,
            [False, True, True, True, False, False],
        )

    def _readings(self) -> Iterator[Table]:
        """Group what holds by what was asked for, then by what was shown."""
        groups: dict[tuple[str, str], list[RecordReading]] = {}
        asked = {step.id: step.quantity for step in self._record.steps}
        for each in self._record.readings:
            if each.standing == "taken":
                groups.setdefault((asked[each.step], each.quantity), []).append(each)
        for (of, shown), members in sorted(groups.items(), key=lambda one: one[0][0] != one[0][1]):
            title = quantity_name(shown, self._text)
            if of != shown:
                title = self._text("beside", step=quantity_name(of, self._text), quantity=title)
            yield self._table_of(title, members)

    def _table_of(self, title: str, members: list[RecordReading]) -> Table:
        text = self._text
        degrees = {step.id: step.conditions.rotor_degrees for step in self._record.steps}
        days = {each.time.date() for each in members}
        if len(days) == 1:
            title = f"{title}, {text.day(members[0].time.date())}"
        rows = []
        for each in members:
            angle = degrees.get(each.step)
            rows.append(
                [
                    str(self._numbers[str(each.id)]),
                    self._point(each),
                    "" if each.at_s is None else text("seconds", value=f"{each.at_s:g}"),
                    "" if angle is None else text("degrees", value=text.number(f"{angle:g}")),
                    figures.shown(each, text),
                    "" if each.status == "ok" else text.of("values", each.status),
                    self._source(each),
                    f"{each.time:%H:%M:%S}" if len(days) == 1 else f"{each.time:%Y-%m-%d %H:%M:%S}",
                ]
            )
        head = "col_no col_point col_at col_angle col_reading col_status col_source_of col_time"
        return _without_empty(
            title,
            [text(name) for name in head.split()],
            rows,
            [True, False, True, True, True, False, False, False],
        )

    def _source(self, reading: RecordReading) -> str:
        photos = [self._text("with_photo", photo=self._photos[each]) for each in reading.photos]
        return ", ".join([source_of(reading, self._text), *photos])

    def _point(self, reading: RecordReading) -> str:
        point = reading.point or ""
        return point.replace("frame", self._text.of("values", "frame"))

    def _gone(self) -> Table | None:
        text = self._text
        rows = [
            [
                str(self._numbers[str(each.id)]),
                quantity_name(each.quantity, text),
                self._point(each),
                figures.shown(each, text),
                text.of("values", each.standing),
                clean(each.reason or ""),
                self._source(each),
            ]
            for each in self._record.readings
            if each.standing != "taken"
        ]
        if not rows:
            return None
        head = [
            "col_no",
            "col_result",
            "col_point",
            "col_reading",
            "col_standing",
            "col_reason",
            "col_source_of",
        ]
        return _without_empty(
            text("not_holding"),
            [text(name) for name in head],
            rows,
            [True, False, False, True, False, False, False],
        )

    def _instruments(self) -> Table:
        text = self._text
        rows = []
        for each in self._record.instruments:
            about = " ".join(filter(None, (each.description, each.maker, each.model)))
            due = text("not_told") if each.calibration_due is None else ""
            if each.calibration_due is not None:
                due = text.day(each.calibration_due)
                due += f" – {text('overdue')}" if each.overdue else ""
            rows.append(
                [
                    f"{each.name}: {clean(about)}" if about else each.name,
                    clean(each.serial or text("not_told")),
                    due,
                    clean(each.certificate or ""),
                    ", ".join(quantity_name(name, text) for name in each.quantities),
                ]
            )
        head = ["col_instrument", "col_serial", "col_due", "col_certificate", "col_used"]
        return _without_empty(
            text("instruments"), [text(name) for name in head], rows, [False] * len(head)
        )

    def _steps(self) -> Table | None:
        text = self._text
        rows = [
            [
                text.say(each.title),
                text.of("values", each.status),
                "; ".join(clean(note) for note in each.notes),
            ]
            for each in self._record.steps
            if each.status != "taken" or each.notes
        ]
        if not rows:
            return None
        head = [text(name) for name in ("col_step", "col_status", "notes")]
        return _without_empty(text("steps_left"), head, rows, [False] * 3)

    def _locks(self) -> Table | None:
        text = self._text
        titles = {step.id: step.title for step in self._record.steps}
        rows = [
            [
                text.say(titles.get(each.step, each.step)),
                text.of("values", each.lock),
                clean(each.reason),
                clean(each.operator),
                text.moment(each.time),
            ]
            for each in self._record.locks_passed
        ]
        if not rows:
            return None
        head = ["col_step", "col_lock", "col_reason", "col_operator", "col_time"]
        return Table(text("locks"), [text(name) for name in head], rows, [False] * len(head))

    # ── the end ──────────────────────────────────────────────────────────────────────────────

    def _cautions(self) -> list[str]:
        cautions = [*self._record.cautions]
        cautions += [each for step in self._record.steps for each in step.cautions]
        return [clean(self._text.say(each)) for each in dict.fromkeys(cautions)]

    def _signature(self) -> list[str]:
        record, text = self._record, self._text
        lines = []
        if record.signature is None:
            lines.append(text("none_signed"))
        else:
            signed = record.signature
            lines.append(
                text("signed_by", operator=clean(signed.operator), moment=text.moment(signed.time))
            )
            if signed.statement:
                lines.append(text("quoted", words=clean(signed.statement)))
        lines.append(text("worked_on", operators=", ".join(map(clean, record.operators))))
        lines.append(
            text(
                "made_by",
                operator=clean(record.made_by),
                moment=text.moment(record.time),
                software=clean(record.software),
                site=record.site,
                bench=record.bench,
            )
        )
        return lines

    def _proof(self) -> dict[str, Any]:
        record, text = self._record, self._text
        return {
            "words": text("proof_words"),
            "rows": [
                [text("hash"), record.sha256],
                [text("head"), text("head_words", n=record.journal.n, hash=record.journal.hash)],
                [text("journal"), clean(record.journal.id)],
                [text("job"), str(record.job)],
            ],
            "short": record.sha256[:_HASH_SHOWN],
        }

    def _without_ids(self, words: str) -> str:
        """Name readings by their number in this record instead of by their id."""

        def number(found: re.Match[str]) -> str:
            n = self._numbers.get(found[1])
            return found[0] if n is None else f"{self._text('col_no')} {n}"

        return _sentence(_ID.sub(number, clean(words)))


def photos_of(record: Record, text: Catalogue) -> list[dict[str, str]]:
    """List the photos that readings name: name in this record, digest, caption."""
    held: dict[str, list[int]] = {}
    for number, reading in enumerate(record.readings, start=1):
        for digest in reading.photos:
            held.setdefault(digest, []).append(number)
    found = []
    for place, (digest, numbers) in enumerate(held.items(), start=1):
        more = {
            "name": f"P{place}",
            "numbers": ", ".join(map(str, numbers)),
            "hash": digest,
        }
        found.append(
            {
                "name": f"P{place}",
                "sha256": digest,
                "caption": text("photo_caption", **more),
                "missing": text("photo_missing", **more),
            }
        )
    return found


def _beyond(result: ResultRecord) -> bool:
    """Tell whether a value lies beyond its limit, whatever that limit is worth here."""
    judged, value = result.judgement, result.value
    if judged is None or value is None:
        return False
    return value > judged.limit if judged.side == "upper" else value < judged.limit


def _without_empty(
    title: str, head: list[str], rows: list[list[str]], numeric: list[bool]
) -> Table:
    """Leave out the columns in which nothing stands."""
    kept = [place for place in range(len(head)) if any(row[place] for row in rows)]
    return Table(
        title,
        [head[place] for place in kept],
        [[row[place] for place in kept] for row in rows],
        [numeric[place] for place in kept],
    )


def _capital(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}"


def _sentence(words: str) -> str:
    return f"{_capital(words)}{'' if words.endswith(('.', '!', '?')) else '.'}" if words else ""
