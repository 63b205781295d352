"""The parts that profiles are made of."""

import re
import warnings
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from capture.driver.profile.patterns import may_not_end
from capture.errors import InputError
from capture.faults import shown
from capture.model import Status, parse_unit, unit_of
from capture.model.described import Described
from capture.model.fields import Line as Text
from capture.model.fields import QuantityName


class Part(Described, BaseModel):
    """Base of every part: frozen, and keys that do not exist are faults."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Identity(Part):
    """How an instrument of this family answers ``*IDN?``; used to propose the profile."""

    maker: str = ""
    """Regular expression for the whole first field."""
    model: str = ""
    """Regular expression for the whole second field."""
    banner: str = ""
    """Regular expression for a whole line that the instrument sends of itself, with any of the
    groups maker, model, serial, firmware."""

    @field_validator("maker", "model")
    @classmethod
    def _compiles(cls, pattern: str) -> str:
        return compiling(pattern)

    @field_validator("banner")
    @classmethod
    def _banner_names_parts(cls, pattern: str) -> str:
        groups = re.compile(compiling(pattern)).groupindex
        unknown = sorted(set(groups) - {"maker", "model", "serial", "firmware"})
        if unknown:
            raise ValueError(
                f"found group {unknown[0]!r}, expected groups maker, model, serial, firmware"
            )
        return pattern

    def fits(self, maker: str, model: str) -> bool:
        """Tell whether these fields are those of this family."""
        if not self.maker and not self.model:
            return False
        return (not self.maker or re.fullmatch(self.maker, maker) is not None) and (
            not self.model or re.fullmatch(self.model, model) is not None
        )


class LinkDefaults(Part):
    """Link settings of this family; what a configuration says goes before them."""

    baud: int | None = Field(None, ge=50, le=4_000_000)
    """Bits a second on a serial line."""
    data_bits: Literal[5, 6, 7, 8] | None = None
    """Bits of a character."""
    parity: Literal["none", "even", "odd", "mark", "space"] | None = None
    """Parity bit of a character."""
    stop_bits: float | None = None
    """1, 1.5 or 2."""
    flow: Literal["none", "xon-xoff", "rts-cts", "dsr-dtr"] | None = None
    """How the line is told to wait."""
    dtr: bool | None = None
    """Level to set on opening; opto-isolated cables draw their supply from DTR and RTS."""
    rts: bool | None = None
    """Level to set on opening, as for ``dtr``; null leaves it to the system."""
    settle_s: float | None = Field(None, ge=0, le=2)
    """Seconds to wait after setting the lines before a byte is believed."""
    quiet_s: float | None = Field(None, ge=0.01, le=0.25)
    """Silence after which a drained port counts as quiet."""

    @field_validator("stop_bits")
    @classmethod
    def _stop_bits_exist(cls, count: float | None) -> float | None:
        if count not in (None, 1, 1.5, 2):
            raise ValueError(f"found {count}, expected 1, 1.5 or 2")
        return count


class ValueField(Part):
    """One value of a SCPI answer, in its place."""

    quantity: QuantityName | None = None
    """What it is of; left out where ``role`` says what else it is."""
    unit: str = ""
    """Unit of the number; the quantity's base unit where it is not given."""
    role: Literal["value", "status", "ignore"] = "value"
    """``status`` is looked up in the status map; ``ignore`` is passed over (a bin, say)."""

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        if (self.role == "value") == (self.quantity is None):
            raise ValueError("a value needs a quantity, and nothing else has one")
        check_unit(self.unit, self.quantity)
        return self


class SettingQuery(Part):
    """A setting that a person can change at the front panel, re-read with every value."""

    query: str = Field(min_length=2, max_length=64, pattern=r"\?$")
    """What asks for it; ends in a question mark, so that it sets nothing."""
    unit: str = ""
    """Unit of the number; empty for words."""

    @model_validator(mode="after")
    def _unit_fits(self) -> Self:
        check_unit(self.unit, None)
        return self


class MeasuringFunction(Part):
    """What a SCPI answer holds while the instrument measures in one of its functions."""

    values: Annotated[
        tuple[ValueField, ...], Field(max_length=16, json_schema_extra={"minItems": 1})
    ]
    """Fields of an answer, in their order."""
    conditions: dict[str, str] = {}
    """Such as ``model = "series"``."""

    @field_validator("values")
    @classmethod
    def _has_values(cls, values: tuple[ValueField, ...]) -> tuple[ValueField, ...]:
        # Not by a length limit: pydantic counts what is left, so one faulty value gives two faults.
        if not values:
            raise ValueError("found none, expected at least one")
        return values


class Scpi(Part):
    """A SCPI instrument whose answers hold several fields."""

    query: str = Field("FETC?", max_length=64, pattern=r"\?$")
    """What asks for the values. One that starts a measurement is held back unless a person
    enabled it."""
    interval_s: float = Field(1.0, ge=0, le=3600)
    """Seconds from query to query."""
    timeout_s: float = Field(2.0, gt=0, le=600)
    """Seconds an answer may take."""
    values: Annotated[tuple[ValueField, ...], Field(max_length=16)] = ()
    """Fields of an answer, where they do not depend on a function."""
    function: SettingQuery | None = None
    """Query for the measuring function; its answer picks one of ``functions``."""
    functions: dict[str, MeasuringFunction] = {}
    """Function as the instrument names it → what an answer holds then."""
    settings: dict[str, SettingQuery] = {}
    """Condition name → query, such as frequency and level."""
    status: dict[str, Status] = {}
    """Status text → status; a text that is not listed makes the answer Malformed."""
    event_query: str = Field("", max_length=64)
    """Register that tells a new measurement; reading it clears it."""
    event_bit: int = Field(0, ge=0, le=15)
    """Bit of that register that a complete measurement sets; 0 is the least significant."""
    measures_every_s: float = Field(0.0, ge=0, le=3600)
    """How long one measurement takes; after that an equal answer is a new one."""

    @model_validator(mode="after")
    def _answers_are_known(self) -> Self:
        if bool(self.values) == bool(self.functions):
            raise ValueError("give either values, or functions with their query")
        if bool(self.functions) != (self.function is not None):
            raise ValueError("functions need the query `function`, and the other way round")
        fields = [field for each in self.functions.values() for field in each.values]
        has_status = any(field.role == "status" for field in (*self.values, *fields))
        if has_status and not self.status:
            raise ValueError("a field is a status, but no status texts are listed")
        return self


class Accuracy(Part):
    """Limits of error as a data sheet gives them, for one quantity up to one value.

    ±(``reading_percent`` of the reading + ``counts`` of the last digit shown), or
    ±(``reading_percent`` of the reading + ``range_percent`` of ``range``).
    """

    quantity: QuantityName
    """What the line holds for."""
    up_to: float | None = Field(None, gt=0)
    """Largest absolute value, in the base unit, that this line holds for; left out for any."""
    reading_percent: float = Field(0.0, ge=0, le=100)
    """Part that grows with the reading, %."""
    counts: float = Field(0.0, ge=0)
    """Part in units of the last digit shown."""
    range_percent: float = Field(0.0, ge=0, le=100)
    """Part that is the same over the whole range, % of ``range``."""
    range: float | None = Field(None, gt=0)
    """Full range in the base unit; ``up_to`` where it is not given."""
    source: Text = "profile"
    """Where the figures come from."""

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not (self.reading_percent or self.counts or self.range_percent):
            raise ValueError("give reading_percent, counts or range_percent")
        if self.range_percent and self.range is None and self.up_to is None:
            raise ValueError("range_percent needs range, or up_to as the range")
        return self


def compiling(pattern: str) -> str:
    """Let a regular expression pass that compiles and comes to an end with every text.

    Raises:
        ValueError: it does not; says why.
    """
    try:
        with warnings.catch_warnings():
            # Where a later release of the language will read it otherwise, it is no pattern now.
            warnings.simplefilter("error")
            re.compile(pattern)
    except (re.error, OverflowError, RecursionError, Warning) as error:
        raise ValueError(f"{shown(pattern)} is not a regular expression: {error}") from error
    if may_not_end(pattern):
        raise ValueError(
            f"{shown(pattern)} has a repeat inside a repeat without end, and may take hours over "
            "one noisy line; write the inner one so that it gives nothing back: ++ for +, *+ for *"
        )
    return pattern


def check_unit(text: str, quantity: str | None) -> None:
    """Let a unit pass that is known and fits the quantity; an empty one always does.

    Raises:
        ValueError: unknown, ambiguous, or of another quantity.
    """
    if not text:
        return
    try:
        unit = parse_unit(text).unit
        base = None if quantity is None else unit_of(quantity)
    except InputError as error:
        raise ValueError(str(error)) from error
    if base not in (None, unit):
        raise ValueError(f"{quantity} is in {base}, not in {text}")
