"""How readings look in a terminal.

Whatever comes from outside is hostile text: it is stripped of control characters and never read as
markup.
"""

import sys
from collections.abc import Iterable, Sequence
from decimal import Context, Decimal
from math import isclose, log10
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

# What draws tables is imported when one is drawn: most commands, and the daemon, draw none.


def console(without_terminal: int = 160) -> "Console":
    """Give a console on standard output; so many columns wide where that is no terminal."""
    from rich.console import Console  # noqa: PLC0415 - see above

    width = None if sys.stdout.isatty() else without_terminal
    return Console(width=width, highlight=False, soft_wrap=False, emoji=False, markup=False)


def clean(text: object) -> str:
    """Make outside text printable: control characters and escapes become visible marks."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in str(text))


def cell(text: object, style: str = "") -> "Text":
    """Make a table cell that is never read as markup."""
    from rich.text import Text  # noqa: PLC0415 - see above

    return Text(clean(text), style=style)


def table(headings: Sequence[str], rows: Iterable[Sequence[object]], *, title: str = "") -> "Table":
    """Make a table of plain cells."""
    from rich.box import SIMPLE  # noqa: PLC0415 - see above
    from rich.table import Table  # noqa: PLC0415 - same
    from rich.text import Text  # noqa: PLC0415 - same

    made = Table(box=SIMPLE, title=title or None, title_justify="left", pad_edge=False)
    for heading in headings:
        made.add_column(heading, overflow="fold")
    for row in rows:
        made.add_row(*(each if isinstance(each, Text) else cell(each) for each in row))
    return made


#: Columns of a listing of readings.
HEADINGS = (
    "time (UTC)",
    "instrument",
    "no.",
    "quantity",
    "shown",
    "status",
    "machine",
    "point",
    "by",
)


def row_of(reading: dict[str, Any]) -> tuple[str, ...]:
    """Give a reading's cells."""
    tag = reading.get("tag") or {}
    return (
        str(reading["time"])[:23].replace("T", " "),
        reading["instrument"],
        str(reading["sequence"]),
        reading["quantity"],
        shown(reading),
        reading["status"],
        tag.get("machine", ""),
        tagged_point(tag),
        origin(reading["source"]),
    )


def shown(reading: dict[str, Any]) -> str:
    """Write a value as it was shown."""
    bound = reading.get("bound") or {}
    mark = {"above": ">", "below": "<"}.get(bound.get("side", ""), "")
    unit = reading["shown_unit"]
    if not unit and (bound or reading.get("value") is not None):
        unit = reading["unit"]  # of words in place of a number, such as OL, there is none
    if unit == "1":
        unit = ""  # UCUM's unit of a plain number is written, not read: Q is 13.2
    return f"{mark}{reading['digits']} {unit}".rstrip()


#: What the note of a tag begins with that says its reading is of a void job.
VOID_NOTE = "void: job "


def tagged_point(tag: dict[str, Any]) -> str:
    """Write the test point of a tag; of a void job's, which has none, that it is void."""
    found = point_of(tag.get("test_point"))
    return found or ("void" if str(tag.get("note") or "").startswith(VOID_NOTE) else "")


def point_of(point: dict[str, Any] | None) -> str:
    """Write a test point."""
    if not point:
        return ""
    text = f"{'+'.join(point['first'])}-{'+'.join(point['second'])}"
    for place in ("guard", "earth"):
        if point.get(place):
            text += f" {place} {'+'.join(point[place])}"
    return text


def origin(source: dict[str, Any]) -> str:
    """Say where a number came from, in a word or two."""
    if source["kind"] in ("keyed", "photo", "imported"):
        return f"{source['kind']} by {source['operator']}"
    return str(source["kind"])


# Decades that are written with a prefix.
_PREFIXES = (
    (9, "G"),
    (6, "M"),
    (3, "k"),
    (0, ""),
    (-3, "m"),
    (-6, "µ"),
    (-9, "n"),
    (-12, "p"),
)
#: Units that take a prefix: UCUM code, symbol.
PREFIXED = {"Ohm": "Ω", "H": "H", "F": "F", "s": "s", "V": "V", "A": "A", "Hz": "Hz", "W": "W"}
_WORDS = {"1": "", "deg": "°", "Cel": "°C"}
_MOST_DIGITS = 8  # that a meter on a bench resolves; what it sends beyond is not read from afar


def decade(value: float, unit: str) -> tuple[int, str]:
    """Give the power of ten that a value reads best in, and the unit with its prefix."""
    if unit not in PREFIXED:
        return 0, _WORDS.get(unit, unit)
    fitting = [each for each in _PREFIXES if abs(value) >= 10.0 ** each[0]]
    exponent, prefix = (fitting or _PREFIXES[-1:])[0] if value else (0, "")
    return exponent, f"{prefix}{PREFIXED[unit]}"


def quantity_text(value: float, unit: str, bound: str | None = None, digits: int = 4) -> str:
    """Write a value with its unit, in the decade that reads best, to so many digits."""
    mark = {"above": "> ", "below": "< "}.get(bound or "", "")
    exponent, written = decade(value, unit)
    told = f"{value / 10.0**exponent:.{digits if unit in PREFIXED else 3}g}"
    if "e+" in told:
        told = f"{float(told):.0f}"
    return f"{mark}{told} {written}".rstrip()


def resolved(digits: str, value: float, unit: str) -> str:
    """Write a value in the decade that reads best, with every digit that its display resolved.

    A zero at the end is a digit: `+8.25000E-01` is 825.000 mΩ, not 825 mΩ.
    """
    try:
        exact = Context(prec=_MOST_DIGITS).plus(Decimal(digits.replace(",", ".")))
        # What the prefix of the shown unit stands for.
        base = exact.scaleb(round(log10(abs(value / float(exact)))))
        if not isclose(float(base), value, rel_tol=1e-7):
            return quantity_text(value, unit, digits=6)
    except (ArithmeticError, ValueError):  # no number, or none to divide by
        return quantity_text(value, unit, digits=6)
    exponent, written = decade(value, unit)
    return f"{base.scaleb(-exponent):f} {written}".rstrip()
