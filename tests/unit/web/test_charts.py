"""Charts say in words what they show, and appear only where the values allow them."""

import re
import xml.etree.ElementTree as ET

import pytest

from capture.web.charts import charts_of, draw


def value(quantity, point, number, at=None):
    return {"quantity": quantity, "point": point, "value": number, "at": at}


def step(quantity, *values):
    return {"quantity": quantity, "values": list(values)}


def view(*steps, results=()):
    return {"steps": list(steps), "results": list(results)}


RESISTANCE = step(
    "resistance",
    *(
        value("resistance", pair, ohms)
        for pair, ohms in (("U-V", 0.8), ("V-W", 0.82), ("W-U", 0.84))
    ),
)
PULSE = step(
    "pulse_time",
    *(
        value("pulse_time", point, micro * 1e-6)
        for point, micro in (("U-V", 112.6), ("V-U", 112.4), ("V-W", 121.7), ("W-U", 112.9))
    ),
)
INSULATION = step(
    "insulation_resistance",
    value("insulation_resistance", "U+V+W-frame", 4.98e8, 15.0),
    value("insulation_resistance", "U+V+W-frame", 8.677e8, 60.0),
)


def test_the_balance_is_told_against_the_mean_and_the_limit():
    judged = {"name": "resistance unbalance (mean)", "judgement": {"limit": 2.0}}
    (chart,) = charts_of(view(RESISTANCE, results=[judged]))
    # 0.80, 0.82, 0.84 around their mean of 0.82: 0.02 / 0.82 = 2.44 %.
    assert chart.alt == (
        "Resistance by pair, deviation from their mean: U-V -2.44 %, V-W +0.00 %, W-U +2.44 %; "
        "limit ± 2 %."
    )
    assert chart.limit == 2.0


def test_pulse_times_say_which_were_read_with_the_leads_swapped():
    (chart,) = charts_of(view(PULSE))
    assert "U-V 112.6 µs, leads swapped 112.4 µs" in chart.alt
    assert "V-W 121.7 µs;" in chart.alt


def test_two_pairs_or_one_time_are_no_chart():
    two = step("resistance", *RESISTANCE["values"][:2])
    once = step("insulation_resistance", INSULATION["values"][0])
    half = step("pulse_time", *PULSE["values"][:2])
    assert charts_of(view(two, once, half)) == []


@pytest.mark.parametrize("made", [RESISTANCE, PULSE, INSULATION], ids=lambda each: each["quantity"])
def test_every_chart_can_be_drawn_the_same_way_twice(made):
    (chart,) = charts_of(view(made))
    drawn = draw(chart)
    assert ET.fromstring(drawn).tag.endswith("svg")
    assert b"<script" not in drawn
    assert draw(chart) == drawn


@pytest.mark.parametrize("made", [RESISTANCE, PULSE, INSULATION], ids=lambda each: each["quantity"])
def test_the_label_of_the_height_lies_within_the_picture(made):
    (chart,) = charts_of(view(made))
    upright = re.findall(rb"translate\(([0-9.-]+) [0-9.-]+\) rotate\(-90\)", draw(chart))
    assert upright
    # Points from the left edge to the foot of letters of 12 points: they stand to the left of it.
    assert all(float(x) >= 9 for x in upright)


# ── more than one winding ────────────────────────────────────────────────────────────────────


def of_pairs(quantity, **numbers):
    given = {name.replace("_", "-"): number for name, number in numbers.items()}
    return step(quantity, *(value(quantity, pair, number) for pair, number in given.items()))


def test_six_free_ends_have_their_own_bars_and_dots():
    ohms = of_pairs("resistance", U1_U2=1.0, V1_V2=0.9, W1_W2=1.1)
    times = of_pairs("pulse_time", U1_U2=1.1e-4, U2_U1=1.2e-4, V1_V2=1.0e-4, W1_W2=1.1e-4)
    bars, dots = charts_of(view(ohms, times))
    assert [label for label, _, _ in bars.points] == ["U1-U2", "V1-V2", "W1-W2"]
    # 1.0, 0.9, 1.1 around their mean of 1.0.
    assert [percent for _, percent, _ in bars.points] == pytest.approx([0, -10, 10])
    assert "U1-U2 110 µs, leads swapped 120 µs" in dots.alt
    ET.fromstring(draw(bars))
    ET.fromstring(draw(dots))


def test_a_rotor_has_a_picture_beside_the_stators_and_not_the_stators_limit():
    """Up to now six pairs of two windings had no picture at all."""
    rotor = of_pairs("resistance", K_L=0.05, L_M=0.05, M_K=0.056)
    judged = {"name": "resistance unbalance (mean)", "judgement": {"limit": 2.0}}
    stator, rings = charts_of(view(RESISTANCE, rotor, results=[judged]))
    assert (stator.name, rings.name) == ("balance-resistance", "balance-resistance-rotor")
    assert (stator.limit, rings.limit) == (2.0, None)
    assert rings.alt.startswith("Resistance of the rotor by pair")


def test_two_curves_of_insulation_are_two_pictures_each_with_its_place():
    """Up to now both figures showed the first curve: a picture is asked for by its name."""
    other = step(
        "insulation_resistance",
        value("insulation_resistance", "K+L+M-frame earth U+V+W", 2e7, 15.0),
        value("insulation_resistance", "K+L+M-frame earth U+V+W", 5e7, 60.0),
    )
    stator, rotor = charts_of(view(INSULATION, other))
    assert (stator.name, rotor.name) == ("insulation-1", "insulation-2")
    assert stator.caption.endswith("under voltage, U+V+W-frame")
    assert rotor.alt.startswith("K+L+M-frame earth U+V+W: Insulation resistance: 20 MΩ after 15 s")
    drawn = draw(rotor)
    ET.fromstring(drawn)
    assert drawn != draw(stator)
