"""Two jobs beside each other."""

import math

import pytest
from uncertainties import ufloat

from capture.errors import InputError
from capture.jobs.compare import compare
from capture.records.compared import comparison_table
from capture.records.moving import title_of
from capture.records.texts import catalogue


def compared(bench, first, second):
    return compare(bench.desk, first, second, bench.clock.utc())


def row_of(found, name, language="en"):
    table = comparison_table(found, catalogue(language))
    (row,) = [row for row in table.rows if row[0] == name]
    return dict(zip(table.head, row, strict=True))


def test_incoming_against_after_rewind(years):
    found = compared(years, years.jobs[0], years.jobs[1])
    (pair,) = [
        each for each in found.values if (each.quantity, each.point) == ("resistance", "U-V")
    ]
    # 30 % more before; both at 25 °C, though one was measured at 20 °C and the other at 24 °C.
    assert pair.difference_percent == pytest.approx(100 * (1 / 1.3 - 1), abs=1e-3)
    assert pair.finding == "lower"
    # The uncertainty of the ratio, by the uncertainties package.
    one, other = (ufloat(each.value, each.expanded / 2) for each in (pair.first, pair.second))
    assert pair.expanded_percent == pytest.approx(100 * 2 * (other / one).s)
    assert row_of(found, "Resistance U-V at 25 °C")["Says"] == "lower"


def test_what_did_not_change_is_no_difference(years):
    found = compared(years, years.jobs[2], years.jobs[4])
    row = row_of(found, "Resistance U-V at 25 °C")
    assert row["Says"] == "no difference"
    assert row["Difference"].startswith("0.00 % ± ")
    german = row_of(found, "Widerstand U-V bei 25 °C", "de")
    assert german["Heißt"] == "kein Unterschied"


def test_without_uncertainties_nothing_is_said_but_the_difference(years):
    found = compared(years, years.jobs[1], years.jobs[5])
    row = row_of(found, "Insulation resistance after 60 s, at 40 °C")
    assert row["Says"] == "cannot tell: no ±"
    assert float(row["Difference"].removesuffix(" %")) < -90
    assert (row["Verdict, first"], row["Verdict, second"]) == ("For information only",) * 2


def test_a_change_of_per_cents_is_in_percentage_points(years):
    found = compared(years, years.jobs[1], years.jobs[5])
    for value in found.values:
        if value.unit == "%" and value.difference_percent is not None:
            row = row_of(found, title_of(value, catalogue("en")))
            told = float(row["Difference"].split(" points")[0])
            assert told == pytest.approx(value.second.value - value.first.value, abs=6e-3)
            break
    else:
        pytest.fail("no value in per cent was compared")


def test_a_machine_against_its_sister(bench):
    bench.do_job(angles=range(0, 180, 90))
    bench.sign_off()
    first = bench.job
    bench.do_job(angles=(), machine="FAN-08", ohms=1.01, celsius=30.0)
    bench.desk.service.register(
        "FAN-08",
        bench.desk.service.machine("FAN-08").nameplate.model_copy(
            update={"rated_watts": 18500.0, "serial": "B 4712"}
        ),
        bench.who("foreman"),
    )
    found = compared(bench, first, bench.job)
    # Its own serial number is no difference; its power is.
    assert found.differences == ("rated watts: 15000 against 18500",)
    assert (found.first.machine, found.second.machine) == ("FAN-07", "FAN-08")
    assert found.second.status == "finished"
    (pair,) = [
        each for each in found.values if (each.quantity, each.point) == ("resistance", "V-W")
    ]
    expected = 1.01 * (235 + 22) / (235 + 30)
    assert pair.difference_percent == pytest.approx(100 * (expected - 1), abs=1e-3)
    assert math.isclose(pair.second.expanded / pair.second.value, 2 * math.hypot(5e-4, 0.5 / 265),
                        rel_tol=1e-3)  # fmt: skip


def test_what_only_one_has_measured_stands_alone(bench):
    bench.do_job(angles=(), discharge=True)
    first = bench.job
    bench.do_job(angles=(), discharge=False)
    found = compared(bench, first, bench.job)
    row = row_of(found, "Pulse deviation (span-max), period")
    assert (row["Second"], row["Says"]) == ("", "measured in one job only")


def test_where_the_temperature_is_not_known_it_says_so(bench):
    bench.do_job(angles=(), celsius=None)
    first = bench.job
    bench.do_job(angles=())
    found = compared(bench, first, bench.job)
    assert found.left_out == (
        "first job: resistance: the winding's temperature is not known, so it is not comparable",
    )


def test_a_job_with_itself_is_refused(years):
    with pytest.raises(InputError, match="tells nothing; name two jobs"):
        compared(years, years.jobs[0], years.jobs[0])
