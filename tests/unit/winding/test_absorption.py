"""Insulation over time: ratios, when they apply, and the absorption curve."""

import numpy as np
import pytest
from scipy import optimize

from capture.winding import (
    Bounded,
    ImpossibleSetError,
    MissingReadingError,
    NotPositiveError,
    OutsideRangeError,
    UnknownChoiceError,
    Verdict,
    absorption_ratio,
    insulation_curve,
    insulation_indices,
    judge,
    load_limits,
    polarization_index,
    polarization_index_applies,
    resistance_at,
)

TIMES, OHMS = [30, 60, 600], [120e6, 180e6, 450e6]


def adopted(name):
    return load_limits(site={name: {"adopted": True}})[name]


def test_ratios():
    """120, 180 and 450 MΩ at 30, 60 and 600 s: 1.5 and 2.5 (computed)."""
    assert absorption_ratio(TIMES, OHMS).value == 1.5
    assert polarization_index(TIMES, OHMS).value == 2.5
    assert absorption_ratio([15, 60], [1e8, 1.4e8], early=15).value == pytest.approx(1.4)


def test_ratio_names_its_times():
    result = absorption_ratio([30, 180], [1e8, 2e8], late=180)
    assert result.formula == "absorption-ratio-180-30"
    assert (result.constants["late_seconds"], result.constants["early_seconds"]) == (180, 30)


def test_gain_error_cancels_in_a_ratio_and_scatter_does_not():
    assert polarization_index(TIMES, OHMS).uncertainty is None
    result = polarization_index(TIMES, OHMS, relative_uncertainty=0.02)
    assert result.standard_uncertainty == pytest.approx(2.5 * 0.02 * 2**0.5)


def test_reading_between_samples():
    """A power of time is a straight line on log axes, so the reading between is exact."""
    times = [28, 58, 62, 590, 610]
    ohms = [time**0.4 for time in times]
    assert resistance_at(times, ohms, 60) == pytest.approx(60**0.4, rel=1e-12)
    assert polarization_index(times, ohms).value == pytest.approx(10**0.4, rel=1e-12)


@pytest.mark.parametrize("times", [[30, 600], [62, 600], [40, 80, 600]])
def test_no_reading_near_a_minute(times):
    with pytest.raises(MissingReadingError, match="60 s"):
        polarization_index(times, [1e8] * len(times))


def test_bounded_readings_make_bounded_ratios():
    above = Bounded(bound=5e9)
    assert polarization_index([60, 600], [2e9, above]).bound == "above"
    assert polarization_index([60, 600], [2e9, above]).value == 2.5
    assert polarization_index([60, 600], [above, 6e9]).bound == "below"
    with pytest.raises(MissingReadingError, match="bounds"):
        polarization_index([60, 600], [above, above])
    judged = judge(polarization_index([60, 600], [2e9, above]), adopted("polarization-index-155"))
    assert judged.verdict is Verdict.PASS


def test_very_high_index_is_remarked():
    assert "brittle" in polarization_index([60, 600], [1e8, 9e8]).notes[0]


def indices(one_minute, ten_minutes, **changed):
    # 40 °C: the readings are the corrected values themselves
    options = {"celsius": 40, "insulation": "thermoplastic", "winding": "form"} | changed
    return insulation_indices([30, 60, 600], [one_minute / 2, one_minute, ten_minutes], **options)


@pytest.mark.parametrize(
    ("megohms", "applies"),
    # public texts quoting IEEE Std 43-2013: "above 5000 MΩ", hence strictly
    [(6200, False), (5000, True), (4800, True), (5000.001, False)],
)
def test_index_is_not_applied_above_five_gigohms(megohms, applies):
    found = indices(megohms * 1e6, 1.2 * megohms * 1e6)
    assert polarization_index_applies(found.one_minute_at_40.value) is applies
    judgement = found.polarization_index.judgement
    assert (judgement is None) is applies
    if judgement:
        assert judgement.verdict is Verdict.NOT_APPLICABLE


@pytest.mark.parametrize(
    ("index", "thermal_class", "verdict"),
    # public texts quoting IEEE Std 43-2013, 12.2: 1.5 for class 105, 2.0 above
    [
        (1.2, 155, Verdict.FAIL),
        (1.7, 105, Verdict.PASS),
        (1.7, 130, Verdict.FAIL),
        (1.7, 155, Verdict.FAIL),
        (1.7, 180, Verdict.FAIL),
        (2.0, 155, Verdict.PASS),
    ],
)
def test_index_by_thermal_class(index, thermal_class, verdict):
    result = indices(180e6, 180e6 * index).polarization_index
    limit = f"polarization-index-{thermal_class}"
    assert judge(result, adopted(limit)).verdict is verdict
    assert judge(result, load_limits()[limit]).verdict is Verdict.INFORMATION_ONLY


def test_random_wound_gets_the_short_ratio():
    found = indices(200e6, 300e6, winding="random")
    assert found.polarization_index is None
    assert found.short_ratio.value == 2
    assert "random-wound" in found.notes[0]


def test_where_nobody_knows_the_kind_the_index_is_given_and_said_to_be_of_form_wound_ones():
    found = indices(200e6, 300e6, winding="unknown")
    assert found.polarization_index.value == pytest.approx(1.5)
    note = (
        "the polarization index is for form-wound windings, and the kind of this one is not known"
    )
    assert note in found.notes
    assert note not in indices(200e6, 300e6, winding="form").notes


def test_of_a_concentric_winding_it_is_said_that_layout_is_not_make():
    found = indices(200e6, 300e6, winding="concentric")
    assert found.polarization_index.value == pytest.approx(1.5)
    (note,) = found.notes
    assert note == (
        "the polarization index is for form-wound windings, and that a winding is concentric does "
        "not say whether it is"
    )


FOR_FORM = "it is for form-wound windings, and this is a"


@pytest.mark.parametrize(
    ("winding", "reason"),
    [
        ("random", "random-wound"),
        ("field", f"{FOR_FORM} field winding"),
        ("dc-armature", f"{FOR_FORM} DC armature"),
    ],
)
def test_a_winding_without_an_index_is_named_as_what_it_is(winding, reason):
    found = indices(200e6, 300e6, winding=winding)
    assert found.polarization_index is None
    assert found.notes == (
        f"polarization index not applied: {reason}; the short ratio stands instead",
    )
    # A ratio that is not there stands for nothing.
    alone = insulation_indices(
        [60], [200e6], celsius=40, insulation="thermosetting", winding=winding
    )
    assert alone.notes[0] == f"polarization index not applied: {reason}"
    assert alone.notes[1].startswith("no short ratio: ")
    assert len(alone.notes) == 2


@pytest.mark.parametrize("winding", ["random", "field", "dc-armature"])
def test_who_asks_for_the_index_gets_it(winding):
    found = indices(200e6, 300e6, winding=winding, want_polarization_index=True)
    assert (found.polarization_index.value, found.notes) == (1.5, ())


def test_another_kind_of_winding_is_refused():
    with pytest.raises(UnknownChoiceError, match="winding 'lap'"):
        indices(200e6, 300e6, winding="lap")


def test_what_is_missing_is_told():
    found = insulation_indices([60], [1e8], celsius=20, insulation="thermoplastic", winding="form")
    assert found.one_minute_at_40.value == pytest.approx(25e6)
    assert found.polarization_index is None
    assert [note[:14] for note in found.notes] == ["no polarizatio", "no short ratio"]


def test_bounded_minute_stays_a_bound():
    found = insulation_indices(
        [60, 600],
        [Bounded(bound=5.5e9), Bounded(bound=5.5e9)],
        celsius=20,
        insulation="thermoplastic",
        winding="form",
    )
    assert (found.one_minute_at_40.bound, found.one_minute_at_40.value) == ("above", 1.375e9)
    judgement = judge(found.one_minute_at_40, adopted("insulation-form"))
    assert judgement.verdict is Verdict.PASS


def curve(t, leakage, absorption, exponent):
    return 1 / (leakage + absorption * (np.asarray(t) / 60) ** -exponent)


SECONDS = np.array([5, 10, 15, 20, 30, 45, 60, 90, 120, 180, 240, 300, 420, 600], dtype=float)


@pytest.mark.parametrize("exponent", [0.3, 0.7, 1.0, 1.5])
def test_clean_curve_is_found(exponent):
    found = insulation_curve(SECONDS, curve(SECONDS, 1e-9, 4e-9, exponent))
    assert found.exponent == pytest.approx(exponent, abs=1e-4)
    assert found.leakage_siemens == pytest.approx(1e-9, rel=1e-3)
    assert found.absorption_siemens == pytest.approx(4e-9, rel=1e-3)
    assert found.set_aside == {}
    assert found.ohms_at(60) == pytest.approx(1 / 5e-9, rel=1e-4)


def test_curve_against_the_optimiser():
    rng = np.random.default_rng(11)
    ohms = curve(SECONDS, 1e-9, 4e-9, 0.8) * (1 + 0.004 * rng.standard_normal(SECONDS.size))
    fit = optimize.least_squares(
        lambda p: ohms * 1e-9 * (p[0] + p[1] * (SECONDS / 60) ** -p[2]) - 1,
        [0.5, 3, 1],
        loss="huber",
        f_scale=0.004 * 1.345,
        xtol=1e-14,
        ftol=1e-14,
        gtol=1e-14,
    )
    found = insulation_curve(SECONDS, ohms)
    assert found.exponent == pytest.approx(fit.x[2], abs=0.03)
    assert found.ohms_at(600) == pytest.approx(
        1 / (1e-9 * (fit.x[0] + fit.x[1] * 10 ** -fit.x[2])), rel=3e-3
    )
    assert 0.001 < found.scatter < 0.01


def test_ragged_missing_bounded_and_wild_samples_are_named():
    ohms = list(curve(SECONDS, 1e-9, 4e-9, 0.8))
    ohms[2] = None
    ohms[6] = 3 * ohms[6]
    ohms[-1] = Bounded(bound=0.9e9)
    order = np.random.default_rng(2).permutation(SECONDS.size)
    found = insulation_curve(SECONDS[order], [ohms[place] for place in order])
    assert set(found.set_aside) == {"reading at 15 s", "reading at 60 s", "reading at 600 s"}
    assert found.set_aside["reading at 15 s"] == "missing"
    assert "above 9e+08" in found.set_aside["reading at 600 s"]
    assert "no weight" in found.set_aside["reading at 60 s"]
    assert found.exponent == pytest.approx(0.8, abs=0.02)
    assert found.used == SECONDS.size - 2


def test_pure_leakage_needs_no_absorption():
    found = insulation_curve(SECONDS, [1e9] * SECONDS.size)
    assert found.value == pytest.approx(1e9, rel=1e-6)
    assert found.absorption_siemens == pytest.approx(0, abs=1e-14)


def test_pure_absorption_never_gives_negative_leakage():
    found = insulation_curve(SECONDS, 1e9 * (SECONDS / 60) ** 2.3)
    assert found.leakage_siemens == 0
    assert found.value == float("inf")


def test_curve_refuses_what_it_cannot_use():
    with pytest.raises(MissingReadingError, match="4 usable"):
        insulation_curve([10, 20, 30, 600], [1e9] * 4)
    with pytest.raises(MissingReadingError, match="4 times the first"):
        insulation_curve([20, 30, 40, 50, 60], [1e9] * 5)
    with pytest.raises(NotPositiveError, match="reading at 20 s"):
        insulation_curve([10, 20, 30, 60, 90], [1e9, -1, 1e9, 1e9, 1e9])
    with pytest.raises(NotPositiveError, match="time 1"):
        insulation_curve([0, 20, 30, 60, 90], [1e9] * 5)
    with pytest.raises(ImpossibleSetError, match="two readings at 30 s"):
        insulation_curve([10, 30, 30, 60, 90], [1e9] * 5)
    with pytest.raises(MissingReadingError, match="one time a reading"):
        insulation_curve([10, 30], [1e9])
    with pytest.raises(OutsideRangeError, match="come after"):
        absorption_ratio(TIMES, OHMS, late=30, early=60)


def test_parallel_phases_and_test_currents():
    """Three phases of 300 MΩ make 100 MΩ; 5 GΩ at 500 V carries 0.1 µA (computed)."""
    whole = insulation_curve(SECONDS, [1 / (3 / 300e6)] * SECONDS.size)
    assert whole.value == pytest.approx(100e6)
    assert 500 * insulation_curve(SECONDS, [5e9] * SECONDS.size).leakage_siemens == pytest.approx(
        0.1e-6
    )
