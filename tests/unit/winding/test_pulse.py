"""Pulse comparison between pairs, and between the directions of one pair."""

import pytest

from capture.winding import (
    Measured,
    MissingReadingError,
    NotPositiveError,
    PulseReadings,
    UnknownChoiceError,
    Verdict,
    judge,
    load_limits,
    pulse_comparison,
)

SET = {"U-V": 120e-6, "V-W": 120e-6, "W-U": 105e-6}


def test_the_deviation_is_the_span_over_the_largest():
    """120 µs against 105 µs are 12.5 % (computed by hand: 15/120)."""
    found = pulse_comparison(SET, "unknown", "span-max")
    assert found.value == pytest.approx(12.5)
    assert found.deviation.formula == "pulse-deviation-span-max"


def test_ten_per_cent_is_a_default_of_low_confidence():
    """Above 10 % is taken as a sign of a fault (common practice, no source)."""
    limit = load_limits()["pulse-deviation"]
    assert (limit.value, limit.confidence) == (10, "memory, low")
    deviation = pulse_comparison(SET, "period", "span-max").deviation
    assert judge(deviation, limit).verdict is Verdict.INFORMATION_ONLY
    site = load_limits(site={"pulse-deviation": {"adopted": True}})["pulse-deviation"]
    assert judge(deviation, site).verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("times", "terminal", "word"),
    [
        ({"U-V": 90.0, "V-W": 100.0, "W-U": 91.0}, "U", "low"),
        ({"U-V": 90.0, "V-W": 91.0, "W-U": 100.0}, "V", "low"),
        ({"U-V": 100.0, "V-W": 90.0, "W-U": 90.5}, "W", "low"),
        ({"U-V": 100.0, "V-W": 90.0, "W-U": 100.5}, "U", "high"),
    ],
)
def test_two_like_pairs_name_the_terminal_they_share(times, terminal, word):
    found = pulse_comparison(times, "unknown", "mean")
    assert found.terminal == terminal
    assert f"two {word} pairs" in found.statement
    assert f"share {terminal}" in found.statement


@pytest.mark.parametrize("law", ["unknown", "period"])
def test_what_the_rotor_does_to_the_times_is_said_unless_it_is_out(law):
    """The caution stands before the shaft is turned."""
    (inside,) = pulse_comparison(SET, law, "span-max", "in").notes
    assert inside.startswith("with the rotor in, pulse times depend on where it stands")
    assert inside.index("discharge the winding") < inside.index("turn the shaft")
    (unknown,) = pulse_comparison(SET, law, "span-max").notes
    assert unknown.startswith("nobody said whether the rotor is in: with it in, pulse times")
    assert pulse_comparison(SET, law, "span-max", "out").notes == ()


@pytest.mark.parametrize("noise", [-1e-9, 0.0, 1e-9])
def test_like_pairs_are_named_in_their_order_whatever_the_last_digit_is(noise):
    """Which of two like pairs is a hair lower is noise, and differs from computer to computer."""
    low = pulse_comparison({"U-V": 90.0, "V-W": 100.0, "W-U": 90.0 + noise}, "unknown", "mean")
    assert low.statement == "the two low pairs, U-V and W-U, share U"
    high = pulse_comparison({"U-V": 100.0 + noise, "V-W": 100.0, "W-U": 90.0}, "unknown", "mean")
    assert high.statement == "the two high pairs, U-V and V-W, share V"


def test_steps_point_nowhere():
    found = pulse_comparison({"U-V": 90.0, "V-W": 100.0, "W-U": 95.0}, "unknown", "mean")
    assert found.terminal is None


def test_scatter_points_nowhere():
    times = {
        name: Measured(value=value, random=0.2)
        for name, value in {"U-V": 100.0, "V-W": 100.1, "W-U": 100.0}.items()
    }
    found = pulse_comparison(times, "unknown", "mean")
    assert found.terminal is None
    assert "scatter" in found.statement


def both(forward, reverse):
    return PulseReadings(forward=forward, reverse=reverse)


def test_both_directions_of_a_healthy_pair_agree():
    """Common practice, no source; a linear winding that floats is reciprocal."""
    readings = both([100.0, 100.2, 99.8], [100.1, 99.9, 100.0])
    found = pulse_comparison(dict.fromkeys(SET, readings), "period", "mean")
    assert [a.significant for a in found.asymmetry.values()] == [False] * 3
    assert found.value == pytest.approx(0, abs=1e-9)
    assert found.means["U-V"] == pytest.approx(100.0)


def test_asymmetry_is_kept_apart_and_never_called_a_turn_fault():
    odd = both([100.0, 100.1, 99.9], [104.0, 104.1, 103.9])
    even = both([102.0, 102.1, 101.9], [102.0, 102.1, 101.9])
    found = pulse_comparison({"U-V": odd, "V-W": even, "W-U": even}, "period", "mean")
    assert found.value == pytest.approx(0, abs=0.02)
    asymmetry = found.asymmetry["U-V"]
    assert asymmetry.significant
    assert asymmetry.per_cent == pytest.approx(-100 * 4 / 102)
    assert len(asymmetry.causes) == 4
    assert "turn" not in " ".join([asymmetry.statement, *asymmetry.causes])
    assert not found.asymmetry["V-W"].significant


def test_single_readings_ask_to_be_repeated():
    found = pulse_comparison(dict.fromkeys(SET, both([100.0], [104.0])), "period", "mean")
    asymmetry = found.asymmetry["W-U"]
    assert asymmetry.significant is None
    assert "repeat" in asymmetry.statement


def test_repeats_give_the_deviation_an_uncertainty():
    readings = PulseReadings(forward=[100.0, 101.0, 99.0])
    found = pulse_comparison(dict.fromkeys(SET, readings), "rise", "mean")
    assert found.deviation.coverage.floor > 0
    assert found.asymmetry == {}


def test_pulse_input_is_checked():
    with pytest.raises(MissingReadingError, match="V-W"):
        pulse_comparison({"U-V": 1.0, "W-U": 1.0}, "period", "mean")
    with pytest.raises(MissingReadingError, match="U-V"):
        pulse_comparison(dict.fromkeys(SET, PulseReadings(forward=[])), "period", "mean")
    with pytest.raises(UnknownChoiceError, match="period, time-constant, rise, unknown"):
        pulse_comparison(SET, "frequency", "mean")
    with pytest.raises(NotPositiveError, match="W-U"):
        pulse_comparison(SET | {"W-U": -1.0}, "period", "mean")
    with pytest.raises(NotPositiveError, match="V-W reverse 1"):
        pulse_comparison(SET | {"V-W": both([1.0], [0.0])}, "period", "mean")


ENDS = {"U1-U2": 120e-6, "V1-V2": 105e-6, "W1-W2": 120e-6}


def test_six_ends_are_compared_phase_by_phase_and_the_odd_one_is_named_itself():
    """Between its own ends a time speaks of its phase; no terminal is shared with another."""
    found = pulse_comparison(ENDS, "period", "span-max", "out")
    assert found.value == pytest.approx(12.5)  # by hand: 15/120
    assert (found.terminal, found.statement) == (
        "V",
        "phase V reads less than the two others",
    )
    high = pulse_comparison(ENDS | {"V1-V2": 140e-6}, "period", "span-max", "out")
    assert (high.terminal, high.statement) == (
        "V",
        "phase V reads more than the two others",
    )


def test_six_ends_that_differ_in_steps_name_no_phase():
    found = pulse_comparison(ENDS | {"W1-W2": 112e-6}, "period", "span-max", "out")
    assert (found.terminal, found.statement) == (
        None,
        "the three phases differ in steps: none of them stands apart",
    )


def test_a_phase_that_is_missing_is_named_by_its_ends():
    with pytest.raises(MissingReadingError, match="W1-W2"):
        pulse_comparison({"U1-U2": 1e-4, "V1-V2": 1e-4}, "period", "span-max")
