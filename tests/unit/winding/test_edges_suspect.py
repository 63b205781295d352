"""What `suspect` reads from the numbers themselves: loss, terminal, resistances, open pairs, earth paths.

"computed": by hand outside this program. One file, a section a step of `suspect`, since all of them read
the same evidence.
"""

import math
from dataclasses import replace

import pytest

from capture.winding import (
    Bounded,
    Evidence,
    InductanceReading,
    Measured,
    MissingReadingError,
    OutsideRangeError,
    Spread,
    suspect,
)
from capture.winding.evidence import connections_of, contrasts
from capture.winding.hypotheses import (
    BAD_READING,
    BALANCED,
    FEWER_TURNS,
    OPEN_PHASE,
    TWO_FAULTS,
)
from capture.winding.structural import earth_words, open_pairs, pulse_words, terminal_only
from capture.winding.suspect import _alone, _fits, _loss, _telling, _terminal

PAIRS = ("U-V", "V-W", "W-U")


def by_pair(*values):
    return dict(zip(PAIRS, values, strict=True))


def bridge(*henries):
    return by_pair(*(InductanceReading(henries=h, ohms=3.0, hertz=1000) for h in henries))


def timed(law, *values, random=0.0, **changed):
    times = by_pair(*(Measured(value=value, random=random * value) for value in values))
    options = {"connection": "star", "rotor": "out"} | changed
    return Evidence(pulse=times, law=law, **options)


# ── loss of inductance ───────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("law", "loss"),
    # A period goes with √L, so 0.9 of it is 0.81 of L; a rise time goes with L (textbook).
    [("period", 19.0), ("rise", 10.0)],
)
def test_a_loss_follows_from_pulse_times_by_their_law(law, loss):
    known = timed(law, 0.9e-3, 0.95e-3, 1e-3)
    found = _loss(known, contrasts(known))
    assert (found.value, found.unit) == (pytest.approx(loss), "%")
    assert (found.formula, found.coverage_factor) == ("loss-of-pair-inductance", 2)


def test_a_time_constant_tells_no_loss_of_inductance():
    """L/R may fall by either."""
    known = timed("time-constant", 0.9e-3, 1e-3, 1e-3)
    assert _loss(known, contrasts(known)) is None
    resistances = Evidence(resistance=by_pair(1.0, 1.1, 1.1))
    assert _loss(resistances, contrasts(resistances)) is None


def test_the_bridge_goes_before_the_pulse():
    known = Evidence(
        inductance=bridge(0.018, 0.02, 0.02), pulse=by_pair(0.5e-3, 1e-3, 1e-3), law="period"
    )
    assert _loss(known, contrasts(known)).value == pytest.approx(10)


def test_the_uncertainty_of_a_loss_has_noise_and_nature():
    """U(L₁/L₂) = 2·0.81·√(4·(u₁² + u₂²) + s²/2): twice each relative u for a period (JCGM 100, 5.1.6).

    Two pairs share a phase of two; by nature they differ in the halves that they do not: s/√2.
    """
    known = timed("period", 0.9e-3, 0.95e-3, 1e-3, random=0.004, spread=Spread(inductance=0.03))
    found = _loss(known, contrasts(known)).uncertainty
    assert found == pytest.approx(200 * 0.81 * math.sqrt(4 * 2 * 0.004**2 + 0.03**2 / 2))
    # Of three noises the two largest count.
    uneven = by_pair(*(Measured(value=1e-3, random=u * 1e-3) for u in (0.03, 0.04, 0.001)))
    known = Evidence(pulse=uneven, law="rise", spread=Spread(inductance=0.03))
    found = _loss(known, contrasts(known)).uncertainty
    assert found == pytest.approx(200 * math.sqrt(0.05**2 + 0.03**2 / 2))


# ── terminals ────────────────────────────────────────────────────────────────────────────────


ALL = ("inductance", "pulse", "resistance")


def pointed(evidence, *telling):
    """Give the terminal that quantities single out, all of those that there are unless told."""
    known = contrasts(evidence)
    return _terminal(evidence, known, telling or [n for n in ALL if n in known.quantities])


def steps(below, above):
    """Give three times whose logarithms lie so far apart, the middle one in U-V."""
    return [math.exp(0.0), math.exp(-below), math.exp(above)]


@pytest.mark.parametrize(
    ("below", "above", "terminal", "said"),
    # One step at least twice the other (common practice, no source): V-W low, U-V middle, W-U high.
    [
        (0.01, 0.021, "V", "the two low pairs U-V and V-W share V"),
        (0.021, 0.01, "U", "the two high pairs U-V and W-U share U"),
        (0.01, 0.0199, None, "in steps"),
        (0.0199, 0.01, None, "in steps"),
    ],
)
def test_two_pairs_are_alike_when_the_third_stands_twice_as_far(below, above, terminal, said):
    known = timed("rise", *steps(below, above))
    found, words = pointed(known)
    assert found == terminal
    assert said in words[0]


def test_the_terminal_comes_from_what_singles_one_out_first():
    """Inductance before pulse before resistance, the first that points anywhere."""
    known = Evidence(
        resistance=by_pair(1.0, 1.1, 1.1),
        inductance=bridge(0.018, 0.02, 0.018),
        pulse=by_pair(1e-3, 1e-3, 0.9e-3),
        law="period",
    )
    found, words = pointed(known)
    assert (found, words) == ("U", ("by inductance, the two low pairs U-V and W-U share U",))
    level = Evidence(
        resistance=by_pair(1.0, 1.1, 1.1),
        inductance=bridge(0.018, 0.019, 0.02),
        pulse=by_pair(1e-3, 1e-3, 0.9e-3),
        law="period",
    )
    found, words = pointed(level)
    assert (found, words) == ("V", ("by pulse, the two high pairs U-V and V-W share V",))
    alone = Evidence(resistance=by_pair(1.0, 1.1, 1.1))
    assert pointed(alone)[0] == "W"


def test_only_what_stands_out_points_to_a_terminal():
    """Sound bridge readings have a highest pair too: what they share says nothing of the pulse."""
    readings = {
        "resistance": by_pair(0.8384, 0.8392, 0.8396),
        "inductance": bridge(0.01995, 0.02001, 0.02004),
    }
    pulse = {"pulse": by_pair(112.5e-6, 121.8e-6, 112.85e-6), "law": "period"}
    found = suspect(Evidence(**readings, **pulse))
    assert found.detected
    assert found.terminal == "U"
    assert "by pulse, the two low pairs U-V and W-U share U" in found.words
    assert not any("by inductance" in words for words in found.words)
    wide = suspect(Evidence(**{**readings, "inductance": bridge(0.018, 0.02, 0.02)}, **pulse))
    assert "by inductance, the two high pairs V-W and W-U share W" in wide.words


def test_where_only_all_together_stand_out_the_one_furthest_out_points():
    """2e-4 of sound windings lie beyond χ² = −2 ln 2e-4 of one quantity (two degrees of freedom)."""
    known = Evidence(resistance=by_pair(1.0, 1.02, 1.02), inductance=bridge(0.02, 0.02, 0.0208))
    of = contrasts(known)
    fits = _fits(known, of)
    far = {name: _alone(name, fits, of) for name in ("resistance", "inductance")}
    assert far["inductance"] < far["resistance"] < -2 * math.log(2e-4)
    found = suspect(known)
    assert found.detected
    assert found.terminal == "W"
    assert "by resistance, the two high pairs V-W and W-U share W" in found.words
    assert _telling(fits, of) == ("resistance",)


def test_each_quantity_is_held_to_the_limit_of_one():
    """Both lie between the limit of one quantity, χ² = 17.0, and that of two, 22.0 (computed)."""
    known = Evidence(resistance=by_pair(1.0, 1.022, 1.022), inductance=bridge(0.02, 0.0211, 0.0211))
    of = contrasts(known)
    fits = _fits(known, of)
    far = {name: _alone(name, fits, of) for name in ("resistance", "inductance")}
    assert -2 * math.log(2e-4) < far["inductance"] < far["resistance"] < 22.0
    assert _telling(fits, of) == ("inductance", "resistance")


def test_six_ends_have_no_terminal_in_common():
    ends = dict(zip(("U1-U2", "V1-V2", "W1-W2"), (1.0, 1.1, 1.1), strict=True))
    known = Evidence(connection="open", resistance=ends)
    assert pointed(known) == (None, ())


def test_an_unknown_connection_is_star_or_delta():
    assert connections_of(Evidence()) == ("star", "delta")
    assert connections_of(Evidence(connection="open")) == ("open",)


# ── open pairs ───────────────────────────────────────────────────────────────────────────────

OPEN = Bounded(bound=1e6)


@pytest.mark.parametrize("quantity", ["resistance", "pulse"])
def test_an_open_star_phase_ends_every_other_question(quantity):
    known = Evidence(**{quantity: by_pair(OPEN, OPEN, 2.0)}, insulation={"U": 1e9, "V": 1e6})
    found = open_pairs(known)
    assert (found.statement, found.hypothesis, found.terminal) == ("named", OPEN_PHASE, "V")
    assert (found.signal, found.threshold, found.apart) == (math.inf, 0, math.inf)
    assert (found.coils, found.coil_probability) == ({"star": "V"}, 1)
    (only,) = found.candidates
    assert (only.hypothesis, only.probability, only.distance) == (OPEN_PHASE, 1, 0)
    assert only.places == {"star": "V"}
    assert "phase V is open" in found.words[0]
    assert found.words[1].startswith("earth path: V reads 1e+06 Ohm")
    assert found.speaks_for == found.words[:1]


def test_all_pairs_open_name_no_phase():
    found = open_pairs(Evidence(resistance=by_pair(OPEN, OPEN, OPEN)))
    assert (found.statement, found.hypothesis, found.terminal) == ("cannot tell", None, None)
    assert (found.apart, found.coils, found.coil_probability) == (0, {}, 0)


def test_six_ends_each_speak_for_their_own_phase():
    def ends(*values):
        pairs = ("U1-U2", "V1-V2", "W1-W2")
        return Evidence(connection="open", resistance=dict(zip(pairs, values, strict=True)))

    one = open_pairs(ends(1.0, 1.0, OPEN))
    assert (one.statement, one.terminal, one.words) == ("named", "W", ("open: phase W",))
    assert one.candidates[0].places == {"open": "W"}
    two = open_pairs(ends(OPEN, 1.0, OPEN))
    assert (two.statement, two.terminal, two.words) == (
        "cannot tell",
        None,
        ("open: phase U and W",),
    )
    assert open_pairs(ends(1.0, 1.0, 1.0)) is None


def test_an_open_pair_beside_a_missing_one_is_asked_for():
    with pytest.raises(MissingReadingError, match="W-U"):
        open_pairs(Evidence(resistance={"U-V": OPEN, "V-W": OPEN}))


# ── earth paths ──────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("insulation", "phase"),
    # A fifth of the next lowest or less (common practice, no source).
    [
        ({"U": 1e9, "V": 2e8, "W": 2e9}, "V"),
        ({"U": 1e9, "V": 2.01e8, "W": 2e9}, None),
        ({"U": 1e9, "V": 1e8}, "V"),
        ({"V": 1e8}, None),
        ({}, None),
        ({"U": Bounded(bound=5e9), "V": 1e9, "W": Bounded(bound=6e9)}, "V"),
        # Known only to be more than so much: it may be as good as the others.
        ({"U": 1e9, "V": Bounded(bound=1e8), "W": 1e9}, None),
    ],
)
def test_a_phase_far_below_the_others_has_an_earth_path(insulation, phase):
    words = earth_words(Evidence(insulation=insulation))
    assert len(words) == (phase is not None)
    if phase:
        assert words[0].startswith(f"earth path: {phase} reads")


# ── pulse times of an unknown law ────────────────────────────────────────────────────────────


def test_pulse_times_without_a_law_beside_others_are_told():
    known = Evidence(pulse=by_pair(0.9e-3, 0.9e-3, 1e-3))
    words = pulse_words(known)
    # (1.0 − 0.9)/1.0 (computed)
    assert words[0] == "pulse times deviate by 10.0 % (span over the largest)"
    assert words[1].endswith("share V")
    assert pulse_words(timed("rise", 0.9e-3, 0.9e-3, 1e-3)) == ()
    assert pulse_words(Evidence()) == ()
    ends = dict(zip(("U1-U2", "V1-V2", "W1-W2"), (1.0, 1.1, 1.1), strict=True))
    assert pulse_words(Evidence(connection="open", pulse=ends)) == ()


def test_pulse_times_without_a_law_are_held_against_natural_spread():
    """√⅔·ln(1/0.9) over √(0.004² + nature), in units of 2u; χ²(2) at 0.9998: −2·ln 0.0002 = 17.03.

    √⅔ is the length of one reading's share in two orthonormal contrasts. A pair shows half of what
    the phases differ by nature, under a time constant by √(0.02² + 0.0075²) (computed).
    """
    nature = (0.02**2 + 0.0075**2) / 4
    known = timed("unknown", 0.9e-3, 1e-3, 1e-3, random=0.004)
    found = terminal_only(known, ("earth",))
    distance = math.sqrt(2 / 3) * math.log(1 / 0.9) / math.sqrt(0.004**2 + nature)
    assert found.signal == pytest.approx(distance / 2)
    assert found.threshold == pytest.approx(math.sqrt(-2 * math.log(2e-4)) / 2)
    assert (found.statement, found.terminal) == ("cannot tell", "W")
    assert (found.apart, found.coil_probability, found.coils, found.candidates) == (0, 0, {}, ())
    assert found.words[1:] == ("the two high pairs, V-W and W-U, share W", "earth")
    assert found.speaks_for == ("pulse times deviate by 10.0 % (span over the largest)",)
    level = terminal_only(timed("unknown", 0.99e-3, 1e-3, 1e-3), ())
    assert (level.statement, level.terminal) == ("balanced", None)
    assert level.words[1] == "no difference beyond natural spread"
    # 0.3 % where a reading says no uncertainty (common practice, no source); the largest counts.
    assert level.signal == pytest.approx(
        math.sqrt(2 / 3) * math.log(1 / 0.99) / math.sqrt(0.003**2 + nature) / 2
    )
    mixed = Evidence(pulse=by_pair(0.99e-3, 1e-3, Measured(value=1e-3, random=1e-5)))
    assert terminal_only(mixed, ()).signal == pytest.approx(
        math.sqrt(2 / 3) * math.log(1 / 0.99) / math.sqrt(0.01**2 + nature) / 2
    )


# ── the whole answer ─────────────────────────────────────────────────────────────────────────


def test_with_the_rotor_in_resistances_must_speak():
    """R differs by 0.5 %, within nature: what stands out is inductance, and may be the rotor."""
    henries = bridge(0.015, 0.02, 0.02)
    level = suspect(
        Evidence(connection="star", resistance=by_pair(2.0, 2.01, 2.0), inductance=henries)
    )
    assert level.words[0].startswith("rotor or turns")
    assert level.statement == "cannot tell"
    low = suspect(
        Evidence(connection="star", resistance=by_pair(1.6, 2.0, 1.6), inductance=henries)
    )
    assert not low.words[0].startswith("rotor or turns")


def test_advice_may_be_left_out():
    known = Evidence(connection="star", resistance=by_pair(2.0, 2.0, 2.0), rotor="out")
    assert suspect(known, advise=False).next_measurement == ""
    assert suspect(known).next_measurement != ""


def test_a_distance_is_told_in_expanded_uncertainties():
    """χ²(2) at 0.9998 is −2·ln 0.0002 = 17.03: a threshold of √17.03/2 in units of U = 2u."""
    known = Evidence(connection="star", resistance=by_pair(2.0, 2.2, 2.2), rotor="out")
    found = suspect(known)
    assert found.threshold == pytest.approx(math.sqrt(-2 * math.log(2e-4)) / 2)
    # Half of what a phase differs shows in a contrast, beside the noise of 2⁻⁹·⁵ (computed).
    deviation = math.sqrt((0.0075 / 2) ** 2 + 2**-19)
    assert found.signal == pytest.approx(math.sqrt(2 / 3) * math.log(1.1) / deviation / 2, rel=1e-3)
    assert found.apart < found.signal
    assert (found.loss, found.coils.keys()) == (None, {"star"})
    assert found.terminal == "W"
    for one in found.candidates:
        assert one.distance >= 0


def test_equal_readings_point_to_no_terminal():
    """Three equal inductances leave it to the next quantity."""
    known = Evidence(inductance=bridge(0.02, 0.02, 0.02), resistance=by_pair(1.0, 1.1, 1.1))
    found, words = pointed(known)
    assert (found, words) == ("W", ("by resistance, the two high pairs V-W and W-U share W",))


def test_six_ends_without_a_law_share_no_terminal():
    ends = dict(zip(("U1-U2", "V1-V2", "W1-W2"), (0.8e-3, 1e-3, 1e-3), strict=True))
    found = terminal_only(Evidence(connection="open", pulse=ends, rotor="out"), ("earth",))
    assert (found.statement, found.terminal) == ("cannot tell", None)
    assert found.words == ("pulse times deviate by 20.0 % (span over the largest)", "earth")
    # Each shows all that its phase differs by nature.
    nature = 0.02**2 + 0.0075**2
    assert found.signal == pytest.approx(
        math.sqrt(2 / 3) * math.log(1 / 0.8) / math.sqrt(0.003**2 + nature) / 2
    )


def test_pulse_times_without_a_law_need_all_three():
    with pytest.raises(MissingReadingError, match="W-U"):
        suspect(Evidence(pulse={"U-V": 1e-3, "V-W": 1e-3}))
    with pytest.raises(MissingReadingError):
        terminal_only(Evidence(), ())


def test_every_question_is_asked_in_its_turn():
    with pytest.raises(OutsideRangeError, match="spread of loss"):
        suspect(Evidence(resistance=by_pair(1.0, 1.0, 1.0), spread=Spread(loss=0.0)))
    assert suspect(Evidence(resistance=by_pair(OPEN, OPEN, 2.0))).hypothesis == OPEN_PHASE
    alone = suspect(Evidence(pulse=by_pair(0.9e-3, 1e-3, 1e-3), insulation={"U": 1e9, "V": 1e6}))
    assert (alone.statement, alone.terminal) == ("cannot tell", "W")
    assert alone.words[-1].startswith("earth path: V")


def test_of_two_connections_the_one_nearer_to_balance_is_held_against_the_threshold():
    def of(connection):
        return suspect(Evidence(connection=connection, inductance=bridge(0.02, 0.023, 0.022)))

    star, delta, unknown = of("star"), of("delta"), of("unknown")
    assert abs(star.signal - delta.signal) > 1e-3
    assert unknown.signal == pytest.approx(min(star.signal, delta.signal), rel=1e-9)
    assert unknown.coils.keys() == {"star", "delta"}


def test_two_hypotheses_are_apart_by_the_root_of_their_squares():
    found = suspect(Evidence(connection="star", resistance=by_pair(2.0, 2.2, 2.2), rotor="out"))
    single = [c for c in found.candidates if c.hypothesis not in (BALANCED, TWO_FAULTS)]
    best, *others = [one.distance for one in single]
    apart = math.sqrt(max(min(others) ** 2 - best**2, 0)) / 2
    assert found.apart == pytest.approx(apart)


def test_a_sound_winding_has_nothing_to_show():
    found = suspect(timed("period", 1e-3, 1.001e-3, 1e-3, insulation={"U": 1e9, "V": 1e6}))
    assert (found.statement, found.hypothesis, found.detected) == ("balanced", None, False)
    assert (found.coils, found.coil_probability) == ({}, 0)
    assert (found.terminal, found.loss, found.turns) == (None, None, None)
    first, earth, could = found.words
    assert first == "no difference between U, V and W beyond readings and natural spread"
    assert earth.startswith("earth path: V")
    assert could.startswith("no difference above")
    assert found.next_measurement.startswith("none is needed")


def test_what_is_seen_is_told_with_its_coil_its_terminal_and_its_loss():
    found = suspect(timed("rise", 0.7e-3, 1e-3, 0.7e-3))
    assert (found.statement, found.detected) == ("cannot tell", True)
    assert (found.terminal, found.hypothesis, found.turns) == ("U", None, None)
    assert found.loss.value == pytest.approx(30)
    assert found.coils == {"star": "U"}
    assert 0.9 < found.coil_probability <= 1
    assert not any(word.startswith("no difference") for word in found.words)


NAMED = Evidence(
    connection="star",
    # A phase with 15 % fewer turns: R = 0.85, L = 0.85² and M = 0.85 of a sound one's, w = 0.6
    # (machine theory): pairs of 1.85 Ω and 0.85² + 1 + 0.85·0.6 of L, against 2 Ω and 2.6.
    resistance=by_pair(1.85, 2.0, 1.85),
    inductance=by_pair(
        *(
            InductanceReading(henries=0.01 * h, ohms=r + 1.0 * h, hertz=1000)
            for r, h in ((1.85, 2.2325), (2.0, 2.6), (1.85, 2.2325))
        )
    ),
)


def test_what_is_named_comes_with_its_size():
    found = suspect(replace(NAMED, rotor="out"))
    assert (found.statement, found.hypothesis) == ("named", FEWER_TURNS)
    assert found.words[0] == "fewer turns in one coil: U"
    assert found.turns.value == pytest.approx(15, abs=1.5)
    # 1 − 2.2325/2.6 (computed)
    assert found.loss.value == pytest.approx(14.13, abs=0.01)
    assert found.next_measurement.startswith("confirm it")
    # What is named is what the reasons are about.
    assert [one.split(",")[0] for one in found.speaks_for] == ["resistance", "inductance", "loss"]
    assert found.speaks_against == ()
    assert found.apart >= 1.5
    assert found.candidates[0].probability >= 0.99


def test_reasons_are_about_the_first_candidate():
    """A clip that adds 15 % to one pair of the resistances, and nothing in the inductances."""
    odd = Evidence(
        connection="star",
        resistance=by_pair(2.0, 2.3, 2.0),
        inductance=bridge(0.02, 0.02, 0.02),
        rotor="out",
    )
    found = suspect(odd)
    assert found.candidates[0].hypothesis == BAD_READING
    assert found.candidates[0].places == {"star": "V-W"}
    assert len(found.speaks_for) == 3
    assert found.speaks_against == ()


def test_without_resistances_nothing_speaks_against_the_rotor():
    found = suspect(timed("rise", 0.7e-3, 1e-3, 0.7e-3, rotor="in"))
    assert found.words[0].startswith("rotor or turns")
    assert found.statement == "cannot tell"


def test_with_the_rotor_out_inductance_may_speak_alone():
    low = Evidence(
        connection="star",
        resistance=by_pair(2.0, 2.01, 2.0),
        inductance=bridge(0.015, 0.02, 0.02),
        rotor="out",
    )
    assert not suspect(low).words[0].startswith("rotor or turns")


@pytest.mark.parametrize("rotor", ["in", "unknown"])
def test_what_resistances_alone_show_is_held_against_their_own_limit(rotor):
    """χ²(2) at 0.9998 is 17.03: two contrasts of (0.0075/2)² by nature and 2⁻⁹·⁵² by noise.

    Two like pairs of a star: the contrast lies √⅔ of the logarithm off; of sound phases' halves
    each pair shows, half the spread is left in every contrast (computed).
    """
    limit = math.sqrt(-2 * math.log(2e-4) * ((0.0075 / 2) ** 2 + 2**-19))
    for times, told in ((0.97, True), (1.03, False)):
        ratio = math.exp(-times * limit * math.sqrt(3 / 2))
        known = Evidence(
            connection="star",
            resistance=by_pair(2.0 * ratio, 2.0, 2.0),
            inductance=bridge(0.015, 0.02, 0.02),
            rotor=rotor,
        )
        assert suspect(known).words[0].startswith("rotor or turns") is told


@pytest.mark.parametrize(
    ("rotor", "short", "said"),
    [
        ("in", 0.8e-3, True),
        ("unknown", 0.8e-3, True),
        ("out", 0.8e-3, False),
        ("in", 0.999e-3, False),  # no more than sound phases differ by
    ],
)
def test_a_difference_beyond_natural_spread_may_be_the_rotors_unless_that_is_out(
    rotor, short, said
):
    word = "rotor or winding: pulse times at one position of the rotor cannot tell"
    star = Evidence(pulse=by_pair(short, 1e-3, 1e-3), rotor=rotor)
    assert pulse_words(star)[2:] == (word,) * said
    assert (word in terminal_only(star, ()).words) is said
