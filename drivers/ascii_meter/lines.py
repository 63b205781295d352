"""Reading one line of text by a profile: from characters to indications. No state, no time."""

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal

from capture.driver import (
    ELAPSED,
    RECORD,
    TIME,
    VALUELESS,
    Condition,
    Indication,
    InputError,
    LineForm,
    LineValue,
    Profile,
    Shown,
    Status,
    beside,
    parse_number,
    parse_shown,
    parse_unit,
    unit_of,
)

_OK = Status.OK
_SECONDS = {"s": 1, "min": 60, "h": 3600}
_CLOCK = re.compile(r"(?:([0-9]{1,4}):)?([0-9]{1,4}):([0-9]{2}(?:[.,][0-9]{1,6})?)")
_SIXTY = 60
_LONGEST_TEST = 10_000_000  # a number beyond it is no time, in whatever unit


@dataclass(frozen=True, slots=True)
class _Form:
    """A profile's line form, ready for use."""

    form: LineForm
    pattern: re.Pattern[str] | None
    names: frozenset[str]
    values: tuple[LineValue, ...]
    flags: bool

    def fields(self, text: str) -> dict[str, str] | None:
        """Give the line's fields, blanks around them removed; None where it is no such line."""
        if self.pattern is None:
            return _columns(text, self.form)
        match = self.pattern.fullmatch(text.strip())
        if match is None:
            return None
        return {name: part.strip() for name, part in match.groupdict("").items()}


@dataclass(frozen=True, slots=True)
class _Value:
    """One value of a line, before it is known what holds for the whole line."""

    quantity: str
    unit: str
    shown: Shown
    status: Status


class LineReader:
    """Reads the lines of one family of meters."""

    def __init__(self, profile: Profile, conditions: Mapping[str, str]) -> None:
        self._mark = profile.framing.decimal
        #: What every value is shown under.
        self.conditions: dict[str, Condition] = {**profile.conditions, **conditions}
        self._forms = tuple(
            _Form(
                form,
                re.compile(form.pattern) if form.pattern else None,
                form.names,
                form.meanings,
                any(name.endswith("flags") for name in form.names),
            )
            for form in profile.lines
        )
        self._frames = 0

    def read(self, text: str, raw: bytes, query: str | None = None) -> list[Indication]:
        """Read one line; ``raw`` is kept with what it says.

        Raises:
            InputError: the line fits no form, or two, or holds something that is not listed.
        """
        fits = [(f, fields) for f in self._forms if (fields := f.fields(text)) is not None]
        if not fits:
            raise InputError("fits no line of the profile")
        if len(fits) > 1:
            raise InputError("fits two lines of the profile")
        form, fields = fits[0]
        found = []
        for value in form.values:
            one = self._value(form, value, fields)
            if one is not None:
                found.append(one)
        if not found:
            raise InputError("has no value")
        return self._placed(form, fields, found, raw, query)

    def _value(self, form: _Form, value: LineValue, fields: Mapping[str, str]) -> _Value | None:
        text = fields[value.field]
        if not text:
            if value.optional:
                return None
            raise InputError(f"field {value.field} is blank")
        quantity, unit = value.quantity, value.unit
        function = fields.get(beside(value.field, "function"), "")
        if function:
            if function not in value.functions:
                raise InputError(f"function {function!r} is not listed in the profile")
            quantity, unit = value.functions[function].quantity, value.functions[function].unit
        if quantity is None:
            raise InputError("has no function text, and the profile gives no quantity")
        status = _status(form, value, fields)
        stands = fields.get(beside(value.field, "unit"), "")
        if text in value.words:
            shown = Shown(
                text, "", parse_unit(unit).unit if unit else None, None, value.words[text]
            )
        else:
            understood = value.units.get(stands, stands)
            shown = parse_shown(f"{text} {understood}", mark=self._mark, default_unit=unit)
            if stands and shown.shown_unit != stands:
                shown = replace(shown, shown_unit=stands)
        base = unit_of(quantity) or shown.unit
        if base is None or shown.unit not in (None, base):
            raise InputError(f"{quantity} is in {base}, the line shows {shown.unit}")
        shown = _with_status(shown, status)
        # A display without a number keeps its own status.
        return _Value(quantity, base, shown, shown.status if shown.status is not _OK else status)

    def _placed(
        self,
        form: _Form,
        fields: Mapping[str, str],
        found: list[_Value],
        raw: bytes,
        query: str | None,
    ) -> list[Indication]:
        """Say of the values of a line what holds for all of them."""
        self._frames += 1
        conditions = self._line_conditions(form.form, fields)
        elapsed = None
        if fields.get(ELAPSED):
            elapsed = self._elapsed(fields[ELAPSED], form.form.elapsed_unit)
        time = fields.get(TIME) or None
        record = _record(fields, found)
        several = len(form.values) > 1
        return [
            Indication(
                quantity=each.quantity,
                unit=each.unit,
                value=each.shown.value,
                digits=each.shown.digits,
                shown_unit=each.shown.shown_unit,
                status=each.status,
                raw=raw,
                bound=each.shown.bound,
                conditions=conditions,
                group=self._frames if several else None,
                elapsed=elapsed,
                record=f"{record} {number}" if record and several else record,
                instrument_time=time,
                query=query,
            )
            for number, each in enumerate(found, start=1)
        ]

    def _line_conditions(
        self, form: LineForm, fields: Mapping[str, str]
    ) -> Mapping[str, Condition]:
        if not form.conditions:
            return self.conditions
        conditions = dict(self.conditions)
        for name, unit in form.conditions.items():
            text = fields[name]
            if not text:
                continue
            if not unit:
                conditions[name] = text
                continue
            shown = parse_shown(text, mark=self._mark, default_unit=unit)
            if shown.value is not None and shown.unit is not None:
                conditions[name] = (shown.value, shown.unit)
        return conditions

    def _elapsed(self, text: str, unit: str) -> Decimal:
        """Read an elapsed time in seconds: ``1:02:03``, ``0:15``, or a number.

        Raises:
            InputError: none of these, or sixty and more where sixty make one of the next.
        """
        clock = _CLOCK.fullmatch(text)
        if clock is None:
            number = parse_number(text.removesuffix(unit).rstrip(), mark=self._mark)
            if not 0 <= number < _LONGEST_TEST:
                raise InputError(f"{text!r} is no elapsed time")
            return number * _SECONDS[unit]
        hours, minutes = int(clock[1] or 0), int(clock[2])
        seconds = Decimal(clock[3].replace(",", "."))
        if seconds >= _SIXTY or (clock[1] is not None and minutes >= _SIXTY):
            raise InputError(f"{text!r} is no elapsed time")
        return hours * 3600 + minutes * _SIXTY + seconds


def _columns(text: str, form: LineForm) -> dict[str, str] | None:
    """Cut a line of fixed width into its columns; None where something stands outside them."""
    places = [*form.columns.values(), *form.skip]
    if form.width is not None and len(text) != form.width:
        return None
    covered = bytearray(len(text))
    for first, last in places:
        covered[first - 1 : last] = b"\1" * (min(last, len(text)) - min(first - 1, len(text)))
    if any(
        not place and not character.isspace()
        for place, character in zip(covered, text, strict=True)
    ):
        return None
    return {name: text[first - 1 : last].strip() for name, (first, last) in form.columns.items()}


def _status(form: _Form, value: LineValue, fields: Mapping[str, str]) -> Status:
    """Tell the status that flags and form stand for; the first that is not ok counts."""
    status = value.status if value.status is not _OK else form.form.status
    if not form.flags:
        return status
    for name in dict.fromkeys((beside(value.field, "flags"), "flags")):
        for flag in fields.get(name, "").split():
            if flag not in value.flags:
                raise InputError(f"flag {flag!r} is not listed in the profile")
            if status is Status.OK:
                status = value.flags[flag]
    return status


# Flags that speak of a number only: where the display has none, its own state says more.
_ABOUT_A_VALUE = frozenset({Status.UNSETTLED, Status.STALE})


def _with_status(shown: Shown, status: Status) -> Shown:
    """Let a flag speak before the display.

    A number that the instrument flags as none is none. A bound that was shown under live voltage
    or during a breakdown is no bound of the insulation.
    """
    if status is Status.OK:
        return shown
    if status in VALUELESS:
        bound = shown.bound if shown.status is status else None
        return replace(shown, value=None, status=status, bound=bound)
    if shown.status in VALUELESS:
        if status in _ABOUT_A_VALUE:
            return shown  # there is no value that could be held or still be moving
        return replace(shown, status=status, bound=None)
    return shown


def _record(fields: Mapping[str, str], found: list[_Value]) -> str | None:
    """Name a stored result so that it is stored once, however often it is sent.

    Numbers begin anew when the instrument's memory was erased, so its time belongs to the name. An
    instrument that sends no time is told apart by what it shows.
    """
    number, time = fields.get(RECORD, ""), fields.get(TIME, "")
    if not number:
        return None
    if time:
        return f"{number} {time}"
    shown = "|".join(
        f"{each.quantity} {each.status} {each.shown.digits} {each.shown.shown_unit}"
        for each in found
    )
    return f"{number} {hashlib.sha256(shown.encode()).hexdigest()[:16]}"
