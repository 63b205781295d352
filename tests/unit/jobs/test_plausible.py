"""Plausibility: a slip of a prefix is asked about, with the value that was probably meant."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.errors import InputError
from capture.jobs.plausible import SPREAD, doubts, mismatch
from capture.jobs.usual import ANY_MACHINE, USUAL, is_line_winding
from capture.model import TestPoint
from capture.model.machine import Nameplate
from simulators.winding import Winding
from simulators.winding_faults import ShortedTurns

#: An extraction fan's motor: ordinary figures of an 11 kW four-pole machine (from memory).
FAN = Nameplate(
    rated_volts=400, rated_watts=11_000, rated_amperes=21.5, rated_hertz=50, connection="delta"
)
PAIRS = {"V-W": 0.843, "W-U": 0.840}


def ask(quantity, value, unit, nameplate=None, others=None, earlier=(), **more):
    return doubts(
        quantity, value, unit, nameplate=nameplate, others=others or {}, earlier=earlier, **more
    )


@pytest.mark.parametrize(("slipped", "meant"), [(842.1, 0.8421), (0.0008421, 0.8421)])
def test_a_prefix_that_slipped_is_caught_by_the_other_pairs(slipped, meant):
    (doubt,) = ask("resistance", slipped, "Ohm", others=PAIRS)
    assert doubt.suggestion == pytest.approx(meant, rel=1e-12)
    assert "other test points" in doubt.words


def test_the_suggestion_keeps_the_digits():
    (doubt,) = ask("resistance", 842.1, "Ohm", others=PAIRS)
    assert repr(doubt.suggestion) == "0.8421"


def test_a_prefix_that_slipped_is_caught_by_earlier_tests():
    (doubt,) = ask("pulse_time", 87.42e-3, "s", earlier=(87.1e-6, 86.9e-6))
    assert doubt.suggestion == pytest.approx(87.42e-6)
    assert "earlier tests" in doubt.words


@pytest.mark.parametrize(
    ("quantity", "unit", "likely"), [("resistance", "Ohm", 0.62), ("inductance", "H", 0.055)]
)
def test_a_prefix_that_slipped_is_caught_by_the_nameplate(quantity, unit, likely):
    """A winding of such a machine: 2/3 of 3 % copper loss over I²; half its rated impedance."""
    assert ask(quantity, likely, unit, FAN) == []
    for slip in (1e-3, 1e3):
        (doubt,) = ask(quantity, likely * slip, unit, FAN)
        assert doubt.suggestion == pytest.approx(likely)
        assert "nameplate" in doubt.words


def test_the_nameplate_serves_without_its_current():
    bare = FAN.model_copy(update={"rated_amperes": None})
    assert ask("resistance", 0.62, "Ohm", bare) == []
    assert ask("resistance", 620.0, "Ohm", bare)[0].suggestion == pytest.approx(0.62)


def test_a_nameplate_says_nothing_of_a_direct_current_machine():
    field = FAN.model_copy(update={"winding": "field"})
    assert ask("resistance", 620.0, "Ohm", field) == []


def test_what_no_prefix_explains_has_no_suggestion():
    (doubt,) = ask("resistance", 0.842 * 30, "Ohm", others=PAIRS)
    assert doubt.suggestion is None


def test_faulty_windings_raise_no_question_about_a_slip():
    """An open delta coil reads twice the others; shorted turns change inductance by less."""
    assert ask("resistance", 2.0, "Ohm", others={"V-W": 1.0, "W-U": 1.0}) == []
    sound = Winding()
    short = Winding(faults=(ShortedTurns(phase="U", turns=20),))
    rest = {pair: sound.inductance(pair, 1000.0)[0] for pair in ("V-W", "W-U")}
    assert ask("inductance", short.inductance("U-V", 1000.0)[0], "H", others=rest) == []


def test_insulation_may_change_by_a_decade_and_not_by_three():
    assert ask("insulation_resistance", 1e8, "Ohm", earlier=(2e9,)) == []
    (doubt,) = ask("insulation_resistance", 2e6, "Ohm", earlier=(2e9,))
    assert doubt.suggestion == pytest.approx(2e9)


def test_a_test_voltage_is_asked_about_and_never_gets_another_proposed():
    (doubt,) = ask("test_voltage", 0.5, "V", earlier=(500.0,))
    assert doubt.suggestion is None


def test_what_no_machine_shows_is_asked_about_without_any_like():
    for quantity, (low, high) in ANY_MACHINE.items():
        unit = {"resistance": "Ohm", "inductance": "H", "capacitance": "F", "pulse_time": "s"}
        unit = unit.get(quantity) or ("V" if quantity == "test_voltage" else "Ohm")
        assert ask(quantity, math.sqrt(low * high), unit) == []
        assert len(ask(quantity, low / 2, unit)) == 1
        assert len(ask(quantity, high * 2, unit)) == 1


@pytest.mark.parametrize(
    ("quantity", "unit", "slipped", "meant"),
    [
        ("resistance", "Ohm", 50.2, 50.2e-3),
        ("resistance", "Ohm", 842.1e-6, 842.1e-3),
        ("inductance", "H", 62.1, 62.1e-3),
        ("inductance", "H", 62.1e-6, 62.1e-3),
        ("pulse_time", "s", 87.42e-3, 87.42e-6),
    ],
)
def test_a_winding_with_nothing_to_compare_it_with_is_held_against_what_windings_read(
    quantity, unit, slipped, meant
):
    """The first pair of a machine that nobody described; a detector may read what it likes."""
    assert ask(quantity, meant, unit, line_winding=True) == []
    (doubt,) = ask(quantity, slipped, unit, line_winding=True)
    assert doubt.suggestion == pytest.approx(meant)
    assert "nothing to compare it with" in doubt.words
    assert ask(quantity, slipped, unit) == []


@pytest.mark.parametrize(
    "known",
    [
        {"others": {"V-W": 50.1}},
        {"earlier": (50.4,)},
        {"nameplate": Nameplate(rated_volts=400, rated_watts=250)},
        {"nameplate": Nameplate(rated_volts=400, rated_amperes=0.8)},
        {"nameplate": Nameplate(winding="field")},
    ],
)
def test_what_is_known_of_a_machine_goes_before_what_windings_read(known):
    """A motor of 0.25 kW: 0.7 to 0.8 A at 400 V, 50 Ω to 90 Ω (from memory)."""
    assert ask("resistance", 50.2, "Ohm", line_winding=True, **known) == []


def test_values_on_the_same_display_do_not_vouch_for_each_other():
    """Keyed under one unit they slip together."""
    beside = {"1": 50.1, "2": 50.4}
    (doubt,) = ask("resistance", 50.2, "Ohm", line_winding=True, beside=beside)
    assert doubt.meant == "50.2 mΩ"
    (doubt,) = ask("resistance", 50.2e-3, "Ohm", line_winding=True, beside=beside)
    assert "other test points" in doubt.words


def test_current_and_voltage_tell_the_power_nearly():
    """What an 11 kW machine's 21.5 A and 400 V let expect holds its resistance without the kW."""
    bare = FAN.model_copy(update={"rated_watts": None})
    assert ask("resistance", 0.62, "Ohm", bare) == []
    assert ask("resistance", 620.0, "Ohm", bare)[0].suggestion == pytest.approx(0.62)


def test_an_earlier_value_that_had_slipped_vouches_for_nothing_between():
    assert len(ask("resistance", 30.0, "Ohm", earlier=(0.84, 842.0))) == 1


@pytest.mark.parametrize(("value", "meant"), [(5.5e3, 5.5e6), (867.7, 867.7e3), (5.5e13, 5.5e10)])
def test_an_insulation_that_hardly_any_winding_has_is_asked_about(value, meant):
    (doubt,) = ask("insulation_resistance", value, "Ohm")
    assert doubt.suggestion is not None
    decades = math.log10(doubt.suggestion / meant)
    assert decades / 3 == pytest.approx(round(decades / 3), abs=1e-9)


def test_a_bound_is_asked_about_where_it_contradicts_and_never_where_it_says_less():
    likes = {"earlier": (5e9, 6e9)}
    assert ask("insulation_resistance", 1e6, "Ohm", bound="above", **likes) == []
    assert ask("insulation_resistance", 1e12, "Ohm", bound="below", **likes) == []
    assert len(ask("insulation_resistance", 5.5e12, "Ohm", bound="above", **likes)) == 1
    assert len(ask("insulation_resistance", 5.5e6, "Ohm", bound="below", **likes)) == 1
    assert len(ask("insulation_resistance", 5.5e3, "Ohm", bound="above")) == 1


@pytest.mark.parametrize(
    ("point", "machine", "is_one"),
    [
        ("U-V", "fan-07", True),
        ("U1-U2", None, True),
        ("K-L", "fan-07", False),
        ("F1-F2", "fan-07", False),
        (None, "fan-07", True),
        (None, None, False),
    ],
)
def test_whose_winding_it_is_follows_from_the_terminals(point, machine, is_one):
    assert is_line_winding(point and TestPoint.parse(point), machine) is is_one


def test_what_windings_read_lies_within_what_any_machine_reads():
    for quantity, (low, high) in USUAL.items():
        assert ANY_MACHINE[quantity][0] < low < high < ANY_MACHINE[quantity][1]


@pytest.mark.parametrize("value", [0.0, -0.8, math.nan, math.inf])
def test_a_number_that_no_winding_has_is_asked_about(value):
    (doubt,) = ask("resistance", value, "Ohm", FAN, PAIRS, (0.84,))
    assert doubt.suggestion is None


def test_a_wrong_unit_is_asked_about():
    (doubt,) = ask("resistance", 0.8, "H")
    assert "Ohm" in doubt.words


def test_an_unknown_quantity_is_refused():
    with pytest.raises(InputError, match="quantity"):
        ask("resistence", 1.0, "Ohm")


def test_a_quantity_that_may_be_anything_raises_no_question():
    assert ask("temperature", -12.0, "Cel", FAN, {"a": 20.0}) == []
    assert ask("x_grease", -12.0, "g") == []


@given(
    quantity=st.sampled_from(sorted({*SPREAD, "temperature", "x_own"})),
    value=st.floats(),
    others=st.dictionaries(st.text(max_size=3), st.floats(), max_size=3),
    earlier=st.lists(st.floats(), max_size=3),
    bound=st.sampled_from([None, "above", "below"]),
    line_winding=st.booleans(),
)
def test_any_number_is_asked_about_and_none_is_refused(
    quantity, value, others, earlier, bound, line_winding
):
    """Whatever is keyed: doubts of one line, and a suggestion that is a power of 1000 away."""
    unit = {"inductance": "H", "capacitance": "F", "pulse_time": "s", "test_voltage": "V"}.get(
        quantity, {"leakage_current": "A", "temperature": "Cel"}.get(quantity, "Ohm")
    )
    for doubt in ask(
        quantity, value, unit, FAN, others, earlier, bound=bound, line_winding=line_winding
    ):
        assert doubt.words
        assert "\n" not in doubt.words
        if doubt.suggestion is not None:
            steps = math.log10(doubt.suggestion / value) / 3
            assert steps == pytest.approx(round(steps), abs=1e-6)
            assert round(steps) != 0


@given(
    meant=st.floats(1e-3, 1e3),
    ratios=st.lists(st.floats(0.8, 1.25), min_size=1, max_size=5),
    step=st.sampled_from([-3, -2, -1, 1, 2, 3]),
)
def test_every_slip_against_likes_is_caught_and_what_was_meant_passes(meant, ratios, step):
    others = {str(n): meant * ratio for n, ratio in enumerate(ratios)}
    assert ask("resistance", meant, "Ohm", others=others) == []
    (doubt,) = ask("resistance", meant * 1000.0**step, "Ohm", others=others)
    assert doubt.suggestion == pytest.approx(meant)


def test_a_deviation_that_the_instrument_shows_agrees_within_its_last_digit():
    assert mismatch(1.234, 1.2, 0.1) is None
    assert mismatch(1.234, -1.2, 0.1) is None
    assert mismatch(1.3, 1.2, 0.1) is None
    assert mismatch(0.0, 0.0, 0.1) is None


def test_a_deviation_that_differs_points_to_a_slip():
    doubt = mismatch(4.7, 1.2, 0.1)
    assert "1.2 %" in doubt.words
    assert "4.70 %" in doubt.words
    assert doubt.suggestion is None
    assert mismatch(1.31, 1.2, 0.1) is not None


def test_two_digits_swapped_in_one_of_three_times_are_found_by_the_shown_deviation():
    """87.42 keyed as 87.24: the largest deviation from the mean, computed here, moves too far."""

    def deviation(times):
        mean = sum(times) / 3
        return 100 * max(abs(time - mean) for time in times) / mean

    shown = round(deviation([87.42, 87.10, 87.31]), 2)
    assert mismatch(deviation([87.42, 87.10, 87.31]), shown, 0.01) is None
    assert mismatch(deviation([87.24, 87.10, 87.31]), shown, 0.01) is not None


@pytest.mark.parametrize(
    ("ours", "shown", "step"), [(math.nan, 1, 0.1), (1, math.inf, 0.1), (1, 1, 0.0)]
)
def test_a_deviation_that_is_no_number_is_refused(ours, shown, step):
    with pytest.raises(InputError):
        mismatch(ours, shown, step)
