"""Figures that a page says by hand are those that are computed with."""

import itertools
import re
from pathlib import Path

import pytest

from capture.winding import insulation

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "winding.md").read_text("utf-8")
VOLTAGES = "| rated, V | direct voltage of the test, V |"


def _table(head):
    """Give the rows below a head of a table, each as its cells."""
    lines = PAGE.splitlines()
    rows = []
    for line in lines[lines.index(head) + 2 :]:
        if not line.startswith("|"):
            break
        rows.append([cell.strip() for cell in line.strip("|").split("|")])
    return rows


def _numbers(text):
    return [float(each.replace(" ", "")) for each in re.findall(r"[0-9]+(?: [0-9]{3})*", text)]


def _just_inside(rated):
    """Give the lowest and the highest rated voltage that a row is for."""
    found = _numbers(rated)
    lowest = found[0] + 0.1 if rated.startswith("above") else found[0]
    if rated.startswith("below"):
        return 1.0, found[0] - 0.1
    return lowest, found[1] if len(found) > 1 else 1e5


@pytest.mark.parametrize(("rated", "direct"), _table(VOLTAGES))
def test_the_test_voltages_of_the_page_are_those_shown_to_a_person(rated, direct):
    figures = _numbers(direct)
    for volts in _just_inside(rated):
        assert insulation.test_voltage(volts) == (figures[0], figures[-1])


def test_the_table_of_test_voltages_has_no_hole():
    rows = [_just_inside(rated) for rated, _ in _table(VOLTAGES)]
    assert len(rows) > 3
    for (_, highest), (lowest, _) in itertools.pairwise(rows):
        assert lowest - highest == pytest.approx(0.1)
