"""Pictures as SVG, by matplotlib; what differs differs in shape, never in colour alone."""

import io
import threading
from collections.abc import Sequence
from functools import cache
from typing import Any

from capture.extras import MissingExtraError
from capture.records.fonts import font_files
from capture.records.plots import Plot
from capture.records.texts import Catalogue

_INK, _SOFT = "#1d2b36", "#8a5a12"
_SHAPES = ("o", "s", "^")
_DASHES = ("-", "--", ":")
_WIDTH, _HEIGHT = 3.45, 2.1  # inches: two beside each other on a page
_USUAL = "DejaVu Sans"
_ROOM = 0.24  # of the axis, that a date takes
#: The library's settings are not for many threads at once.
LOCK = threading.Lock()


def draw(plot: Plot, text: Catalogue) -> bytes:
    """Draw a picture."""
    import matplotlib as mpl  # noqa: PLC0415 - heavy, and only where a picture is wanted
    from matplotlib.figure import Figure  # noqa: PLC0415 - same

    settings: Any = {
        "svg.hashsalt": "benchtally",
        "font.size": 8,
        "font.family": [_family(), _USUAL],
        "axes.linewidth": 0.6,
        "text.parse_math": False,
    }
    with LOCK, mpl.rc_context(settings):
        figure = Figure(figsize=(_WIDTH, _HEIGHT))
        figure.subplots_adjust(left=0.14, right=0.97, top=0.9, bottom=0.2)
        axes = figure.subplots()
        for each in (figure, axes):
            each.patch.set_visible(False)  # what lies under a draft shows through
        _KINDS[plot.kind](axes, plot, text)
        axes.set_ylabel(plot.y_axis)
        axes.set_xlabel(plot.x_axis)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


def prepare_pictures() -> None:
    """Import what draws pictures, and read the font.

    Raises:
        ImportError: it is not installed.
    """
    import matplotlib.backends.backend_svg  # noqa: PLC0415 - heavy
    import matplotlib.figure  # noqa: F401, PLC0415 - heavy

    with LOCK:
        _family()


@cache
def _family() -> str:
    """Give the record's own font to the library, once; its usual one where that is not there.

    The pages draw pictures too, and do not need what draws records.
    """
    from matplotlib import font_manager  # noqa: PLC0415 - heavy

    try:
        regular = font_files()[0]
    except MissingExtraError:
        return _USUAL
    font_manager.fontManager.addfont(regular)
    return str(font_manager.FontProperties(fname=regular).get_name())


def _localised(text: Catalogue) -> Any:
    from matplotlib.ticker import FuncFormatter  # noqa: PLC0415 - heavy

    return FuncFormatter(lambda value, _: text.number(f"{value:.6g}"))


def _bars(axes: Any, plot: Plot, text: Catalogue) -> None:
    """Draw deviations from the mean as bars from zero, between the limits."""
    values = plot.lines[0].y
    drawn = axes.bar(range(len(values)), values, 0.45, color=_INK)
    axes.bar_label(drawn, [text.number(f"{value:+z.2f}") for value in values], padding=2)
    span = max([abs(value) for value in (*values, *plot.limits)] + [0.1]) * 1.4
    axes.set_ylim(-span, span)
    axes.axhline(0, color=_INK, linewidth=0.6)
    for side in plot.limits:
        axes.axhline(side, color=_SOFT, linewidth=1, linestyle="--")
    if plot.limits:
        axes.text(-0.6, max(plot.limits), text("limit"), color=_SOFT, va="bottom", ha="left")
    axes.set_xticks(range(len(plot.ticks)), plot.ticks)
    axes.set_xlim(-0.65, len(plot.ticks) - 0.4)
    axes.yaxis.set_major_formatter(_localised(text))


def _dots(axes: Any, plot: Plot, text: Catalogue) -> None:
    """Draw times as dots: their axis does not begin at zero, so a bar's length would mislead."""
    for which, line in enumerate(plot.lines):
        shift = 0.1 if which else -0.1
        face = "white" if which else _INK
        x = [at + shift for at in line.x]
        axes.plot(
            x,
            line.y,
            _SHAPES[which],
            markersize=5,
            color=_INK,
            markerfacecolor=face,
            label=line.label,
        )
        for at, value in zip(x, line.y, strict=True):
            axes.annotate(
                text.number(f"{value:.4g}"),
                (at, value),
                textcoords="offset points",
                xytext=(6 if which else -6, 0),
                ha="left" if which else "right",
                va="center",
            )
    axes.set_xticks(range(len(plot.ticks)), plot.ticks)
    axes.set_xlim(-0.7, len(plot.ticks) - 0.3)
    axes.margins(y=0.2)
    axes.yaxis.set_major_formatter(_localised(text))
    axes.legend(frameon=False, ncols=2, loc="lower center", bbox_to_anchor=(0.5, 0.97))


def _curve(axes: Any, plot: Plot, text: Catalogue) -> None:
    """Draw insulation over two logarithmic axes, with the ratios between the points."""
    line = plot.lines[0]
    axes.loglog(line.x, line.y, color=_INK, marker="o", markersize=4, linewidth=1)
    for at, value in zip(line.x, line.y, strict=True):
        axes.annotate(
            text.number(f"{value:.4g}"),
            (at, value),
            textcoords="offset points",
            xytext=(-3, 4),
            ha="right",
        )
    for at, value, words in plot.marks:
        axes.annotate(
            words,
            (at, value),
            textcoords="offset points",
            xytext=(4, -11),
            color=_SOFT,
            fontsize=7,
        )
    axes.set_xticks(line.x, [f"{at:g}" for at in line.x])
    axes.minorticks_off()
    axes.set_yticks([])
    axes.margins(0.14, 0.3)


def _lines(axes: Any, plot: Plot, text: Catalogue) -> None:
    """Draw points, and the curves that were fitted to them."""
    own = [line for line in plot.lines if not line.fit]
    fits = [line for line in plot.lines if line.fit]
    for which, line in enumerate(own):
        axes.plot(
            line.x,
            line.y,
            _SHAPES[which % 3],
            color=_INK,
            markersize=4,
            markerfacecolor=_INK if which == 0 else "white",
            linestyle="none" if fits else "-",
            linewidth=0.8,
            label=line.label or None,
        )
    for which, line in enumerate(fits):
        axes.plot(line.x, line.y, _DASHES[which % 3], color=_INK, linewidth=0.8)
    for at in plot.limits:
        axes.axhline(at, color=_SOFT, linewidth=0.8, linestyle="--")
    axes.yaxis.set_major_formatter(_localised(text))
    axes.margins(0.06, 0.12)
    if any(line.label for line in own):
        axes.legend(frameon=False, ncols=3, loc="lower center", bbox_to_anchor=(0.5, 0.97))


def _moving(axes: Any, plot: Plot, text: Catalogue) -> None:
    """Draw values over days, with limit and control limits; days keep their distances."""
    for which, line in enumerate(plot.lines):
        axes.plot(
            line.x,
            line.y,
            _SHAPES[which % 3] + _DASHES[which % 3],
            color=_INK,
            markersize=4,
            markerfacecolor=_INK if which == 0 else "white",
            linewidth=0.8,
            label=line.label or None,
        )
    for at in plot.band:
        axes.axhline(at, color=_INK, linewidth=0.6, linestyle=":")
    for at in plot.limits:
        axes.axhline(at, color=_SOFT, linewidth=1, linestyle="--")
        axes.annotate(
            text("limit"),
            (0, at),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            xytext=(2, 2),
            color=_SOFT,
        )
    days = plot.lines[0].x
    few = _apart(days)
    axes.set_xticks([days[place] for place in few], [plot.ticks[place] for place in few])
    axes.margins(0.08, 0.15)
    axes.yaxis.set_major_formatter(_localised(text))
    if any(line.label for line in plot.lines):
        axes.legend(frameon=False, ncols=3, loc="lower center", bbox_to_anchor=(0.5, 0.97))


def _moving_by_factors(axes: Any, plot: Plot, text: Catalogue) -> None:
    axes.set_yscale("log", subs=(2, 5))
    _moving(axes, plot, text)
    axes.yaxis.set_minor_formatter(_localised(text))


def _apart(days: Sequence[float]) -> list[int]:
    """Choose the days whose dates do not run into each other; first and last among them."""
    last = len(days) - 1
    room = max(days[-1] - days[0], 1e-9) * _ROOM
    chosen = [0]
    for place in range(1, last):
        if days[place] - days[chosen[-1]] >= room and days[last] - days[place] >= room:
            chosen.append(place)
    return [*chosen, last] if days[last] - days[0] >= room else [last]


_KINDS = {
    "bars": _bars,
    "dots": _dots,
    "curve": _curve,
    "lines": _lines,
    "moving": _moving,
    "moving-by-factors": _moving_by_factors,
}
