"""Which pictures a record allows, as data: what is drawn, and what it says in words."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import cos, radians

from capture.judging.rated import is_whole
from capture.model.record import Record, RecordReading
from capture.model.testpoint import TestPoint
from capture.records.texts import Catalogue
from capture.records.titles import quantity_name
from capture.winding import WindingError
from capture.winding.rotor import PairCurve, RotorInfluence, rotor_influence

PAIRS = ("U-V", "V-W", "W-U")
ENDS = ("U1-U2", "V1-V2", "W1-W2")
_SWAPPED = {"-".join(reversed(pair.split("-"))): pair for pair in (*PAIRS, *ENDS)}
_MICRO, _MEGA, _MILLI = 1e6, 1e-6, 1e3
_FEWEST_ANGLES = 5  # as the computation asks for


@dataclass(frozen=True, slots=True)
class Line:
    """One series: places and values; ``fit`` is drawn as a line without marks."""

    label: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    fit: bool = False


@dataclass(frozen=True, slots=True)
class Plot:
    """A picture.

    Attributes:
        kind: ``bars`` from zero, ``dots`` by pair, ``curve`` over two logarithmic axes, ``lines``,
            ``moving`` over days, and ``moving-by-factors`` with a logarithmic height.
        ticks: labels of the places 0, 1, 2 … where the horizontal axis names things; of the first
            line's places where it shows days.
        limits: heights of horizontal lines.
        marks: places and words written into the picture.
        band: control limits, lower and upper.
    """

    name: str
    kind: str
    caption: str
    alt: str
    x_axis: str
    y_axis: str
    lines: tuple[Line, ...]
    ticks: tuple[str, ...] = ()
    limits: tuple[float, ...] = ()
    marks: tuple[tuple[float, float, str], ...] = ()
    band: tuple[float, ...] = ()


def plots_of(record: Record, text: Catalogue) -> list[Plot]:
    """Give the pictures that a record's readings allow, in the order of its tables."""
    found = [_balance(record, quantity, text) for quantity in ("resistance", "inductance")]
    found += [_rotor(record, text), _insulation(record, text), _pulse(record, text)]
    return [each for each in found if each is not None]


def _holding(record: Record, quantity: str) -> Iterator[RecordReading]:
    """Give what holds of the steps that asked for a quantity."""
    asked = {step.id for step in record.steps if step.quantity == quantity}
    for each in record.readings:
        if each.standing == "taken" and each.step in asked and each.quantity == quantity:
            yield each


def _limit(record: Record, begins: str) -> float | None:
    for each in record.results:
        if each.name.startswith(begins) and each.judgement is not None:
            return each.judgement.limit
    return None


def _pairs_of(held: Sequence[RecordReading]) -> tuple[str, str, str]:
    """Give the pairs of terminals, or of the ends of each phase where some were read at those."""
    return ENDS if any(each.point in ENDS for each in held) else PAIRS


def _balance(record: Record, quantity: str, text: Catalogue) -> Plot | None:
    values: dict[str, float] = {}
    held = list(_holding(record, quantity))
    pairs = _pairs_of(held)
    for each in held:
        if each.point in pairs and each.value is not None:
            values[each.point] = each.value  # the last one, which is the one judged
    if set(values) != set(pairs) or sum(values.values()) <= 0:
        return None
    mean = sum(values.values()) / len(pairs)
    percent = tuple(100 * (values[pair] / mean - 1) for pair in pairs)
    limit = _limit(record, f"{quantity} unbalance")
    name = quantity_name(quantity, text)
    caption = text("plot_balance", quantity=name)
    if limit is not None:
        shown = text.number(f"{limit:g}")
        caption = text("plot_balance_limit", quantity=name, limit=shown)
    told = ", ".join(
        text.number(f"{pair} {each:+z.2f} %") for pair, each in zip(pairs, percent, strict=True)
    )
    return Plot(
        f"balance-{quantity}",
        "bars",
        caption,
        f"{caption}: {told}.",
        "",
        text("mean_of"),
        (Line("", (0, 1, 2), percent),),
        ticks=pairs,
        limits=() if limit is None else (-limit, limit),
    )


def _insulation(record: Record, text: Catalogue) -> Plot | None:
    by_place: dict[str, list[tuple[float, float]]] = {}
    for each in _holding(record, "insulation_resistance"):
        if each.at_s and each.value:
            by_place.setdefault(each.point or "", []).append((each.at_s, each.value * _MEGA))
    curves = {place: points for place, points in by_place.items() if len(points) > 1}
    if not curves:
        return None
    # One curve is of one place. Of several, that of the whole winding, else the first.
    whole = [place for place in curves if place and is_whole(TestPoint.parse(place))]
    place = next(iter([*whole, *curves]))
    points = sorted(curves[place])
    x, y = zip(*points, strict=True)
    ratios = []
    for (early, low), (late, high) in pairwise(points):
        if (early, late) in ((15.0, 60.0), (30.0, 60.0), (60.0, 600.0)):
            ratio = text.number(f"{high / low:.2f}")
            words = text("plot_ratio", early=f"{early:g}", late=f"{late:g}", ratio=ratio)
            ratios.append(((early * late) ** 0.5, (low * high) ** 0.5, words))
    told = ", ".join(text.number(f"{value:.4g} MΩ / {at:g} s") for at, value in points)
    caption = text("plot_insulation")
    if len(by_place) > 1:
        caption = f"{caption} ({place})"
    return Plot(
        "insulation",
        "curve",
        "; ".join([caption, *(words for _, _, words in ratios)]),
        f"{caption}: {told}.",
        text("plot_insulation_axis"),
        "MΩ",
        (Line("", x, y),),
        marks=tuple(ratios),
    )


def _rotor(record: Record, text: Catalogue) -> Plot | None:
    degrees = {step.id: step.conditions.rotor_degrees for step in record.steps}
    curves: dict[str, dict[float, float]] = {pair: {} for pair in PAIRS}
    for each in _holding(record, "inductance"):
        angle = degrees.get(each.step)
        if each.point in curves and angle is not None and each.value is not None:
            curves[each.point][angle] = each.value
    angles = sorted(set.intersection(*(set(curve) for curve in curves.values())))
    if len(angles) < _FEWEST_ANGLES:
        return None
    series = [[curves[pair][angle] for angle in angles] for pair in PAIRS]
    caption = text("plot_rotor")
    lines = [
        Line(pair, tuple(angles), tuple(value * _MILLI for value in values))
        for pair, values in zip(PAIRS, series, strict=True)
    ]
    try:
        found = rotor_influence(angles, series[0], series[1], series[2], 1, "electrical")
    except WindingError:
        pass  # the angles do not cover a period: the points are drawn, and nothing is said of them
    else:
        caption = f"{caption}. {_of_rotor(found, text)} {text('rotor_pairs')}"
        lines += [
            _fitted(curve, angles[0], angles[-1])
            for curve in found.pairs.values()
            if found.kind == "salient"
        ]
    return Plot(
        "rotor",
        "lines",
        caption,
        f"{caption}",
        text("plot_rotor_axis"),
        "mH",
        tuple(lines),
    )


def _of_rotor(found: RotorInfluence, text: Catalogue) -> str:
    value = text.number(f"{found.value:.2f}")
    return text(f"rotor_{found.kind}", value=value)


def _fitted(curve: PairCurve, first: float, last: float) -> Line:
    x = tuple(first + (last - first) * place / 60 for place in range(61))
    y = tuple(
        _MILLI
        * (curve.mean + curve.amplitude * cos(2 * radians(at) - radians(curve.phase_degrees)))
        for at in x
    )
    return Line("", x, y, fit=True)


def _pulse(record: Record, text: Catalogue) -> Plot | None:
    held = list(_holding(record, "pulse_time"))
    pairs = _pairs_of(held)
    times: dict[str, list[float | None]] = {pair: [None, None] for pair in pairs}
    for each in held:
        point = each.point or ""
        pair = _SWAPPED.get(point, point)
        if pair in times and each.value is not None:
            times[pair][point in _SWAPPED] = each.value * _MICRO
    if any(there is None for there, _ in times.values()):
        return None
    lines = []
    for which, label in enumerate(("as_written", "swapped")):
        drawn = [
            (float(place), value)
            for place, both in enumerate(times.values())
            if (value := both[which]) is not None
        ]
        if drawn:
            x, y = zip(*drawn, strict=True)
            lines.append(Line(text(label), x, y))
    told = "; ".join(
        text.number(
            f"{pair} " + ", ".join(f"{value:.4g} µs" for value in both if value is not None)
        )
        for pair, both in times.items()
    )
    caption = text("plot_pulse")
    return Plot(
        "pulse", "dots", caption, f"{caption}: {told}.", "", "µs", tuple(lines), ticks=pairs
    )
