"""Two jobs beside each other, as a table in one language."""

from capture.model.comparison import ComparedValue, Comparison
from capture.model.trend import TrendPoint
from capture.records import figures
from capture.records.moving import title_of, value_of
from capture.records.tables import Table, without_empty
from capture.records.texts import Catalogue


def comparison_table(found: Comparison, text: Catalogue) -> Table:
    """List the values of both jobs, the difference and what it amounts to."""
    rows = [
        [
            title_of(each, text),
            _told(each.first, each, text),
            _told(each.second, each, text),
            _difference(each, text),
            _finding(each, text),
            _verdict(each.first, text),
            _verdict(each.second, text),
        ]
        for each in found.values
    ]
    head = "col_result first second difference finding verdict_first verdict_second"
    return without_empty(
        text("comparison"),
        [text(name) for name in head.split()],
        rows,
        [False, True, True, True, False, False, False],
    )


def _told(point: TrendPoint | None, value: ComparedValue, text: Catalogue) -> str:
    return "" if point is None else value_of(point, value.unit, text)


def _difference(value: ComparedValue, text: Catalogue) -> str:
    if value.difference_percent is None:
        return ""
    percent, expanded = value.difference_percent, value.expanded_percent
    first = None if value.first is None else value.first.value
    if value.unit == "%" and first is not None:
        # 1928 % more of 0.08 % says less than 1.6 percentage points.
        told = figures.percent(percent * first / 100, text).replace("%", text("points"))
        about = None if expanded is None else f"{expanded * first / 100:.2g} {text('points')}"
    else:
        told = figures.percent(percent, text)
        about = None if expanded is None else f"{expanded:.2g} %"
    return told if about is None else f"{told} ± {text.number(about)}"


def _finding(value: ComparedValue, text: Catalogue) -> str:
    if value.first is None or value.second is None:
        return text("only_one")
    if value.difference_percent is not None and value.expanded_percent is None:
        return text("no_uncertainty")
    return text.of("findings", value.finding)


def _verdict(point: TrendPoint | None, text: Catalogue) -> str:
    return "" if point is None or point.verdict is None else text.of("verdicts", point.verdict)
