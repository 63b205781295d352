"""The interview behind ``benchtally profile new``: questions, a proposal, a trial, a file."""

import json
import re
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from capture.cli.output import DONE, FAILED, complain, say
from capture.cli.profile_tried import listened, show, totals, tried
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
from capture.model import Quantity, Status, unit_of

_NOTHING = "-"
_OWN = {"elapsed", "record", "time"}
_SLUG = re.compile(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?")
_SAMPLES = 4
_OFTEN = 3


@dataclass
class _Line:
    """One [[lines]] of the profile that is being made."""

    form: Form
    names: dict[int, str] = field(default_factory=dict)
    values: list[dict[str, Any]] = field(default_factory=list)
    flags: dict[str, str] = field(default_factory=dict)


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
        main = self._ask("What does the meter measure", str(Quantity.RESISTANCE), _quantity)
        lines = [self._line(seen.forms[0], main, first=True)]
        ignored: list[str] = []
        for form in seen.forms[1:]:
            self._other(form, main, lines, ignored, checksum_pattern(seen))
        name = self._ask("Name of the profile (a-z, 0-9, dashes)", self._name(), _slug)
        summary = self._ask("One line that says what it is", f"Meter: {form_sample(seen)}", _text)
        text = self._toml(name, summary, seen, lines, ignored)
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
            where = self._ask("Serial port, HOST:PORT, or a trace file", None, _text)
            if Path(where).is_file():
                self._trace = Path(where)
            elif ":" in where and not where.startswith(("/", "usb:")):
                self._tcp = where
            else:
                self._port = where
                if self._serial.get("baud") is None:
                    self._serial["baud"] = int(self._ask("Baud rate", "9600", _whole))
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

    def _line(self, form: Form, main: str, *, first: bool) -> _Line:
        """Ask what the places of a form are."""
        line = _Line(form)
        used: set[str] = set()
        guess: str = main
        for index, place in enumerate(form.places):
            if place.kind is TokenKind.WORD and index not in line.names:
                self._word(line, index, place, first=first)
            if place.kind not in (TokenKind.NUMBER, TokenKind.CLOCK, TokenKind.DATE):
                continue
            default = _default(place, guess)
            question = f"What is {_samples(place)} (a quantity, elapsed, record, time, or -)"
            what = self._ask(question, default, _field)
            if what == _NOTHING:
                continue
            if what in _OWN:
                line.names[index] = what
                continue
            if what == guess:
                guess = _NOTHING
            line.names[index] = what if what not in used else f"{what}_{len(used)}"
            used.add(line.names[index])
            line.values.append(self._value(line, index, what))
        if not line.values:
            raise InputError("no value was named: a profile needs one to read")
        return line

    def _value(self, line: _Line, index: int, quantity: str) -> dict[str, Any]:
        place, name = line.form.places[index], line.names[index]
        value: dict[str, Any] = {"field": name, "quantity": quantity}
        units = {}
        for text in place.units:
            fault = unit_fault(text)
            if fault is not None:
                say(fault)
                question = f"What is the unit {text!r}, spelt out"
                units[text] = self._ask(question, None, _unit_for(quantity))
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
            value["unit"] = self._ask(question, None, _unit_for(quantity))
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
                units[text] = self._ask(question, proposed, _unit_for(quantity, or_none=True))
            self._meant.update(units)
            said = set(units.values())
            if _NOTHING not in said:
                return units
            if said == {_NOTHING}:
                return {}
            say("  some of these words are units and some are not: say it of all or of none")

    def _word(self, line: _Line, index: int, place: Place, *, first: bool) -> None:
        """Ask about words: one that is not always there may tell a status."""
        if place.constant and first:
            self._always.add(place.text)
        asked = [text for text in place.texts if text not in self._always]
        if not asked:
            return
        statuses = dict.fromkeys(place.texts, "ok")
        for text in asked:
            question = f"What does the word {clean(text)!r} tell of the value (ok, invalid, …)"
            statuses[text] = self._ask(question, "ok", _status)
        if any(status != "ok" for status in statuses.values()):
            line.names[index] = "flags"
            line.flags.update(statuses)

    def _other(
        self, form: Form, main: str, lines: list[_Line], ignored: list[str], behind: str
    ) -> None:
        """Ask what to do with lines of another form; ``behind`` is how their checksum looks."""
        sample = clean(form.lines[-1])
        question = f"{len(form.lines)} lines such as {sample!r}: (r)ead, (i)gnore, or (m)alformed"
        what = self._ask(question, "m", _choice("rim"))
        if what == "i":
            ignored.append(pattern_of(form, {}) + behind)
        elif what == "r":
            lines.append(self._line(form, main, first=False))

    def _name(self) -> str:
        """Propose the name of the file that was asked for: a profile is found by both."""
        stem = "" if self._out is None else self._out.stem
        return stem if _SLUG.fullmatch(stem) else "my-meter"

    # ── the file ─────────────────────────────────────────────────────────────────────────────

    def _toml(
        self,
        name: str,
        summary: str,
        seen: Seen,
        lines: Sequence[_Line],
        ignored: Sequence[str],
    ) -> str:
        samples = [line for form in seen.forms for line in form.lines[:_OFTEN]]
        text = ["# Lines as the meter sent them:", "#"]
        text += [f"#   {clean(sample)}" for sample in samples]
        text += ["", "schema_version = 1", f"name = {_quoted(name)}"]
        text += [f"summary = {_quoted(summary)}", 'driver = "ascii-meter"']
        if ignored:
            text.append(f"ignore = [{', '.join(_literal(pattern) for pattern in ignored)}]")
        given = {key: value for key, value in self._serial.items() if value is not None}
        if given:
            text += ["", "[link]", *(f"{key} = {_quoted(value)}" for key, value in given.items())]
        text += ["", "[framing]", f"encoding = {_quoted(seen.encoding)}"]
        text.append(f"decimal = {_quoted(seen.decimal)}")
        if seen.start:
            text.append(f"start = {_quoted(seen.start)}")
        if seen.terminator is not None:
            text.append(f"terminator = {_quoted(seen.terminator)}")
        if seen.checksum is not None:
            kind, mark = seen.checksum
            text += ["", "[checksum]", f"kind = {_quoted(kind)}", f"mark = {_quoted(mark)}"]
        for line in lines:
            text += ["", "[[lines]]", f"pattern = {_literal(pattern_of(line.form, line.names))}"]
            flags = {"flags": line.flags} if line.flags else {}
            for value in line.values:
                text += ["", "[[lines.values]]"]
                text += [f"{key} = {_quoted(member)}" for key, member in {**value, **flags}.items()]
        return "\n".join(text) + "\n"

    def _write(self, name: str, text: str) -> None:
        path = self._out
        if path is None:
            path = Path(self._ask("Write it to", str(user_folder() / f"{name}.toml"), _text))
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
        say(f"  options = {{ profile = {_quoted(name if found else str(path.absolute()))} }}")
        say(f"  link = {_quoted(self._link())}")

    def _link(self) -> dict[str, Any]:
        from capture.links.address import host_and_port

        if self._tcp is not None and (found := host_and_port(self._tcp)) is not None:
            return {"kind": "tcp", "host": found[0], "port": found[1]}
        return {"kind": "serial", "port": self._port or "/dev/ttyUSB0"}

    def _ask(self, question: str, default: str | None, check: Callable[[str], str]) -> str:
        """Ask until an answer can be taken; an empty one takes the default.

        Raises:
            InputError: the answers have come to an end.
        """
        while True:
            say(f"{question}{'' if default is None else f' [{default}]'}: ")
            line = sys.stdin.readline()
            if not line:
                raise InputError(f"no answer to {question!r}; nothing was written")
            answer = line.strip() or default or ""
            try:
                return check(answer)
            except InputError as error:
                say(f"  {error}")


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
    if main != _NOTHING and (not units or unit_of(main) in units or None in units):
        return main
    if units == {"V"}:
        return str(Quantity.TEST_VOLTAGE)
    same = [str(each) for each in Quantity if unit_of(each) in units]
    return same[0] if same else _NOTHING


def unit_base(text: str) -> str | None:
    """Give the base unit of a unit as shown; None where it is not understood."""
    from capture.model import parse_unit

    return None if unit_fault(text) is not None else parse_unit(text).unit


def _samples(place: Place) -> str:
    shown = ", ".join(clean(text) for text, _ in place.texts.most_common(_SAMPLES))
    units = "/".join(clean(text) for text in place.units)
    return f"'{shown}{' ' + units if units else ''}'"


def _quantity(answer: str) -> str:
    unit_of(answer)
    return answer


def _field(answer: str) -> str:
    return answer if answer in (*_OWN, _NOTHING) else _quantity(answer)


def _unit_for(quantity: str, *, or_none: bool = False) -> Callable[[str], str]:
    def check(answer: str) -> str:
        if or_none and answer == _NOTHING:
            return answer
        fault = unit_fault(answer)
        if fault is not None:
            raise InputError(fault)
        wanted = unit_of(quantity)
        if wanted is not None and unit_base(answer) != wanted:
            raise InputError(f"{answer} is no unit of {quantity}, whose base unit is {wanted}")
        return answer

    return check


def _status(answer: str) -> str:
    if answer not in list(Status):
        raise InputError(f"expected one of {', '.join(Status)}")
    return answer


def _text(answer: str) -> str:
    if not answer or not answer.isprintable():
        raise InputError("expected a line of text")
    return answer


def _whole(answer: str) -> str:
    if re.fullmatch("[0-9]{1,9}", answer) is None:
        raise InputError("expected a whole number")
    return answer


def _slug(answer: str) -> str:
    if not _SLUG.fullmatch(answer):
        raise InputError("expected lower-case letters, digits and dashes, no dash at either end")
    return answer


def _choice(letters: str) -> Callable[[str], str]:
    def check(answer: str) -> str:
        if len(answer) != 1 or answer not in letters:
            raise InputError(f"expected one of {', '.join(letters)}")
        return answer

    return check


def _quoted(value: Any) -> str:
    """Write a value in TOML; JSON's strings, numbers and booleans are TOML's as well."""
    if isinstance(value, dict):
        inner = ", ".join(f"{_key(str(key))} = {_quoted(each)}" for key, each in value.items())
        return f"{{ {inner} }}"
    return json.dumps(str(value) if isinstance(value, Status) else value, ensure_ascii=False)


def _key(text: str) -> str:
    return text if text.isascii() and text.replace("-", "_").isidentifier() else json.dumps(text)


def _literal(pattern: str) -> str:
    return json.dumps(pattern) if "'" in pattern else f"'{pattern}'"
