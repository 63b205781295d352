"""SCPI program messages: splitting, headers, parameters (IEEE 488.2 §7, SCPI-99 vol. 1 §6)."""

import itertools
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence

from simulators.scpi_errors import ScpiError

LONGEST_MNEMONIC = 12  # IEEE 488.2 §7.6.1.4.1

INFINITY = 9.9e37  # SCPI-99 vol. 1 §7.2.1: INFinity
NOT_A_NUMBER = 9.91e37  # same: NAN

_NODE = re.compile(r"(\[)?:?([A-Z]+)([a-z]*)")
_HEADER = re.compile(r"(\*[A-Za-z]+|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)\??")
_HEADER_CHARACTERS = re.compile(r"[A-Za-z0-9_:*?]*")
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[Ee]\s*[+-]?\d+)?)\s*([A-Za-z%]*)")
# SCPI-99 vol. 1 §7.3.1: multipliers; MHZ and MOHM mean mega there, hence the whole units.
_MULTIPLIERS = {"": 1.0, "G": 1e9, "MA": 1e6, "K": 1e3, "M": 1e-3, "U": 1e-6, "N": 1e-9}
_MEGA_UNITS = frozenset({"HZ", "OHM"})


def split_unquoted(text: str, separator: str) -> list[str]:
    """Split at the separator wherever it stands outside quotes; raise ScpiError -151."""
    parts = [""]
    quote = ""
    for character in text:
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character == separator:
            parts.append("")
            continue
        parts[-1] += character
    if quote:
        raise ScpiError(-151)
    return parts


def split_header(unit: str) -> tuple[str, list[str]]:
    """Split a program message unit into its header and its parameters.

    Raises ScpiError -101, -102, -112 for a header that is none.
    """
    text = unit.strip()
    header, _, rest = text.replace("\t", " ").partition(" ")
    if not header.isascii() or _HEADER_CHARACTERS.fullmatch(header) is None:
        raise ScpiError(-101, header[:40])
    if _HEADER.fullmatch(header) is None:
        raise ScpiError(-102, header[:40])
    if any(len(mnemonic) > LONGEST_MNEMONIC for mnemonic in re.split(r"[:*?]", header)):
        raise ScpiError(-112, header[:40])
    rest = rest.strip()
    parameters = [part.strip() for part in split_unquoted(rest, ",")] if rest else []
    return header, parameters


def spellings(pattern: str) -> Iterator[str]:
    """Yield each way of writing a header such as `SYSTem:ERRor[:NEXT]?`, in upper case.

    A mnemonic has two forms, long and short; nodes in brackets may be left out.
    """
    if pattern.startswith("*"):
        yield pattern.upper()
        return
    query = "?" if pattern.endswith("?") else ""
    choices = []
    for optional, short, rest in _NODE.findall(pattern):
        forms = list(dict.fromkeys((short, (short + rest).upper())))
        choices.append([*forms, ""] if optional else forms)
    for nodes in itertools.product(*choices):
        yield ":".join(node for node in nodes if node) + query


def plain(header: str) -> str:
    """Return the header in upper case without suffixes; raise ScpiError -114 for one above 1."""
    query = "?" if header.endswith("?") else ""
    nodes = []
    for mnemonic in header.removesuffix("?").upper().split(":"):
        name = mnemonic.rstrip("0123456789")
        if mnemonic[len(name) :] not in {"", "1"}:
            raise ScpiError(-114, header[:40])
        nodes.append(name)
    return ":".join(nodes) + query


def expect(parameters: Sequence[str], least: int, most: int | None = None) -> None:
    """Raise ScpiError -109 or -108 when there are too few or too many parameters."""
    if len(parameters) < least:
        raise ScpiError(-109)
    if len(parameters) > (least if most is None else most):
        raise ScpiError(-108)


def numeric(
    text: str, unit: str = "", *, least: float, most: float, default: float | None = None
) -> float:
    """Read a <numeric_value> (SCPI-99 vol. 1 §7.2) in its base unit.

    MINimum, MAXimum and DEFault are numbers too. Raises ScpiError -104, -131 or -222.
    """
    named = {"MIN": least, "MINIMUM": least, "MAX": most, "MAXIMUM": most}
    if default is not None:
        named |= {"DEF": default, "DEFAULT": default}
    word = text.strip().upper()
    if word in named:
        return named[word]
    match = _NUMBER.fullmatch(text.strip())
    if match is None:
        raise ScpiError(-104, text[:40])
    value = float(match[1].replace(" ", "")) * _multiplier(match[2].upper(), unit.upper())
    if not math.isfinite(value) or not least <= value <= most:
        raise ScpiError(-222, text[:40])
    return value


def boolean(text: str) -> bool:
    """Read ON, OFF or a number that is rounded and compared with 0 (SCPI-99 vol. 1 §7.3)."""
    word = text.strip().upper()
    if word in {"ON", "OFF"}:
        return word == "ON"
    return round(numeric(word, least=-32768, most=32767)) != 0


def choice(text: str, allowed: Iterable[str]) -> str:
    """Read character data such as `ASCii`; return its short form; raise ScpiError -104, -224."""
    word = text.strip().upper()
    if not word or not word[0].isalpha():
        raise ScpiError(-104, text[:40])
    for each in allowed:
        if word in set(spellings(each)):
            return short_form(each)
    raise ScpiError(-224, text[:40])


def short_form(mnemonic: str) -> str:
    """Return the short form of a mnemonic: its capital letters and digits."""
    return "".join(character for character in mnemonic if not character.islower())


def nr3(value: float, digits: int = 6) -> str:
    """Write a number as NR3 with so many significant digits (IEEE 488.2 §8.7.4)."""
    return f"{value:+.{max(digits, 1) - 1}E}"


def block(data: bytes) -> bytes:
    """Wrap data as a definite length arbitrary block (IEEE 488.2 §8.7.9)."""
    length = str(len(data)).encode()
    return b"#" + str(len(length)).encode() + length + data


def _multiplier(suffix: str, unit: str) -> float:
    if suffix in {"", unit}:
        return 1.0
    if not unit or not suffix.endswith(unit):
        raise ScpiError(-131, suffix[:40])
    prefix = suffix.removesuffix(unit)
    if prefix == "M" and unit in _MEGA_UNITS:
        return 1e6
    multipliers: Mapping[str, float] = _MULTIPLIERS
    if prefix not in multipliers:
        raise ScpiError(-131, suffix[:40])
    return multipliers[prefix]
