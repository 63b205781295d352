"""The loss of a winding as a bridge shows it beside an inductance: Q, D, R_s, R_p or a phase angle.

Which of them it is decides what the number means, so it is always named: `Q 13.4`, `D 0.0746`,
`Rs 831 mΩ`, `Rp 4.7 kΩ`, `θ 85.7°`. Names as the trade writes them (common practice, no source). A
resistance also tells the circuit model that the inductance stands in.
"""

import re
from dataclasses import dataclass
from typing import Literal

from capture.errors import InputError
from capture.model.quantity import Quantity

Model = Literal["series", "parallel"]

FORMS = "Q 13.4, D 0.0746, Rs 831 mΩ, Rp 4.7 kΩ, θ 85.7°"

_NAMES = {
    "q": "Q",
    "d": "D",
    "rs": "Rs",
    "rp": "Rp",
    "\N{GREEK SMALL LETTER THETA}": "\N{GREEK SMALL LETTER THETA}",
    "\N{GREEK THETA SYMBOL}": "\N{GREEK SMALL LETTER THETA}",
    "theta": "\N{GREEK SMALL LETTER THETA}",
}
_KINDS: dict[str, tuple[str, str, Model | None]] = {
    "Q": (Quantity.QUALITY_FACTOR, "1", None),
    "D": (Quantity.DISSIPATION_FACTOR, "1", None),
    "Rs": (Quantity.RESISTANCE, "", "series"),
    "Rp": (Quantity.RESISTANCE, "", "parallel"),
    "\N{GREEK SMALL LETTER THETA}": (Quantity.PHASE_ANGLE, "deg", None),
}
#: What may stand beside an inductance and tells its loss.
LOSSES = frozenset(quantity for quantity, _, _ in _KINDS.values())

_NAMED = re.compile(
    r"(?P<name>R[_ ]?[sp]|[QD]|theta|[\u03b8\u03d1])(?![a-z])\s*[=:]?\s*(?P<rest>.*)",
    re.DOTALL | re.IGNORECASE,
)
_BESIDE = re.compile(
    r"(?P<value>.*\S)[\s,;|]+(?P<loss>(?:R_?[sp]|[QD]|theta|[\u03b8\u03d1])(?:\s|[=:]|[0-9.,]).*)",
    re.DOTALL | re.IGNORECASE,
)
_DEGREES = re.compile(r".*(?:°|deg)\s*")


@dataclass(frozen=True, slots=True)
class LossAsTyped:
    """A loss with its name taken off.

    Attributes:
        typed: the value, with its unit where it has one.
        unit: the unit as shown that applies where it has none; empty for a resistance.
        model: the circuit model that its name tells.
    """

    quantity: str
    typed: str
    unit: str
    model: Model | None


def parse_loss(text: str, shown_as: str = "") -> LossAsTyped:
    """Take a loss apart; ``shown_as`` is its name, with a unit, where the text has none.

    Raises:
        InputError: nothing says what the number is, two names do not agree, or there is no number.
    """
    body = text.strip()
    usual, usual_unit = _usual(shown_as)
    named = _NAMED.match(body)
    name = None if named is None else _name(named["name"])
    rest = body if named is None else named["rest"].strip()
    if name is None and _DEGREES.fullmatch(body):
        name = "\N{GREEK SMALL LETTER THETA}"
    if name is None and not usual:
        raise InputError(f"{body!r} does not say which loss it is; write it with its name: {FORMS}")
    if name is not None and usual and name != usual:
        raise InputError(f"{body!r} is a {name}, and what stands beside is said to be {usual}")
    if not rest:
        raise InputError(f"{body!r} is a loss without a number; accepted forms: {FORMS}")
    quantity, unit, model = _KINDS[name or usual]
    return LossAsTyped(quantity, rest, unit or usual_unit, model)


def split_loss(text: str) -> tuple[str, str | None]:
    """Part `62.1 mH Q 13.4` into the inductance and the loss beside it; None where none is."""
    found = _BESIDE.fullmatch(text.strip())
    return (text, None) if found is None else (found["value"].rstrip(",;| "), found["loss"])


def name_of(quantity: str, model: object) -> str | None:
    """Give the name that a loss goes by; None for what is no loss, or an unnamed resistance."""
    for name, (own, _, of) in _KINDS.items():
        if own == quantity and of in (None, model):
            return name
    return None


def _name(shown: str) -> str:
    return _NAMES[shown.lower().replace("_", "").replace(" ", "")]


def _usual(shown_as: str) -> tuple[str, str]:
    """Part `Rs mΩ` into the name and the unit."""
    words = shown_as.split()
    if not words:
        return "", ""
    try:
        name = _name(words[0])
    except KeyError:
        raise InputError(
            f"{words[0]!r} is no name of a loss; known are {', '.join(_KINDS)}"
        ) from None
    unit = words[1] if len(words) > 1 else ""
    if len(words) > 2 or (unit and _KINDS[name][1]):  # noqa: PLR2004 - a name and a unit
        raise InputError(f"{shown_as!r} is no name of a loss with its unit; write Q, D, θ or Rs mΩ")
    return name, unit
