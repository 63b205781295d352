"""Pictures of a job, where a picture says more than the figures beside it."""

import io
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from capture.records.drawing import LOCK

#: What stands beside each other: pairs of a stator, the phases of six free ends, pairs of a rotor.
_SETS = (("U-V", "V-W", "W-U"), ("U1-U2", "V1-V2", "W1-W2"), ("K-L", "L-M", "M-K"))
_ROTOR = _SETS[2]
_INK, _SOFT = "#14343b", "#8a5a12"


@dataclass(frozen=True, slots=True)
class Chart:
    """A picture, and what it says in words.

    Attributes:
        points: label, value of the first and of the second series where there is one.
    """

    name: str
    caption: str
    alt: str
    axis: str
    points: tuple[tuple[str, float, float | None], ...]
    limit: float | None = None


def charts_of(view: Mapping[str, Any]) -> list[Chart]:
    """Give the charts that a job's values allow."""
    found = []
    for quantity, words in (("resistance", "Resistance"), ("inductance", "Inductance")):
        values = {
            value["point"]: value["value"]
            for step in view["steps"]
            if step["quantity"] == quantity
            for value in step["values"]
            if value.get("quantity") == quantity and value.get("value") is not None
        }
        for pairs in _SETS:
            of_set = {pair: values[pair] for pair in pairs if pair in values}
            if len(of_set) == len(pairs) and sum(of_set.values()) > 0:
                # No limit is known of a rotor's pairs; the stator's is not theirs.
                limit = None if pairs == _ROTOR else _limit(view, quantity)
                name = f"{quantity}-rotor" if pairs == _ROTOR else quantity
                where = f"{words} of the rotor" if pairs == _ROTOR else words
                found.append(_balance(name, where, of_set, limit))
    for step in view["steps"]:
        if step["quantity"] == "pulse_time" and step["values"]:
            found += _pulse(step)
    return [*found, *_insulations(view)]


def _limit(view: Mapping[str, Any], quantity: str) -> float | None:
    for each in view["results"]:
        if each["name"].startswith(f"{quantity} unbalance") and each.get("judgement"):
            return float(each["judgement"]["limit"])
    return None


def _balance(name: str, words: str, values: Mapping[str, float], limit: float | None) -> Chart:
    mean = sum(values.values()) / len(values)
    points = tuple((pair, 100 * (value / mean - 1), None) for pair, value in values.items())
    told = ", ".join(f"{pair} {percent:+z.2f} %" for pair, percent, _ in points)
    against = "" if limit is None else f"; limit ± {limit:g} %"
    return Chart(
        name=f"balance-{name}",
        caption=f"{words}: how far each pair lies from the mean of the three{against}",
        alt=f"{words} by pair, deviation from their mean: {told}{against}.",
        axis="% of the mean",
        points=points,
        limit=limit,
    )


def _pulse(step: Mapping[str, Any]) -> list[Chart]:
    said = {value.get("point") for value in step["values"]}
    pairs = next((each for each in _SETS if said & set(each)), _SETS[0])
    times: dict[str, list[float | None]] = {pair: [None, None] for pair in pairs}
    swapped = {"-".join(reversed(pair.split("-"))): pair for pair in pairs}
    for value in step["values"]:
        text = value.get("point") or ""
        pair = swapped.get(text, text)
        if pair in times and value.get("value") is not None:
            times[pair][text in swapped] = value["value"] * 1e6
    if any(there is None for there, _ in times.values()):
        return []
    points = tuple((pair, float(there or 0), back) for pair, (there, back) in times.items())
    told = "; ".join(
        f"{pair} {there:.4g} µs" + ("" if back is None else f", leads swapped {back:.4g} µs")
        for pair, there, back in points
    )
    return [
        Chart(
            name="pulse",
            caption="Pulse times of the three pairs, leads one way and swapped",
            alt=f"Pulse times by pair: {told}.",
            axis="µs",
            points=points,
        )
    ]


def _insulations(view: Mapping[str, Any]) -> list[Chart]:
    """Give a curve for each place that was tested over some time; several say of what each is."""
    drawn = [
        (str(step["values"][0].get("point") or ""), curve)
        for step in view["steps"]
        if step["quantity"] == "insulation_resistance" and (curve := _insulation(step))
    ]
    if len(drawn) < 2:  # noqa: PLR2004 - one needs no name
        return [curve for _, curve in drawn]
    return [
        replace(
            curve,
            name=f"insulation-{number}",
            caption=f"{curve.caption}, {place}",
            alt=f"{place}: {curve.alt}",
        )
        for number, (place, curve) in enumerate(drawn, start=1)
    ]


def _insulation(step: Mapping[str, Any]) -> Chart | None:
    points = tuple(
        (f"{value['at']:.0f} s", value["value"] / 1e6, None)
        for value in step["values"]
        if value.get("quantity") == "insulation_resistance"
        and value.get("at")
        and value.get("value")
    )
    if len(points) < 2:  # noqa: PLR2004 - a curve has two points at least
        return None
    told = ", ".join(f"{value:.4g} MΩ after {at}" for at, value, _ in points)
    return Chart(
        name="insulation",
        caption="Insulation resistance over the time under voltage",
        alt=f"Insulation resistance: {told}.",
        axis="MΩ",
        points=points,
    )


def draw(chart: Chart) -> bytes:
    """Draw a chart as SVG; what differs differs in shape, never in colour alone."""
    import matplotlib as mpl  # noqa: PLC0415 - heavy, and only where somebody looks
    from matplotlib.figure import Figure  # noqa: PLC0415 - same

    with LOCK, mpl.rc_context({"svg.hashsalt": "benchtally", "font.size": 12}):
        figure = Figure(figsize=(6.4, 2.8), layout="constrained")
        axes = figure.subplots()
        kinds = {"insulation": _curve, "pulse": _dots}
        kinds.get(chart.name.partition("-")[0], _bars)(axes, chart)
        axes.set_ylabel(chart.axis)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


def _bars(axes: Any, chart: Chart) -> None:
    """Draw deviations from the mean as bars from zero, between the limits."""
    places = range(len(chart.points))
    values = [value for _, value, _ in chart.points]
    drawn = axes.bar(places, values, 0.5, color=_INK)
    axes.bar_label(drawn, [f"{value:+z.2f}" for value in values], padding=2)
    span = max([abs(value) for value in values] + [chart.limit or 0.0, 0.1]) * 1.35
    axes.set_ylim(-span, span)
    axes.axhline(0, color=_INK, linewidth=0.8)
    if chart.limit is not None:
        for side in (-chart.limit, chart.limit):
            axes.axhline(side, color=_SOFT, linewidth=1.4, linestyle="--")
        axes.text(2.42, chart.limit, "limit", color=_SOFT, va="bottom", ha="right")
    axes.set_xticks(places, [label for label, _, _ in chart.points])


def _dots(axes: Any, chart: Chart) -> None:
    """Draw times as dots: their axis does not begin at zero, so a bar's length would mislead."""
    shapes = (("o", _INK, _INK, "as written", -0.1), ("s", "white", _SOFT, "leads swapped", 0.1))
    for which, (shape, face, edge, label, shift) in enumerate(shapes):
        series = [first if which == 0 else second for _, first, second in chart.points]
        drawn = [(place + shift, y) for place, y in enumerate(series) if y is not None]
        if not drawn:
            continue
        at, values = zip(*drawn, strict=True)
        axes.plot(
            at,
            values,
            shape,
            markersize=9,
            markerfacecolor=face,
            markeredgecolor=edge,
            markeredgewidth=2,
            label=label,
        )
        for x, y in drawn:
            axes.annotate(
                f"{y:.4g}",
                (x, y),
                textcoords="offset points",
                xytext=(-9 if shift < 0 else 9, 0),
                ha="right" if shift < 0 else "left",
                va="center",
            )
    axes.set_xticks(range(len(chart.points)), [label for label, _, _ in chart.points])
    axes.set_xlim(-0.6, len(chart.points) - 0.4)
    axes.margins(y=0.25)
    axes.legend(frameon=False, ncols=2, loc="lower center", bbox_to_anchor=(0.5, 0.98))


def _curve(axes: Any, chart: Chart) -> None:
    seconds = [float(at.split()[0]) for at, _, _ in chart.points]
    values = [value for _, value, _ in chart.points]
    axes.loglog(seconds, values, color=_INK, marker="o")
    for at, value in zip(seconds, values, strict=True):
        axes.annotate(
            f"{value:.4g}", (at, value), textcoords="offset points", xytext=(0, 8), ha="center"
        )
    axes.set_xticks(seconds, [f"{at:g}" for at in seconds])
    axes.minorticks_off()
    axes.set_yticks([])
    axes.margins(0.12, 0.25)
    axes.set_xlabel("s under voltage")
