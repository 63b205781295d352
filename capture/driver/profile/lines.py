"""The parts of profiles for meters that send lines of text."""

import itertools
import re
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from capture.driver.checksums import CHECKSUMS
from capture.driver.profile.parts import Part, check_unit, compiling
from capture.model import Status
from capture.model.fields import QuantityName
from capture.model.status import VALUELESS

#: Fields of a line that are no value: the instrument's own count, clock and number of a result.
ELAPSED, TIME, RECORD = "elapsed", "time", "record"

_PARTS = ("unit", "function", "flags")


class Framing(Part):
    """How lines are cut from the stream."""

    terminator: Annotated[str, Field(min_length=1, max_length=8)] | None = None
    """What ends a line; any of CR and LF where it is not given."""
    start: str = Field("", max_length=8)
    """What every line begins with, such as STX; what stands before it is passed over."""
    prompts: tuple[Annotated[str, Field(min_length=1, max_length=32)], ...] = ()
    """Texts that may stand before a line and mean nothing."""
    echo: bool = False
    """The meter sends back the poll message before it answers."""
    encoding: Literal["ascii", "latin-1", "utf-8", "cp437"] = "ascii"
    """Characters that the bytes of a line stand for."""
    decimal: Literal["point", "comma"] = "point"
    """The mark that the meter puts before its decimals."""
    longest: int = Field(120, ge=4, le=1000)
    """More bytes than this without a terminator are no line."""

    @field_validator("terminator", "start")
    @classmethod
    def _is_bytes(cls, text: str | None) -> str | None:
        if text is not None and any(ord(character) > 0xFF for character in text):  # noqa: PLR2004 - a byte
            raise ValueError(f"found {text!r}, expected characters of one byte, such as \\u0002")
        return text


class LineChecksum(Part):
    """A checksum at the end of every line that carries values."""

    kind: Literal[
        "crc-16-arc",
        "crc-16-modbus",
        "crc-16-xmodem",
        "crc-16-ccitt-false",
        "xor",
        "lrc",
        "sum",
    ]
    """How it is computed; ``lrc`` is the two's complement of the sum, ``sum`` is modulo 256."""
    form: Literal["hex", "binary"] = "hex"
    """Written in hexadecimal digits, or as the bytes themselves."""
    order: Literal["big", "little"] = "big"
    """Which byte of a CRC comes first."""
    place: Literal["before-terminator", "after-terminator"] = "before-terminator"
    """On which side of the line's terminator it stands."""
    mark: str = Field("", max_length=8)
    """Text between what is covered and the checksum."""
    covers_start: bool = False
    """Whether the start of the line (`framing.start`) is covered."""
    covers_mark: bool = False
    """Whether the mark is covered."""
    covers_terminator: bool = False
    """Whether the terminator is covered; for a checksum that stands behind it."""

    @model_validator(mode="after")
    def _can_be_where_it_is(self) -> Self:
        if self.covers_terminator and self.place != "after-terminator":
            raise ValueError('covers_terminator: found true, expected place = "after-terminator"')
        return self

    @property
    def size(self) -> int:
        """Bytes that the checksum takes in a line."""
        size = CHECKSUMS[self.kind].size
        return size if self.form == "binary" else 2 * size


class Function(Part):
    """What a function text stands for."""

    quantity: QuantityName
    """What the value is of while the meter shows that text or code."""
    unit: str = ""
    """Unit as shown that applies where the line has none."""

    @model_validator(mode="after")
    def _unit_fits(self) -> Self:
        check_unit(self.unit, self.quantity)
        return self


class Meaning(Part):
    """What one value of a line means."""

    quantity: QuantityName | None = None
    """Where the line has no function text that tells it."""
    unit: str = ""
    """Unit as shown that applies where the line has none."""
    functions: dict[str, Function] = Field(default_factory=dict)
    """Function text → quantity; a text that is not listed makes the line Malformed."""
    units: dict[str, str] = Field(default_factory=dict)
    """Unit text of this family → unit as understood, for texts that are ambiguous by themselves."""
    flags: dict[str, Status] = Field(default_factory=dict)
    """Flag text → status; a text that is not listed makes the line Malformed."""
    words: dict[str, Status] = Field(default_factory=dict)
    """Text in place of the number → status, such as ``BREAKDOWN``."""
    status: Status = Status.OK
    """Status of every value that these lines have."""

    @field_validator("words")
    @classmethod
    def _words_are_no_values(cls, words: dict[str, Status]) -> dict[str, Status]:
        for word, status in words.items():
            if status is Status.OK:
                raise ValueError(f"{word}: found 'ok', expected a status that needs no number")
        return words

    @field_validator("status")
    @classmethod
    def _status_keeps_the_value(cls, status: Status) -> Status:
        if status in VALUELESS:
            raise ValueError(f"found {str(status)!r}, expected a status that a number may have")
        return status

    def _check(self, field: str, names: frozenset[str], shared_flags: str = "") -> None:
        """Check that what is said of the value in ``field`` fits the fields of the line."""
        unit, function, flags = (beside(field, part) for part in _PARTS)
        if field not in names:
            raise ValueError(f"found no field {field!r} among {', '.join(sorted(names)) or 'none'}")
        if self.quantity is None and function not in names:
            raise ValueError(f"give a quantity, or a field {function} with functions")
        if function in names and not self.functions:
            raise ValueError(f"there is a field {function}, but no functions are listed")
        if {flags, shared_flags} & names and not self.flags:
            raise ValueError(f"there is a field {flags}, but no flags are listed")
        check_unit(self.unit, self.quantity)
        for text in self.units.values():
            check_unit(text, None)
        if self.quantity is not None and not self.unit and unit not in names:
            raise ValueError(f"give a unit, or a field {unit} that shows it")


class LineValue(Meaning):
    """One of several values of a line."""

    field: str = Field(min_length=1, max_length=40)
    """The group or column that holds it. Its unit, function and flags stand in the fields
    ``…_unit``, ``…_function`` and ``…_flags``, where there are such."""
    optional: bool = False
    """The field may be blank; then there is no value."""


class LineForm(Meaning):
    """One form of line, and what it means.

    The fields of a line are the named groups of ``pattern``, or the ``columns``. One value is in
    the field ``value``, its unit, function and flags in ``unit``, ``function``, ``flags``; for
    several give ``values``. Fields ``elapsed``, ``time`` and ``record`` hold the instrument's own
    count, clock and number of a stored result.
    """

    pattern: str = Field("", max_length=1000)
    """Regular expression for the whole line."""
    columns: dict[str, tuple[int, int]] = Field(default_factory=dict)
    """Field → its first and last character; the first of a line is 1."""
    width: int | None = Field(None, ge=1, le=1000)
    """Characters that such a line must have; with columns."""
    skip: tuple[tuple[int, int], ...] = ()
    """Characters that may hold anything; all others outside the columns must be blank."""
    values: Annotated[tuple[LineValue, ...], Field(max_length=32)] = ()
    """The values of a line that has several, each with its own field."""
    elapsed_unit: Literal["s", "min", "h"] = "s"
    """Unit of an elapsed time that is a plain number; with colons it is h:mm:ss or m:ss."""
    conditions: dict[str, str] = Field(default_factory=dict)
    """Field → unit as shown of a number that is kept as a condition; empty for words."""

    @property
    def names(self) -> frozenset[str]:
        """The fields that such a line has."""
        if self.columns:
            return frozenset(self.columns)
        return frozenset(re.compile(self.pattern).groupindex)

    @property
    def meanings(self) -> tuple[LineValue, ...]:
        """The values of a line; a single one is in the field ``value``."""
        if self.values:
            return self.values
        own = {name: getattr(self, name) for name in Meaning.model_fields}
        return (LineValue(field="value", **own),)

    @field_validator("pattern")
    @classmethod
    def _pattern_compiles(cls, pattern: str) -> str:
        return compiling(pattern)

    @model_validator(mode="after")
    def _columns_are_places(self) -> Self:
        for name, (first, last) in self.columns.items():
            if not 1 <= first <= last:
                raise ValueError(f"columns.{name}: found [{first}, {last}], expected first ≤ last")
        places = sorted([*self.columns.values(), *self.skip])
        for (_, last), (first, _) in itertools.pairwise(places):
            if first <= last:
                raise ValueError(f"columns: two of them hold character {first}")
        if self.width is not None and places and places[-1][1] > self.width:
            raise ValueError(f"width: found {self.width}, expected at least {places[-1][1]}")
        if not self.columns and (self.width is not None or self.skip):
            raise ValueError("width and skip belong to columns")
        return self

    @model_validator(mode="after")
    def _says_what_it_is_of(self) -> Self:
        if bool(self.pattern) == bool(self.columns):
            raise ValueError("give either a pattern or columns")
        names = self.names
        if self.values:
            self._check_values(names)
        else:
            if "value" not in names:
                missing = "a group (?P<value>…)" if self.pattern else "one called value"
                where = "pattern" if self.pattern else "columns"
                raise ValueError(f"the {where} needs {missing}")
            self._check("value", names)
        for name, unit in self.conditions.items():
            if name not in names:
                raise ValueError(f"conditions.{name}: there is no such field")
            check_unit(unit, None)
        fields = [value.field for value in self.meanings]
        known = {beside(field, part) for field in fields for part in ("", *_PARTS)}
        known |= {ELAPSED, TIME, RECORD, "flags", *self.conditions}
        if names - known:
            unknown = ", ".join(sorted(names - known))
            raise ValueError(
                f"nothing says what field {unknown} is; known are {', '.join(sorted(known))}"
            )
        return self

    def _check_values(self, names: frozenset[str]) -> None:
        defaults = {
            name: field.get_default(call_default_factory=True)
            for name, field in Meaning.model_fields.items()
        }
        for name, default in defaults.items():
            if name != "status" and getattr(self, name) != default:
                raise ValueError(f"{name}: with values, it belongs into one of them")
        fields = [value.field for value in self.values]
        if len(set(fields)) != len(fields):
            raise ValueError("values: two of them are in the same field")
        for index, value in enumerate(self.values):
            try:
                value._check(value.field, names, "flags")  # noqa: SLF001 - its own kind
            except ValueError as error:
                raise ValueError(f"values[{index}]: {error}") from error


class Poll(Part):
    """A meter that answers when asked. The message still has to be enabled for each instrument."""

    message: str = Field(min_length=1, max_length=64)
    """What asks for a result, with its terminator."""
    interval_s: float = Field(1.0, gt=0, le=86400)
    """Seconds from message to message."""
    timeout_s: float = Field(2.0, gt=0, le=60)
    """Seconds an answer may take before it counts as none."""
    answer: Literal["line", "lines"] = "line"
    """One line, or several, such as all stored results."""
    quiet_s: float = Field(0.5, ge=0.05, le=10)
    """Silence after which an answer of several lines is at its end."""


def beside(field: str, part: str) -> str:
    """Name the field that holds a part of a value: ``unit`` beside ``value``, else ``x_unit``."""
    if not part:
        return field
    return part if field == "value" else f"{field}_{part}"
