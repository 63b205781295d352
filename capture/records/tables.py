"""The tables of a record's pages: results, readings, instruments, what was left out or passed."""

from collections.abc import Iterator
from dataclasses import dataclass, field

from capture.display import clean
from capture.model.record import Record, RecordReading
from capture.records import figures
from capture.records.texts import Catalogue
from capture.records.titles import quantity_name, source_of


@dataclass(frozen=True, slots=True)
class Table:
    """A table: headings, and rows of cells; empty columns have been left out."""

    title: str
    head: list[str]
    rows: list[list[str]]
    numeric: list[bool] = field(default_factory=list)


class Tables:
    """The tables of one record in one language."""

    def __init__(self, record: Record, text: Catalogue) -> None:
        self._record = record
        self._text = text
        self._numbers = numbers_of(record)
        self._photos = {each["sha256"]: each["name"] for each in photos_of(record, text)}

    def results(self) -> Table:
        """List what was computed, with uncertainty, limit, verdict and the limit's source."""
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
                    capital(text.say(each.name)),
                    *figures.result(each, text),
                    "" if judged is None else figures.limit(judged, each.unit, text),
                    "" if judged is None else text.of("verdicts", judged.verdict),
                    ""
                    if judged is None
                    else f"{text.say(judged.source)} ({text.say(judged.confidence)})",
                ]
            )
        return without_empty(
            text("results"),
            [text(name) for name in head],
            rows,
            [False, True, True, True, False, False],
        )

    def readings(self) -> Iterator[Table]:
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
        celsius = self._celsius()
        rows = []
        for each in members:
            angle, warm = degrees.get(each.step), celsius.get(each.step)
            rows.append(
                [
                    str(self._numbers[str(each.id)]),
                    self._point(each),
                    "" if each.at_s is None else text("seconds", value=f"{each.at_s:g}"),
                    "" if angle is None else text("degrees", value=text.number(f"{angle:g}")),
                    "" if warm is None else text("celsius", value=text.number(f"{warm:g}")),
                    figures.shown(each, text),
                    "" if each.status == "ok" else text.of("values", each.status),
                    self._source(each),
                    f"{each.time:%H:%M:%S}" if len(days) == 1 else f"{each.time:%Y-%m-%d %H:%M:%S}",
                ]
            )
        head = "col_no col_point col_at col_angle col_winding col_reading"
        head += " col_status col_source_of col_time"
        return without_empty(
            title,
            [text(name) for name in head.split()],
            rows,
            [True, False, True, True, True, True, False, False, False],
        )

    def _reason(self, reason: str) -> str:
        """Give a reason: in this language where the pages offered it, else in a person's words."""
        text = self._text
        return text.of("reasons", reason) if text.has("reasons", reason) else clean(reason)

    def _celsius(self) -> dict[str, float]:
        """Give the winding's temperature by step; nothing where one holds for the whole job.

        What stands at the head of a record is what held at the end of the job.
        """
        taken = {
            step.id: step.conditions.winding_celsius
            for step in self._record.steps
            if step.status == "taken"
        }
        if set(taken.values()) <= {self._record.conditions.winding_celsius}:
            return {}
        return {step: celsius for step, celsius in taken.items() if celsius is not None}

    def _source(self, reading: RecordReading) -> str:
        photos = [self._text("with_photo", photo=self._photos[each]) for each in reading.photos]
        return ", ".join([source_of(reading, self._text), *photos])

    def _point(self, reading: RecordReading) -> str:
        point = reading.point or ""
        point = point.replace("frame", self._text.of("values", "frame"))
        for word in ("guard", "earth"):
            point = point.replace(f" {word} ", f"{self._text.of('values', word)} ")
        return point

    def gone(self) -> Table | None:
        """List the readings that do not hold, with the reason."""
        text = self._text
        rows = [
            [
                str(self._numbers[str(each.id)]),
                quantity_name(each.quantity, text),
                self._point(each),
                figures.shown(each, text),
                text.of("values", each.standing),
                self._reason(each.reason or ""),
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
        return without_empty(
            text("not_holding"),
            [text(name) for name in head],
            rows,
            [True, False, False, True, False, False, False],
        )

    def instruments(self) -> Table:
        """List the instruments; what nobody told of them is called so."""
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
        return without_empty(
            text("instruments"), [text(name) for name in head], rows, [False] * len(head)
        )

    def steps(self) -> Table | None:
        """List the steps that were not done, and those with remarks."""
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
        return without_empty(text("steps_left"), head, rows, [False] * 3)

    def locks(self) -> Table | None:
        """List the locks that a person passed."""
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


def numbers_of(record: Record) -> dict[str, int]:
    """Give the number that the pages name each reading by, by its id."""
    return {str(each.id): number for number, each in enumerate(record.readings, start=1)}


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


def without_empty(title: str, head: list[str], rows: list[list[str]], numeric: list[bool]) -> Table:
    """Leave out the columns in which nothing stands."""
    kept = [place for place in range(len(head)) if any(row[place] for row in rows)]
    return Table(
        title,
        [head[place] for place in kept],
        [[row[place] for place in kept] for row in rows],
        [numeric[place] for place in kept],
    )


def capital(words: str) -> str:
    """Begin with a capital."""
    return f"{words[:1].upper()}{words[1:]}"
