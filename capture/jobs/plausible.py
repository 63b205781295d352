"""Whether a value is likely for this machine. Asked about, never refused: a fault is unlikely too.

A prefix that slipped (mΩ for Ω) is a factor of 1000, and nothing else on a bench is just that. So a
value is compared with the other pairs, with earlier tests and with what the nameplate lets expect;
where it lies outside and a power of 1000 brings it inside, that value is suggested. Pure.

What each comparison lets pass is wide on purpose: the question must be rare enough to be read. The
widths are common practice, no source.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from statistics import median
from types import MappingProxyType

from capture.display import quantity_text
from capture.errors import CaptureError, InputError
from capture.jobs.usual import ANY_MACHINE, USUAL
from capture.model.machine import Nameplate
from capture.model.quantity import Quantity, unit_of
from capture.model.status import Side

#: How many times larger or smaller than its like a value may be, by quantity. Two pairs of a faulty
#: winding differ by 2 (an open delta) or 3. Insulation changes by decades with damp and heat.
SPREAD: dict[str, float] = {
    Quantity.RESISTANCE: 5.0,
    Quantity.INDUCTANCE: 5.0,
    Quantity.IMPEDANCE: 5.0,
    Quantity.REACTANCE: 5.0,
    Quantity.CAPACITANCE: 5.0,
    Quantity.PULSE_TIME: 5.0,
    Quantity.TEST_VOLTAGE: 5.0,
    Quantity.INSULATION_RESISTANCE: 30.0,
    Quantity.LEAKAGE_CURRENT: 30.0,
}

_PREFIX = 3  # decades from one prefix to the next
_STEPS = (-4, -3, -2, -1, 1, 2, 3, 4)  # from pico to unit, and back
_ROUNDING = 1e-9

# Copper loss of the stator at rated current, as a part of rated power: R of a pair of line
# terminals is 2/3 of loss / I², in star and in delta alike.
_COPPER_LOSS = (0.003, 0.25)
# Current times rated voltage times √3 over rated power, 1 / (η cos φ).
_CURRENT = (1.1, 2.2)
# Reactance of a pair over that of two phases at rated voltage and current: from leakage with the
# rotor in to a magnetising reactance of several times one.
_REACTANCE = (0.05, 8.0)
# A nameplate gives line values; a phase alone, or half a phase, stands within this of them.
_CONNECTIONS = 2.0
_ALTERNATING = frozenset({"random", "form", "concentric", "unknown"})


@dataclass(frozen=True, slots=True)
class Doubt:
    """One reason to ask a person about a value.

    Attributes:
        words: one line that says what is odd, and what it is compared with.
        suggestion: the value in the base unit, if a slipped prefix explains it; else None.
        machine: the one that nobody registered, if that is what is odd; else None.
        unit: of the suggestion.
    """

    words: str
    suggestion: float | None = None
    machine: str | None = None
    unit: str = ""

    @property
    def meant(self) -> str | None:
        """What the suggestion is, with its unit and prefix."""
        if self.suggestion is None:
            return None
        return quantity_text(self.suggestion, self.unit, digits=6)

    @property
    def question(self) -> str:
        """The words, and whether the suggestion is meant."""
        return self.words if self.meant is None else f"{self.words} (is {self.meant} meant?)"


class DoubtError(CaptureError):
    """A value is not likely. A person is asked; what they confirm is taken. ``doubts`` says why."""

    def __init__(self, found: Sequence[Doubt], look_at: str = "display") -> None:
        words = "; ".join(doubt.words for doubt in found)
        super().__init__(
            f"{words}: look at the {look_at} once more, and confirm it if it stands so"
        )
        self.doubts = list(found)


def doubts(
    quantity: str,
    value: float,
    unit: str,
    *,
    nameplate: Nameplate | None,
    others: Mapping[str, float],
    earlier: Sequence[float],
    beside: Mapping[str, float] = MappingProxyType({}),
    line_winding: bool = False,
    bound: Side | None = None,
) -> list[Doubt]:
    """List what is odd about a value; empty where nothing is.

    value: in `unit`, the UCUM base unit. others: values of the same quantity at the other test
    points, by name. earlier: those of the same test point in earlier tests. beside: values that
    stand on the same display, and slip together with this one. Values among them that are not above
    zero are passed over. line_winding: it is between the line terminals of a winding, whose range
    is known where nothing else is. bound: the value is beyond this number, on that side. Of a
    quantity that may be negative only the unit is looked at. A test voltage never gets a
    suggestion.

    Raises InputError for a quantity that is not known.
    """
    expected = unit_of(quantity)
    if expected is not None and unit != expected:
        return [Doubt(f"{quantity} is given in {unit}, and is measured in {expected}")]
    if not math.isfinite(value):
        return [Doubt(f"{quantity} is not a finite number")]
    spread = SPREAD.get(quantity)
    if spread is None:
        return []
    if value <= 0:
        return [Doubt(f"{quantity} is {_shown(value, unit)}; more than zero is expected")]
    near = {**others, **beside}.values()
    found = [
        _against_likes(value, unit, spread, "the other test points read", near, bound),
        _against_likes(value, unit, spread, "earlier tests read", earlier, bound),
        _against_nameplate(quantity, value, unit, nameplate),
    ]
    alone = not _usable(others.values()) and not _usable(earlier)
    if not any(found):
        known = _lets_expect(quantity, nameplate) is not None
        alternating = nameplate is None or nameplate.winding in _ALTERNATING
        if alone and not known and line_winding and alternating and quantity in USUAL:
            words = "there is nothing to compare it with, and windings mostly read"
            found = [_outside(value, unit, *USUAL[quantity], words)]
        elif quantity in ANY_MACHINE:
            words = "any machine is expected to read"
            found = [_outside(value, unit, *ANY_MACHINE[quantity], words)]
    doubted = [doubt for doubt in found if doubt is not None]
    if quantity == Quantity.TEST_VOLTAGE:
        return [Doubt(doubt.words) for doubt in doubted]
    return doubted


def mismatch(ours_per_cent: float, shown_per_cent: float, resolution: float) -> Doubt | None:
    """Compare a deviation that an instrument shows itself with ours from the keyed values.

    All in per cent; `resolution` is one step of the instrument's last digit. Signs are not
    compared: some show one, ours has none. Two numbers that agree within one step agree: each may
    be rounded by half of one, ours through the keyed digits.

    Raises InputError for a number that is not finite, or a resolution that is not above zero.
    """
    if not (math.isfinite(ours_per_cent) and math.isfinite(shown_per_cent)):
        raise InputError("a deviation must be a finite number of per cent")
    if not (math.isfinite(resolution) and resolution > 0):
        raise InputError(f"the resolution must be above 0 %, not {resolution:g} %")
    ours, shown = abs(ours_per_cent), abs(shown_per_cent)
    if abs(ours - shown) <= resolution * (1 + _ROUNDING) + _ROUNDING * shown:
        return None
    places = max(0, math.ceil(-math.log10(resolution)))
    return Doubt(
        f"the instrument shows a deviation of {shown:.{places}f} %, the keyed values give"
        f" {ours:.{places + 1}f} %: look at them once more, or at how the instrument defines it"
    )


def _usable(likes: Iterable[float]) -> list[float]:
    return [like for like in likes if math.isfinite(like) and like > 0]


def _against_likes(
    value: float,
    unit: str,
    spread: float,
    words: str,
    likes: Iterable[float],
    bound: Side | None = None,
) -> Doubt | None:
    usable = _usable(likes)
    if not usable:
        return None
    middle = median(usable)
    # Near any of them is near enough; one that slipped itself vouches for nothing between.
    if any(like / spread <= value <= like * spread for like in (middle, *usable)):
        return None
    # More than a little contradicts nothing, and neither does less than much.
    if bound == (Side.ABOVE if value < middle else Side.BELOW):
        return None
    times = value / middle if value > middle else middle / value
    side = "more" if value > middle else "less"
    return Doubt(
        f"{_shown(value, unit)} is {_times(times)} times {side} than {words} "
        f"({_shown(middle, unit)})",
        _unslipped(value, middle / spread, middle * spread, middle),
        unit=unit,
    )


def _against_nameplate(
    quantity: str, value: float, unit: str, nameplate: Nameplate | None
) -> Doubt | None:
    limits = _lets_expect(quantity, nameplate)
    if limits is None:
        return None
    return _outside(value, unit, *limits, "the nameplate lets expect")


def _lets_expect(quantity: str, nameplate: Nameplate | None) -> tuple[float, float] | None:
    """Give what a nameplate lets expect of a quantity; None where it tells too little."""
    if nameplate is None or nameplate.winding not in _ALTERNATING:
        return None
    if quantity == Quantity.RESISTANCE:
        return _expected_ohms(nameplate)
    if quantity == Quantity.INDUCTANCE:
        return _expected_henries(nameplate)
    return None


def _outside(value: float, unit: str, low: float, high: float, words: str) -> Doubt | None:
    if low <= value <= high:
        return None
    return Doubt(
        f"{_shown(value, unit)}: {words} {_shown(low, unit)} to {_shown(high, unit)}",
        _unslipped(value, low, high, math.sqrt(low * high)),
        unit=unit,
    )


def _times(times: float) -> str:
    """Write a factor as people say it: 1.7, 1000, 2e+06."""
    return f"{times:.0f}" if 100 <= times < 1e6 else f"{times:.3g}"  # noqa: PLR2004 - three digits


def _unslipped(value: float, low: float, high: float, middle: float) -> float | None:
    """Give the value times the power of 1000 that brings it between, the nearest to the middle."""
    inside = [slipped for step in _STEPS if low <= (slipped := _times_prefix(value, step)) <= high]
    return min(inside, key=lambda each: abs(math.log(each / middle)), default=None)


def _times_prefix(value: float, step: int) -> float:
    # In decimals, so that 842.1 mΩ becomes 0.8421 Ω and not its neighbour.
    return float(Decimal(repr(float(value))).scaleb(_PREFIX * step))


def _amperes(nameplate: Nameplate) -> tuple[float, float] | None:
    """Give the lowest and highest likely rated line current."""
    if nameplate.rated_amperes is not None:
        return nameplate.rated_amperes, nameplate.rated_amperes
    if nameplate.rated_watts is None or nameplate.rated_volts is None:
        return None
    at_least = nameplate.rated_watts / (math.sqrt(3) * nameplate.rated_volts)
    return at_least * _CURRENT[0], at_least * _CURRENT[1]


def _expected_ohms(nameplate: Nameplate) -> tuple[float, float] | None:
    amperes, watts = _amperes(nameplate), _watts(nameplate)
    if amperes is None or watts is None:
        return None
    few, many = amperes
    low = 2 / 3 * _COPPER_LOSS[0] * watts[0] / many**2
    high = 2 / 3 * _COPPER_LOSS[1] * watts[1] / few**2
    return low / _CONNECTIONS, high * _CONNECTIONS


def _watts(nameplate: Nameplate) -> tuple[float, float] | None:
    """Give the lowest and highest likely rated power; current and voltage tell it nearly."""
    if nameplate.rated_watts is not None:
        return nameplate.rated_watts, nameplate.rated_watts
    if nameplate.rated_amperes is None or nameplate.rated_volts is None:
        return None
    apparent = math.sqrt(3) * nameplate.rated_volts * nameplate.rated_amperes
    return apparent / _CURRENT[1], apparent / _CURRENT[0]


def _expected_henries(nameplate: Nameplate) -> tuple[float, float] | None:
    amperes = _amperes(nameplate)
    if amperes is None or nameplate.rated_volts is None or nameplate.rated_hertz is None:
        return None
    few, many = amperes
    # Two phases in star at rated voltage and current: 2·V/(√3·I).
    ohms = 2 * nameplate.rated_volts / math.sqrt(3)
    per_second = 2 * math.pi * nameplate.rated_hertz
    low = _REACTANCE[0] * ohms / many / per_second
    high = _REACTANCE[1] * ohms / few / per_second
    return low / _CONNECTIONS, high * _CONNECTIONS


_NAMES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T"}
_SYMBOLS = {"Ohm": "Ω"}
_UNPREFIXED = frozenset({"%", "1", "deg", "Cel"})


def _shown(value: float, unit: str) -> str:
    """Write a value with four digits and an SI prefix."""
    symbol = _SYMBOLS.get(unit, unit)
    if not value or not math.isfinite(value) or unit in _UNPREFIXED:
        return f"{value:.4g} {symbol}"
    decade = Decimal(f"{value:.3e}").adjusted()
    exponent = min(max(decade // _PREFIX * _PREFIX, -12), 12)
    return f"{value / 10.0**exponent:.4g} {_NAMES[exponent]}{symbol}"
