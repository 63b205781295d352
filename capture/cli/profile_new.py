"""The interview behind ``benchtally profile new``: questions, a proposal, a trial, a file."""

import tempfile
from pathlib import Path
from typing import Any

from capture.cli.output import DONE, FAILED, complain, say
from capture.cli.profile_answers import (
    NOTHING,
    OWN,
    a_name,
    a_place,
    a_quantity,
    a_status,
    a_text,
    a_unit_of,
    a_whole_number,
    ask,
    is_name,
    one_of,
    unit_base,
)
from capture.cli.profile_tried import listened, show, totals, tried
from capture.cli.profile_written import LineRead, quoted, toml_of
from capture.cli.trace import chosen_link
from capture.display import clean
from capture.driver.profile import parse_profile, user_folder
from capture.driver.profile.propose import (
    Form,
    Place,
    Seen,
    TokenKind,
    checksum_pattern,
    look_at,
    pattern_of,
    unit_fault,
    word_beside,
)
from capture.errors import InputError
from capture.model import Quantity, unit_of

_SAMPLES = 4


class Interview:
    """Asks, proposes, tries and writes. Answers come from standard input, one a line."""

    def __init__(
        self,
        port: str | None,
        tcp: str | None,
        trace: Path | None,
        seconds: float,
        serial: dict[str, Any],
        out: Path | None,
    ) -> None:
        self._port, self._tcp, self._trace = port, tcp, trace
        self._seconds, self._serial, self._out = seconds, serial, out
        self._always: set[str] = set()  # words of every line of the commonest form
        self._meant: dict[str, str] = {}  # what a word behind a number was said to mean as a unit

    def run(self) -> int:
        """Hold the interview; 0 when a profile was written."""
        chunks = self._bytes()
        seen = look_at(b"".join(data for _, data in chunks))
        self._describe(seen)
        main = ask("What does the meter measure", str(Quantity.RESISTANCE), a_quantity)
        lines = [self._line(seen.forms[0], main, first=True)]
        ignored: list[str] = []
        for form in seen.forms[1:]:
            self._other(form, main, lines, ignored, checksum_pattern(seen))
        name = ask("Name of the profile (a-z, 0-9, dashes)", self._name(), a_name)
        summary = ask("One line that says what it is", f"Meter: {form_sample(seen)}", a_text)
        text = toml_of(name, summary, self._serial, seen, lines, ignored)
        with tempfile.TemporaryDirectory() as folder:
            trial = Path(folder) / f"{name}.toml"
            trial.write_text(text, "utf-8")
            parse_profile(text, "the profile made from your answers")
            outcomes = tried(trial, chunks)
        show(outcomes[-12:])
        if not any(outcome.indications for outcome in outcomes):
            complain(f"not written: it reads nothing of what came ({totals(outcomes)})")
            return FAILED
        say(f"of all that came: {totals(outcomes)}")
        self._write(name, text)
        return DONE

    # ── what came ────────────────────────────────────────────────────────────────────────────

    def _bytes(self) -> list[tuple[float, bytes]]:
        if self._trace is None and self._port is None and self._tcp is None:
            where = ask("Serial port, HOST:PORT, or a trace file", None, a_text)
            if Path(where).is_file():
                self._trace = Path(where)
            elif ":" in where and not where.startswith(("/", "usb:")):
                self._tcp = where
            else:
                self._port = where
                if self._serial.get("baud") is None:
                    self._serial["baud"] = int(ask("Baud rate", "9600", a_whole_number))
        if self._trace is not None:
            from capture.runtime.trace import line_settings, read_trace

            recorded = line_settings(self._trace)
            given = {key: each for key, each in self._serial.items() if each is not None}
            self._serial = {**recorded, **given}
            return [(each.time, each.data) for each in read_trace(self._trace) if each.received]
        link, _ = chosen_link(self._port, self._tcp, self._serial, None, None)
        say(f"listening for {self._seconds:g} s: let the meter send, in all its ranges")
        chunks = listened(link, self._seconds)
        if not chunks:
            raise InputError(
                "nothing came; check the cable, the baud rate, and that the meter is set to send; "
                "one that only answers when asked needs [poll] (docs/profiles.md) or scpi-meter"
            )
        return chunks

    @staticmethod
    def _describe(seen: Seen) -> None:
        say(f"text is {seen.encoding}, decimal {seen.decimal}")
        if seen.checksum is not None:
            say(f"every line ends in a checksum, {seen.checksum[0]}, that agrees")
        for form in seen.forms:
            say(f"  {len(form.lines)} lines such as {clean(form.lines[-1])!r}")

    # ── what it means ────────────────────────────────────────────────────────────────────────

    def _line(self, form: Form, main: str, *, first: bool) -> LineRead:
        """Ask what the places of a form are."""
        line = LineRead(form)
        used: set[str] = set()
        guess: str = main
        for index, place in enumerate(form.places):
            if place.kind is TokenKind.WORD and index not in line.names:
                self._word(line, index, place, first=first)
            if place.kind not in (TokenKind.NUMBER, TokenKind.CLOCK, TokenKind.DATE):
                continue
            default = _default(place, guess)
            question = f"What is {_samples(place)} (a quantity, elapsed, record, time, or -)"
            what = ask(question, default, a_place)
            if what == NOTHING:
                continue
            if what in OWN:
                line.names[index] = what
                continue
            if what == guess:
                guess = NOTHING
            line.names[index] = what if what not in used else f"{what}_{len(used)}"
            used.add(line.names[index])
            line.values.append(self._value(line, index, what))
        if not line.values:
            raise InputError("no value was named: a profile needs one to read")
        return line

    def _value(self, line: LineRead, index: int, quantity: str) -> dict[str, Any]:
        place, name = line.form.places[index], line.names[index]
        value: dict[str, Any] = {"field": name, "quantity": quantity}
        units = {}
        for text in place.units:
            fault = unit_fault(text)
            if fault is not None:
                say(fault)
                question = f"What is the unit {text!r}, spelt out"
                units[text] = ask(question, None, a_unit_of(quantity))
        beside = None if place.units else word_beside(line.form, index)
        if beside is not None:
            units = self._units_beside(line.form.places[beside], place, quantity)
            if units:
                line.names[beside] = f"{name}_unit"
        if units:
            value["units"] = units
        elif not place.units and not place.numbers and (base := unit_of(quantity)) is not None:
            value["unit"] = base  # of nothing: the pattern takes no number in this place
        elif not place.units:
            # Nothing is proposed: a Return too many would be three decades wrong.
            question = f"Unit of {_samples(place)}, which the line does not show"
            value["unit"] = ask(question, None, a_unit_of(quantity))
        return value

    def _units_beside(self, words: Place, place: Place, quantity: str) -> dict[str, str]:
        """Ask what units the words in the next column are; nothing where they are none."""
        while True:
            units: dict[str, str] = {}
            for text in words.texts:
                fits = unit_fault(text) is None and unit_base(text) == unit_of(quantity)
                question = (
                    f"What unit is {clean(text)!r} behind {_samples(place)}, spelt out as on any "
                    "meter (or - if it is none)"
                )
                proposed = self._meant.get(text, text if fits else None)
                units[text] = ask(question, proposed, a_unit_of(quantity, or_none=True))
            self._meant.update(units)
            said = set(units.values())
            if NOTHING not in said:
                return units
            if said == {NOTHING}:
                return {}
            say("  some of these words are units and some are not: say it of all or of none")

    def _word(self, line: LineRead, index: int, place: Place, *, first: bool) -> None:
        """Ask about words: one that is not always there may tell a status."""
        if place.constant and first:
            self._always.add(place.text)
        asked = [text for text in place.texts if text not in self._always]
        if not asked:
            return
        statuses = dict.fromkeys(place.texts, "ok")
        for text in asked:
            question = f"What does the word {clean(text)!r} tell of the value (ok, invalid, …)"
            statuses[text] = ask(question, "ok", a_status)
        if any(status != "ok" for status in statuses.values()):
            line.names[index] = "flags"
            line.flags.update(statuses)

    def _other(
        self, form: Form, main: str, lines: list[LineRead], ignored: list[str], behind: str
    ) -> None:
        """Ask what to do with lines of another form; ``behind`` is how their checksum looks."""
        sample = clean(form.lines[-1])
        question = f"{len(form.lines)} lines such as {sample!r}: (r)ead, (i)gnore, or (m)alformed"
        what = ask(question, "m", one_of("rim"))
        if what == "i":
            ignored.append(pattern_of(form, {}) + behind)
        elif what == "r":
            lines.append(self._line(form, main, first=False))

    def _name(self) -> str:
        """Propose the name of the file that was asked for: a profile is found by both."""
        stem = "" if self._out is None else self._out.stem
        return stem if is_name(stem) else "my-meter"

    # ── the file ─────────────────────────────────────────────────────────────────────────────

    def _write(self, name: str, text: str) -> None:
        path = self._out
        if path is None:
            path = Path(ask("Write it to", str(user_folder() / f"{name}.toml"), a_text))
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with path.open("x", encoding="utf-8") as file:
                file.write(text)
        except FileExistsError as error:
            raise InputError(f"{path}: is there already; name another file with --out") from error
        except OSError as error:
            raise InputError(f"{path}: cannot be written: {error.strerror or error}") from error
        found = path.parent == user_folder() and path.stem == name
        say(f"written: {path}")
        say("in the configuration:")
        say(f'  [instruments.{name}]\n  driver = "ascii-meter"')
        say(f"  options = {{ profile = {quoted(name if found else str(path.absolute()))} }}")
        say(f"  link = {quoted(self._link())}")

    def _link(self) -> dict[str, Any]:
        from capture.links.address import host_and_port

        if self._tcp is not None and (found := host_and_port(self._tcp)) is not None:
            return {"kind": "tcp", "host": found[0], "port": found[1]}
        return {"kind": "serial", "port": self._port or "/dev/ttyUSB0"}


def form_sample(seen: Seen) -> str:
    """Give the latest line of the commonest form."""
    return clean(seen.forms[0].lines[-1].strip())[:120]


def _default(place: Place, main: str) -> str:
    """Guess what a place is from its kind and unit."""
    if place.kind is TokenKind.CLOCK:
        return "elapsed"
    if place.kind is TokenKind.DATE:
        return "time"
    units = {unit_base(text) for text in place.units}
    if main != NOTHING and (not units or unit_of(main) in units or None in units):
        return main
    if units == {"V"}:
        return str(Quantity.TEST_VOLTAGE)
    same = [str(each) for each in Quantity if unit_of(each) in units]
    return same[0] if same else NOTHING


def _samples(place: Place) -> str:
    shown = ", ".join(clean(text) for text, _ in place.texts.most_common(_SAMPLES))
    units = "/".join(clean(text) for text in place.units)
    return f"'{shown}{' ' + units if units else ''}'"
