"""One line of the table: what was measured, against what goal, and how far it scattered."""

import statistics
from dataclasses import dataclass


@dataclass(frozen=True)
class Figure:
    """A figure of one run.

    goal: in words; holds: whether it is met, None where there is no goal. detail: what it was made
    of, with its spread.
    """

    name: str
    value: str
    goal: str
    holds: bool | None
    detail: str

    def line(self):
        mark = {True: "met", False: "MISSED", None: ""}[self.holds]
        return f"{self.name:58}{self.value:>12}  {self.goal:24}{mark:8}{self.detail}"


def ratio(name, ours, theirs, least=None, most=None, unit="/s", form=".0f"):
    """Compare the medians of two sets of runs."""
    found = statistics.median(ours) / statistics.median(theirs)
    holds = None
    goal = ""
    if least is not None:
        goal, holds = f"≥ {least:g}", found >= least
    if most is not None:
        goal, holds = f"≤ {most:g}", found <= most
    detail = f"{spread(ours, form)} against {spread(theirs, form)} {unit}"
    return Figure(name, f"{found:.2f}", goal, holds, detail)


def spread(values, form=".0f"):
    """Write median and range."""
    low, middle, high = min(values), statistics.median(values), max(values)
    return f"{middle:{form}} ({low:{form}}…{high:{form}})"


def percentile(values, part):
    """Give the value that a part of all values lies below."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(part * len(ordered)))]
