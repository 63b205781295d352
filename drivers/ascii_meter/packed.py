"""Reading one packed binary frame by a profile: from bytes to indications. No state, no time."""

import math
import struct
from collections.abc import Callable, Mapping
from dataclasses import replace
from decimal import Decimal
from typing import TypeVar

from capture.driver import (
    CHECKSUMS,
    VALUELESS,
    Indication,
    InputError,
    Packed,
    PackedNumber,
    PackedValue,
    Profile,
    Shown,
    Status,
    parse_unit,
    scale_number,
    unit_of,
)

_T = TypeVar("_T")

_LARGEST_EXPONENT = 12
_DECADES = (-30, 38)  # smallest and largest that a meter can mean; 9.9E37 is a special number
_DIGITS_OF_SINGLE = range(6, 10)  # IEEE 754 binary32: 6 are always kept, 9 always suffice


def check_of(packed: Packed) -> Callable[[bytes], bool] | None:
    """Give what tells whether bytes can be a frame; None where a frame has nothing to tell it."""
    start, end, checksum = bytes.fromhex(packed.start), bytes.fromhex(packed.end), packed.checksum
    if not start and not end and checksum is None:
        return None
    if checksum is None:
        return lambda frame: frame.startswith(start) and frame.endswith(end)
    first, last = checksum.covers or (0, checksum.at - 1)
    known = CHECKSUMS[checksum.kind]
    at, size, order, compute = checksum.at, known.size, checksum.order, known.compute

    def fits(frame: bytes) -> bool:
        return (
            frame.startswith(start)
            and frame.endswith(end)
            and int.from_bytes(frame[at : at + size], order) == compute(frame[first : last + 1])
        )

    return fits


class PackedReader:
    """Reads the frames of one family of meters."""

    def __init__(self, packed: Packed, profile: Profile, conditions: Mapping[str, str]) -> None:
        self._packed = packed
        self._conditions = {**profile.conditions, **conditions}
        self._flags: dict[int, dict[int, Status]] = {}
        for flag in packed.flags:
            self._flags.setdefault(flag.at, {})[flag.bit] = flag.status
        for value in packed.values:
            if value.minus is not None and value.minus.at in self._flags:
                self._flags[value.minus.at].setdefault(value.minus.bit, Status.OK)
        self._frames = 0

    def read(self, frame: bytes) -> list[Indication]:
        """Read one whole frame.

        Raises:
            InputError: it holds a code, a bit or a digit that the profile does not list.
        """
        found = self._read(frame)
        self._frames += 1
        if len(found) == 1:
            return found
        return [replace(each, group=self._frames) for each in found]

    def can_read(self, frame: bytes) -> bool:
        """Tell whether so many bytes hold only what the profile lists."""
        try:
            self._read(frame)
        except InputError:
            return False
        return True

    def _read(self, frame: bytes) -> list[Indication]:
        status = self._status(frame)
        return [self._value(value, frame, status) for value in self._packed.values]

    def _status(self, frame: bytes) -> Status:
        status = Status.OK
        for at, known in self._flags.items():
            for bit in range(8):
                if not frame[at] >> bit & 1:
                    continue
                if bit not in known:
                    raise InputError(f"bit {bit} of byte {at} is set and not listed in the profile")
                if status is Status.OK:
                    status = known[bit]
        return status

    def _value(self, value: PackedValue, frame: bytes, status: Status) -> Indication:
        quantity, unit = value.quantity, value.unit
        if value.function_at is not None:
            function = _listed(value.functions, frame[value.function_at], "function")
            quantity, unit = function.quantity, function.unit or unit
        if value.unit_at is not None:
            unit = _listed(value.units, frame[value.unit_at], "unit")
        assert quantity is not None  # the profile gives it or a function
        base = unit_of(quantity) or parse_unit(unit or "1").unit
        if unit and parse_unit(unit).unit != base:
            raise InputError(f"{quantity} is in {base}, the frame says {unit}")
        shown = self._shown(value, frame, unit or base)
        if status in VALUELESS or shown.value is None:
            shown = replace(shown, value=None, status=_worse(shown.status, status))
        return Indication.of(
            quantity, base, shown, frame, status=status, conditions=self._conditions
        )

    def _shown(self, value: PackedValue, frame: bytes, unit: str) -> Shown:
        exponent = value.exponent
        if value.exponent_at is not None:
            exponent += int.from_bytes(
                frame[value.exponent_at : value.exponent_at + 1], signed=True
            )
            if abs(exponent) > _LARGEST_EXPONENT:
                raise InputError(f"exponent {exponent} is beyond ±{_LARGEST_EXPONENT}")
        number = number_in(value, frame)
        if isinstance(number, Status):
            return Shown("---", unit, parse_unit(unit).unit, None, number)
        codes = {int(code, 0): status for code, status in value.codes.items()}
        if number in codes:
            return Shown(str(number), unit, parse_unit(unit).unit, None, codes[int(number)])
        if value.minus is not None and frame[value.minus.at] >> value.minus.bit & 1:
            number = -number
        number = number.scaleb(exponent)
        if number and not _DECADES[0] <= number.adjusted() <= _DECADES[1]:
            raise InputError(f"{number} is beyond anything that a bench meter shows")
        return scale_number(f"{number:f}", unit)


def number_in(place: PackedNumber, frame: bytes) -> Decimal | Status:
    """Give the number as it stands in a frame, without its exponent, or what it says instead.

    Raises:
        InputError: a digit of a BCD number is none.
    """
    data = frame[place.at : place.at + place.size]
    match place.form:
        case "unsigned" | "signed":
            signed = place.form == "signed"
            return Decimal(int.from_bytes(data, place.order, signed=signed))
        case "bcd":
            digits = (data if place.order == "big" else data[::-1]).hex()
            if not digits.isdigit():
                raise InputError(f"bytes {data.hex(' ')} are no BCD number")
            return Decimal(digits)
        case "float":
            return _float(data, place.order)


def _float(data: bytes, order: str) -> Decimal | Status:
    form = {4: "f", 8: "d"}[len(data)]
    (number,) = struct.unpack(f"{'>' if order == 'big' else '<'}{form}", data)
    if math.isnan(number):
        return Status.INVALID
    if math.isinf(number):
        return Status.ABOVE_RANGE if number > 0 else Status.BELOW_RANGE
    if form == "d":
        return Decimal(repr(number))
    text = "0"
    # The shortest text that gives the same four bytes is what the instrument meant.
    for digits in _DIGITS_OF_SINGLE:
        text = f"{number:.{digits}g}"
        try:
            if struct.unpack("f", struct.pack("f", float(text)))[0] == number:
                break
        except OverflowError:
            continue  # rounded up beyond the largest such number; more digits are needed
    return Decimal(text)


def _worse(shown: Status, flagged: Status) -> Status:
    return flagged if flagged is not Status.OK else shown


def _listed(known: Mapping[str, _T], code: int, what: str) -> _T:
    for text, meaning in known.items():
        if int(text, 0) == code:
            return meaning
    raise InputError(f"{what} code {code} is not listed in the profile")
