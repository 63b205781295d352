"""The parts of profiles for meters that stream packed binary frames."""

from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from capture.driver.checksums import CHECKSUMS
from capture.driver.profile.lines import Function
from capture.driver.profile.parts import Part, check_unit
from capture.model import Status
from capture.model.fields import QuantityName

_FLOAT_SIZES = (4, 8)

Order = Literal["big", "little"]
Offset = Annotated[int, Field(ge=0, le=255)]
Code = Annotated[str, Field(pattern=r"^(0x[0-9a-fA-F]{1,16}|-?[0-9]{1,20})$")]


class PackedChecksum(Part):
    """A checksum within every frame."""

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
    at: int = Field(ge=0, le=255)
    """Offset of its first byte; the first byte of a frame is 0."""
    order: Order = "little"
    """Which byte of a CRC comes first."""
    covers: tuple[int, int] | None = None
    """Offsets of the first and the last byte that it covers; all before it where not given."""

    @property
    def size(self) -> int:
        """Bytes that it takes."""
        return CHECKSUMS[self.kind].size


class PackedNumber(Part):
    """A number in its place."""

    at: Offset
    """Offset of its first byte; the first byte of a frame is 0."""
    size: int = Field(ge=1, le=8)
    """Bytes that it takes."""
    form: Literal["unsigned", "signed", "bcd", "float"] = "unsigned"
    """``bcd`` is two decimal digits a byte; ``float`` is IEEE 754 in 4 or 8 bytes."""
    order: Order = "big"
    """Which byte comes first."""
    exponent: int = Field(0, ge=-12, le=12)
    """Power of ten of one count."""

    @model_validator(mode="after")
    def _form_has_that_size(self) -> Self:
        if self.form == "float" and self.size not in _FLOAT_SIZES:
            raise ValueError(f"size: found {self.size}, expected 4 or 8 for a float")
        return self


class Bit(Part):
    """A bit of a frame."""

    at: Offset
    """Offset of its byte."""
    bit: int = Field(ge=0, le=7)
    """0 is the least significant."""


class PackedFlag(Bit):
    """A bit that tells a status while it is set."""

    status: Status
    """What the values of the frame are then."""


class PackedValue(PackedNumber):
    """One value of a frame."""

    quantity: QuantityName | None = None
    """Where no function code tells it."""
    unit: str = ""
    """Unit of the number as shown, where no unit code tells it."""
    exponent_at: Offset | None = None
    """Offset of a signed byte: a power of ten that applies besides."""
    unit_at: Offset | None = None
    """Offset of the byte that holds the unit code; null where the unit is fixed."""
    units: dict[Code, str] = Field(default_factory=dict)
    """Unit code → unit as shown; a code that is not listed makes the frame Malformed."""
    function_at: Offset | None = None
    """Offset of the byte that holds the function code; null where the quantity is fixed."""
    functions: dict[Code, Function] = Field(default_factory=dict)
    """Function code → quantity; a code that is not listed makes the frame Malformed."""
    minus: Bit | None = None
    """Bit that tells a negative value while it is set."""
    codes: dict[Code, Status] = Field(default_factory=dict)
    """Number that is no value → status."""

    @model_validator(mode="after")
    def _says_what_it_is_of(self) -> Self:
        if (self.quantity is None) == (self.function_at is None):
            raise ValueError("give either a quantity, or function_at with functions")
        for place, listed in (("unit", self.units), ("function", self.functions)):
            if (getattr(self, f"{place}_at") is None) != (not listed):
                raise ValueError(f"{place}_at and {place}s belong together")
        if not self.unit and not self.units and not self.functions:
            raise ValueError("give a unit, or unit_at with units")
        for text in (self.unit, *self.units.values()):
            check_unit(text, None)
        if not self.units:
            check_unit(self.unit, self.quantity)
        for code, status in self.codes.items():
            if status is Status.OK:
                raise ValueError(f"codes.{code}: found 'ok', expected a status without a value")
        return self


class Packed(Part):
    """Frames of one length with nothing between them but time."""

    length: int = Field(ge=2, le=256)
    """Bytes of a frame."""
    gap_s: float | None = Field(None, ge=0.001, le=2)
    """Silence between two frames, in seconds."""
    start: str = ""
    """Bytes that every frame begins with, in hex."""
    end: str = ""
    """Bytes that every frame ends with, in hex."""
    checksum: PackedChecksum | None = None
    """Null where a frame has none."""
    values: Annotated[
        tuple[PackedValue, ...], Field(max_length=16, json_schema_extra={"minItems": 1})
    ]
    """At least one; each in its own place."""
    flags: Annotated[tuple[PackedFlag, ...], Field(max_length=64)] = ()
    """Bits that tell a status. Another bit of the same byte makes the frame Malformed if set."""

    @field_validator("start", "end")
    @classmethod
    def _is_hex(cls, text: str) -> str:
        try:
            bytes.fromhex(text)
        except ValueError as error:
            raise ValueError(f"found {text!r}, expected bytes in hex, such as '02 10'") from error
        return text

    @model_validator(mode="after")
    def _can_be_found(self) -> Self:
        if not self.values:
            raise ValueError("values: found none, expected at least one")
        if not (self.gap_s or self.start or self.end or self.checksum):
            raise ValueError(
                "give gap_s, a start, an end or a checksum: else no frame can be found"
            )
        if len(bytes.fromhex(self.start)) + len(bytes.fromhex(self.end)) >= self.length:
            raise ValueError("start and end leave no room in a frame")
        return self

    @model_validator(mode="after")
    def _stays_within_the_frame(self) -> Self:
        for name, last in self._last_bytes():
            if last >= self.length:
                raise ValueError(
                    f"{name}: reaches byte {last}, expected at most {self.length - 1} "
                    f"in a frame of {self.length}"
                )
        sum_ = self.checksum
        if sum_ is not None and sum_.covers is not None and sum_.covers[0] > sum_.covers[1]:
            raise ValueError(f"checksum.covers: found {list(sum_.covers)}, expected first ≤ last")
        if sum_ is not None and sum_.covers is None and sum_.at == 0:
            raise ValueError("checksum.covers: not given, but nothing stands before the checksum")
        return self

    def _last_bytes(self) -> list[tuple[str, int]]:
        """List what has a place in the frame, and the last byte that it takes."""
        places = [(f"flags[{index}].at", flag.at) for index, flag in enumerate(self.flags)]
        for index, value in enumerate(self.values):
            where = f"values[{index}]"
            places.append((f"{where}.at", value.at + value.size - 1))
            for name in ("exponent_at", "unit_at", "function_at"):
                offset = getattr(value, name)
                if offset is not None:
                    places.append((f"{where}.{name}", offset))
            if value.minus is not None:
                places.append((f"{where}.minus.at", value.minus.at))
        if self.checksum is not None:
            places.append(("checksum.at", self.checksum.at + self.checksum.size - 1))
            if self.checksum.covers is not None:
                places.append(("checksum.covers", self.checksum.covers[1]))
        return places
