"""What trends say: in a title, in words, in a table and in pictures, in one language."""

from collections.abc import Iterator, Sequence
from itertools import groupby

from capture.model.comparison import ComparedValue
from capture.model.trend import Trend, TrendPoint
from capture.records import figures
from capture.records.plots import Line, Plot
from capture.records.tables import Table, capital, without_empty
from capture.records.texts import Catalogue
from capture.records.titles import quantity_name

_DAY = 86_400.0
_MOST_TOGETHER = 3  # lines that one picture tells apart
_LOOK = 2  # values that make a picture


def title_of(trend: Trend | ComparedValue, text: Catalogue) -> str:
    """Say what a trend, or a compared value, is of."""
    if trend.name is not None:
        words = capital(text.say(trend.name))
    else:
        words = f"{quantity_name(trend.quantity, text)} {trend.point}"
        if trend.reference_celsius is not None:
            words = text("at_celsius", what=words, celsius=f"{trend.reference_celsius:g}")
    if trend.hertz is not None:
        words += f", {text.number(f'{trend.hertz:g}')} Hz"
    if trend.rotor in ("in", "out"):
        words += f", {text(f'rotor_{trend.rotor}')}"
    if trend.law not in (None, "unknown"):
        words += f", {text.of('values', trend.law or '')}"
    return words


def words_of(trend: Trend, text: Catalogue) -> list[str]:
    """Say how it has moved, in short sentences without a full stop; nothing for a single value."""
    words = []
    if trend.change_last_percent is not None and trend.change_baseline_percent is not None:
        last, base = trend.change_last_percent, trend.change_baseline_percent
        words.append(
            text(
                "trend_change",
                last=figures.percent(last, text),
                baseline=figures.percent(base, text),
            )
        )
    if outside_control(trend):
        words.append(text("trend_outside"))
    words.append(slope_of(trend, text))
    if trend.crosses is not None:
        words.append(text("trend_crosses", date=text.day(trend.crosses.date())))
    if trend.crosses_earliest is not None:
        words.append(text("trend_earliest", date=text.day(trend.crosses_earliest.date())))
    return words


def slope_of(trend: Trend, text: Catalogue) -> str:
    """Say the slope with its uncertainty, or that there is none."""
    slope = trend.slope
    if slope is None:
        return text("trend_unknown")
    if trend.direction == "none":
        return text("trend_none")
    told = figures.spread(slope.per_year, slope.expanded, trend.unit, text)
    return text("trend_slope", slope=told)


def outside_control(trend: Trend) -> bool | None:
    """Tell whether the newest value lies outside the control limits; None where there are none."""
    newest = trend.points[-1].value
    low, high = trend.lower_control, trend.upper_control
    if newest is None or low is None or high is None:
        return None
    return not low <= newest <= high


def value_of(point: TrendPoint, unit: str, text: Catalogue) -> str:
    """Write one job's value."""
    if point.value is not None:
        return figures.quantity(point.value, unit, text)
    if point.bound_value is not None:
        return figures.quantity(point.bound_value, unit, text, point.bound)
    return ""


def table_of(trends: Sequence[Trend], text: Catalogue) -> Table | None:
    """List trends: first value, the one before, the newest, changes, slope, date of a limit."""
    rows = []
    days = {each.points[0].time.date() for each in trends}
    for each in trends:
        first, now = each.points[0], each.points[-1]
        slope = slope_of(each, text)
        between = len(each.points) > _LOOK
        rows.append(
            [
                title_of(each, text),
                value_of(first, each.unit, text)
                + ("" if len(days) == 1 else f" ({text.day(first.time.date())})"),
                value_of(each.points[-2], each.unit, text) if between else "",
                value_of(now, each.unit, text),
                _percent(each.change_last_percent, text) if between else "",
                _percent(each.change_baseline_percent, text),
                f"{text('trend_outside')}; {slope}" if outside_control(each) else slope,
                _limit_of(each, text),
            ]
        )
    if not rows:
        return None
    head = [text("col_result"), text("col_baseline")]
    if len(days) == 1:
        head[1] += f" {text.day(days.pop())}"
    others = ("before", "now", "since_last", "since_baseline", "trend", "limit")
    head += [text(f"col_{name}") for name in others]
    return without_empty(
        text("trends"),
        head,
        rows,
        [False, True, True, True, True, True, False, False],
    )


def _percent(value: float | None, text: Catalogue) -> str:
    return "" if value is None else figures.percent(value, text)


def _limit_of(trend: Trend, text: Catalogue) -> str:
    if trend.limit is None:
        return ""
    mark = "≤" if trend.side == "upper" else "≥"
    told = f"{mark} {figures.quantity(trend.limit, trend.unit, text)}"
    if trend.crosses is not None:
        told += f"; {text('reached', date=text.day(trend.crosses.date()))}"
    return told


def trend_plots(trends: Sequence[Trend], text: Catalogue) -> Iterator[Plot]:
    """Draw what has a limit by itself, and pairs that belong together as changes in one picture.

    What has not moved is left to the table, but for insulation, of which everybody asks to see it.
    """
    place = 0
    alone = [each for each in trends if each.limit is not None]
    together = [each for each in trends if each.limit is None and each.name is None]
    for each in alone:
        if _drawable(each) and (each.direction != "none" or each.scale == "logarithmic"):
            place += 1
            yield _alone(f"trend-{place}", each, text)
    for _, group in groupby(together, key=_family):
        pairs = [each for each in group if _drawable(each) and each.baseline]
        moved = any(each.direction != "none" for each in pairs)
        if moved and len(pairs) <= _MOST_TOGETHER:
            place += 1
            yield _together(f"trend-{place}", pairs, text)


def _family(trend: Trend) -> tuple[object, ...]:
    return (trend.quantity, trend.hertz, trend.rotor, trend.law, trend.measured_at)


def _drawable(trend: Trend) -> bool:
    return len(_numbers(trend)) >= _LOOK


def _numbers(trend: Trend) -> list[tuple[float, float]]:
    first = trend.points[0].time
    return [
        ((each.time - first).total_seconds() / _DAY, each.value)
        for each in trend.points
        if each.value is not None
    ]


def _ticks(trend: Trend, text: Catalogue) -> tuple[str, ...]:
    return tuple(text.day(each.time.date()) for each in trend.points if each.value is not None)


def _alone(name: str, trend: Trend, text: Catalogue) -> Plot:
    scale = figures.scale(trend.points[-1].value or 0.0, trend.unit)
    days, values = zip(*_numbers(trend), strict=True)
    caption = "; ".join([text("plot_trend", what=title_of(trend, text)), *words_of(trend, text)])
    drawn = [trend.lower_control, trend.upper_control]
    told = ", ".join(
        f"{day} {value_of(each, trend.unit, text)}"
        for day, each in zip(
            [text.day(each.time.date()) for each in trend.points], trend.points, strict=True
        )
    )
    return Plot(
        name,
        "moving-by-factors" if trend.scale == "logarithmic" else "moving",
        caption,
        f"{caption}: {told}.",
        "",
        scale.unit,
        (Line("", days, tuple(value / scale.factor for value in values)),),
        ticks=_ticks(trend, text),
        limits=() if trend.limit is None else (trend.limit / scale.factor,),
        band=tuple(each / scale.factor for each in drawn if each is not None),
    )


def _together(name: str, trends: Sequence[Trend], text: Catalogue) -> Plot:
    lines = []
    for each in trends:
        days, values = zip(*_numbers(each), strict=True)
        base = values[0]
        lines.append(Line(each.point, days, tuple(100 * (value / base - 1) for value in values)))
    one = trends[0].model_copy(update={"point": ", ".join(each.point for each in trends)})
    caption = text("plot_changes", what=title_of(one, text))
    told = "; ".join(f"{each.point} {', '.join(words_of(each, text))}" for each in trends)
    return Plot(
        name,
        "moving",
        caption,
        f"{caption}: {told}.",
        "",
        text("of_baseline"),
        tuple(lines),
        ticks=_ticks(trends[0], text),
    )
