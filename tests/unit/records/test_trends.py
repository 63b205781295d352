"""Trends of a machine from its jobs, and what its record says of them."""

import math
import xml.etree.ElementTree as ET
from datetime import timedelta

import pytest

from capture.errors import NotThereError
from capture.jobs.trends import machine_trends
from capture.records.drawing import draw
from capture.records.moving import table_of, title_of, trend_plots, words_of
from capture.records.texts import catalogue

YEAR = timedelta(days=365.25)


def by_title(trends):
    return {title_of(each, catalogue("en")): each for each in trends}


@pytest.fixture(scope="module")
def trends(years):
    """The trends of the machine over all of its jobs."""
    return machine_trends(years.desk, "FAN-07")


def test_trends_begin_where_the_winding_was_renewed(years, trends):
    day = years.desk.service.state(years.jobs[1]).started.date()
    assert trends.left_out == (f"1 job before the winding was renewed ({day})",)
    assert all([point.job for point in each.points] == years.jobs[1:] for each in trends.trends)


def test_resistance_is_brought_to_one_temperature(trends):
    pair = by_title(trends.trends)["Resistance U-V at 25 °C"]
    # 0.8312 Ω at 22 °C, each year at another temperature: at 25 °C it is always the same.
    expected = 0.8312 * (235 + 25) / (235 + 22)
    assert [each.value for each in pair.points] == pytest.approx([expected] * 5, rel=2e-6)
    assert (pair.reference_celsius, pair.unit, pair.direction) == (25.0, "Ohm", "none")
    assert pair.change_baseline_percent == pytest.approx(0, abs=1e-3)
    # 0.05 % of the instrument, and half a kelvin of 235 + 24.
    spread = math.hypot(5e-4, 0.5 / (235 + 24))
    assert pair.points[0].expanded == pytest.approx(2 * expected * spread, rel=1e-3)


def test_insulation_halves_and_the_date_of_its_limit_is_told(years, trends):
    found = by_title(trends.trends)["Insulation resistance after 60 s, at 40 °C"]
    assert (found.scale, found.side, found.direction) == ("logarithmic", "lower", "falling")
    # The winding's temperature differs, so the values at 40 °C do not halve exactly.
    assert found.slope.percent_per_year == pytest.approx(-50, abs=6)
    assert found.limit == 5e6
    last = found.points[-1]
    years_left = math.log2(last.value / 5e6)
    assert years_left > 4  # further than the jobs reach back: no date
    assert found.crosses is None
    assert any("no date" in note for note in found.notes)
    assert found.points[0].verdict == "information only"


def test_a_limit_within_reach_has_a_date(bench):
    for year in range(4):
        bench.do_job(angles=(), insulation=0.02 * 0.5**year)
        bench.sign_off()
        newest = bench.clock.utc()
        bench.clock.advance(YEAR.total_seconds())
    record = bench.keeper.make(bench.job, "foreman")
    found = by_title(record.trends)["Insulation resistance after 60 s, at 40 °C"]
    # All at 22 °C, so the values at 40 °C halve exactly: the date is a logarithm away.
    assert found.crosses - found.points[-1].time == pytest.approx(
        YEAR * math.log2(found.points[-1].value / 5e6), abs=timedelta(days=2)
    )
    assert newest < found.crosses_earliest <= found.crosses
    day = found.crosses.date().isoformat()
    assert f"the limit would be crossed on {day} if it went on like this" in words_of(
        found, catalogue("en")
    )
    row = next(row for row in table_of(record.trends, catalogue("en")).rows if "≥ 5 MΩ" in row[-1])
    assert row[-1] == f"≥ 5 MΩ; reached {day}"


def test_what_is_above_the_range_is_shown_and_not_in_the_line(bench):
    for insulation in (None, None, 1.0, 0.7, 0.5, None):
        bench.do_job(angles=(), insulation=insulation)
        bench.sign_off()
        bench.clock.advance(YEAR.total_seconds())
    found = by_title(machine_trends(bench.desk, "FAN-07").trends)
    trend = found["Insulation resistance after 60 s, at 40 °C"]
    assert [point.bound for point in trend.points] == ["above", "above", None, None, None, "above"]
    assert trend.points[0].value is None
    assert trend.points[0].bound_value > 1e9
    # The line goes through three values; nothing is said of a newest one that is no number.
    assert trend.direction == "falling"
    assert (trend.change_last_percent, trend.change_baseline_percent) == (None, None)
    assert "3 of 6 values are bounds, or zero: not in the line" in trend.notes
    row = table_of([trend], catalogue("en")).rows[0]
    assert row[1].startswith("> ")
    (plot,) = trend_plots([trend], catalogue("en"))
    ET.fromstring(draw(plot, catalogue("en")))


def test_until_a_job_only_what_that_job_had_seen(years):
    found = machine_trends(years.desk, "FAN-07", until=years.jobs[3])
    assert {len(each.points) for each in found.trends} == {3}
    first = machine_trends(years.desk, "FAN-07", until=years.jobs[0])
    assert {len(each.points) for each in first.trends} == {1}


def test_a_machine_or_job_that_is_not_there(years):
    with pytest.raises(NotThereError):
        machine_trends(years.desk, "FAN-99")


def test_the_record_holds_the_trends_and_draws_them(years):
    record = years.keeper.make(years.jobs[-1], "foreman")
    assert {len(each.points) for each in record.trends} == {5}
    text = catalogue("en")
    plots = {each.caption.partition(";")[0]: each for each in trend_plots(record.trends, text)}
    assert "Insulation resistance after 60 s, at 40 °C" in plots
    # What has not moved stands in the table only; had it moved, the pairs would share a picture.
    assert not any("Resistance U-V" in caption for caption in plots)
    moved = [each.model_copy(update={"direction": "rising"}) for each in record.trends]
    plots = {each.caption: each for each in trend_plots(moved, text)}
    pairs = plots["Resistance U-V, V-W, W-U at 25 °C: change since the baseline"]
    assert [line.label for line in pairs.lines] == ["U-V", "V-W", "W-U"]
    for language in ("en", "de"):
        for plot in trend_plots(moved, catalogue(language)):
            ET.fromstring(draw(plot, catalogue(language)))
    table = table_of(record.trends, text)
    row = next(row for row in table.rows if row[0] == "Resistance U-V at 25 °C")
    assert "no trend" in row
    # Making it again changes nothing.
    assert years.keeper.make(years.jobs[-1], "foreman") == record


def test_what_is_said_in_german(years, trends):
    text = catalogue("de")
    found = by_title(trends.trends)["Resistance U-V at 25 °C"]
    assert title_of(found, text) == "Widerstand U-V bei 25 °C"
    assert words_of(found, text)[-1] == "kein Verlauf erkennbar"
    unbalance = by_title(trends.trends)["Resistance unbalance (mean)"]
    assert title_of(unbalance, text) == "Widerstandsunsymmetrie (Mittel)"
