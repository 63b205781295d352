"""What a record's pages say, in the order a reader needs it: text only, in one language.

The verdict comes first, in words; then the machine; then what was found; then the tables. The PDF
and the page draw the same sheet, so neither can say what the other does not.
"""

import re
from typing import Any

from capture.display import clean
from capture.model.names import NOBODY
from capture.model.record import Record, RecordSuspicion
from capture.model.result import ResultRecord
from capture.records.moving import table_of
from capture.records.tables import Table, Tables, capital, numbers_of
from capture.records.texts import Catalogue
from capture.records.titles import condition_rows, nameplate_rows

_PROBABLE = 0.01  # a cause less likely is not listed
_MOST_CAUSES = 4
_HASH_SHOWN = 12
_ID = re.compile(r"(?:reading|Ablesung) ([0-9a-f]{8}-[0-9a-f-]{27})")

#: A mark a verdict is drawn with, so that no colour is needed.
MARKS = {
    "pass": "good",
    "conditional pass": "good",
    "conditional fail": "bad",
    "fail": "bad",
}


def sheet(record: Record, text: Catalogue) -> dict[str, Any]:
    """Write out what the pages say."""
    return _Sheet(record, text).whole()


class _Sheet:
    def __init__(self, record: Record, text: Catalogue) -> None:
        self._record = record
        self._text = text
        self._numbers = numbers_of(record)

    def whole(self) -> dict[str, Any]:
        record, text = self._record, self._text
        tables = Tables(record, text)
        draft, void = record.state == "draft", record.voided is not None
        return {
            "language": text.language,
            "title": text("record"),
            "machine": record.machine.id,
            "machine_about": clean(record.machine.nameplate.description or ""),
            # What is no certificate says so before all else, and across every page of the PDF.
            "draft": self._no_certificate(),
            "draft_short": text("void_short") if void else text("draft") if draft else "",
            "draft_word": text("void_word") if void else text("draft_word") if draft else "",
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
            "results": tables.results(),
            "trends": table_of(record.trends, text),
            "readings": list(tables.readings()),
            "gone": tables.gone(),
            "instruments": tables.instruments(),
            "steps": tables.steps(),
            "locks": tables.locks(),
            "cautions": self._cautions(),
            "notes": [clean(each) for each in record.notes],
            "remarks": [self._without_ids(text.remark(each)) for each in record.remarks],
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
                    "trend_note",
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

    def _no_certificate(self) -> str:
        """Say why this is no certificate; empty where it is one."""
        record, text = self._record, self._text
        if record.voided is None:
            return text("draft_long") if record.state == "draft" else ""
        return text(
            "void_long",
            operator=clean(record.voided.operator),
            moment=text.moment(record.voided.time),
            reason=clean(record.voided.reason),
        )

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
        if record.voided is not None:
            lines = [text("void_means")]
        if record.decided_by:
            lines.append(text("decided_by", names=", ".join(map(text.say, record.decided_by))))
        if record.not_run:
            names = ", ".join(text.say(each) for each in record.not_run)
            lines.append(text("not_run", names=names))
        if record.without_result:
            names = ", ".join(text.say(each) for each in record.without_result)
            lines.append(text("without_result", names=names))
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
        if record.voided is not None:
            word, mark = text("void_word"), "bad"
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
            [capital(text.say(each.hypothesis)), text.number(f"{100 * each.probability:.0f} %")]
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
            "for": [capital(text.say(each)) for each in found.speaks_for],
            "against": [capital(text.say(each)) for each in found.speaks_against],
            "next": _sentence(text.say(found.next_measurement)) if found.next_measurement else "",
        }

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
                operator=text("nobody") if record.made_by == NOBODY else clean(record.made_by),
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


def _beyond(result: ResultRecord) -> bool:
    """Tell whether a value lies beyond its limit, whatever that limit is worth here."""
    judged, value = result.judgement, result.value
    if judged is None or value is None:
        return False
    return value > judged.limit if judged.side == "upper" else value < judged.limit


def _sentence(words: str) -> str:
    return f"{capital(words)}{'' if words.endswith(('.', '!', '?')) else '.'}" if words else ""
