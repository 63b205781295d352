"""What `suspect` says of simulated windings that are read without noise, and of impossible sets.

One file, since each fault is told from the others by the same reading of the same windings.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from capture.winding import (
    Bounded,
    Evidence,
    ImpossibleSetError,
    InductanceReading,
    Measured,
    MissingReadingError,
    MixedConditionsError,
    NotPositiveError,
    OutsideRangeError,
    Spread,
    UnknownChoiceError,
    series_parallel,
    suspect,
)
from capture.winding.hypotheses import (
    BAD_READING,
    BALANCED,
    FEWER_TURNS,
    HIGH_JOINT,
    OPEN_PATH,
    OPEN_PHASE,
    PHASE_TO_PHASE,
    REVERSED,
    ROTOR,
    SHORTED_TURNS,
)
from simulators.pulse import PulseInstrument
from simulators.winding import PAIRS, Rotor, Winding
from simulators.winding_faults import (
    EarthFault,
    FewerTurns,
    HighJoint,
    OpenPath,
    OpenPhase,
    PhaseToPhase,
    ReversedGroup,
    ShortedTurns,
)

HERTZ = 1000.0
ALL = ("resistance", "inductance", "pulse")


def read(winding, quantities=ALL, *, connection=None, law="period", **changed):
    """Read a winding with ideal instruments whose stated noise is that of good ones."""
    tester = PulseInstrument(law="period" if law == "unknown" else law, amperes_per_volt=0.002)
    known = {}
    if "resistance" in quantities:
        values = {pair: winding.resistance(pair) for pair in PAIRS}
        known["resistance"] = {
            pair: Measured(value=value, random=1e-3 * value, id=f"R {pair}")
            if math.isfinite(value)
            else Bounded(bound=1e6)
            for pair, value in values.items()
        }
    if "inductance" in quantities:
        known["inductance"] = {
            pair: InductanceReading(henries=henries, ohms=ohms, hertz=HERTZ)
            for pair in PAIRS
            for henries, ohms in [winding.inductance(pair, HERTZ)]
        }
    if "pulse" in quantities:
        times = {pair: tester.seconds(winding, pair) for pair in PAIRS}
        known["pulse"] = {
            pair: time if math.isfinite(time) else Bounded(bound=1.0)
            for pair, time in times.items()
        }
    return Evidence(
        connection=connection or winding.connection,
        law=law,
        source_ohms=0.5,
        **({"rotor": "out"} | known | changed),
    )


@pytest.mark.parametrize("connection", ["star", "delta"])
def test_sound_winding(connection):
    found = suspect(read(Winding(connection=connection)))
    assert (found.statement, found.hypothesis, found.detected) == ("balanced", None, False)
    assert found.signal == pytest.approx(0, abs=1e-6)
    assert found.candidates[0].hypothesis == BALANCED
    assert found.inputs == ("R U-V", "R V-W", "R W-U")


def test_a_balanced_winding_has_no_suspected_coil():
    found = suspect(read(Winding()))
    assert (found.coils, found.coil_probability, found.loss) == ({}, 0.0, None)


def test_the_only_likely_hypothesis_is_not_named_while_another_fits_nearly_as_well():
    winding = Winding(faults=(FewerTurns(phase="V", share=0.05),), turns_exponent=2.4)
    found = suspect(read(winding))
    assert found.statement == "cannot tell"
    assert found.candidates[0].hypothesis == FEWER_TURNS
    assert found.candidates[0].probability > 0.99
    assert "likeliest, but shorted turns fits nearly as well" in found.words[0]


def test_a_pass_says_what_it_could_have_seen():
    words = " ".join(suspect(read(Winding(), ("pulse",))).words)
    assert "no difference above" in words
    assert "of a coil's turns would show" in words
    assert "a weak turn that breaks down only at higher voltage would not" in words


def test_what_a_pass_could_have_seen_is_true():
    """A cut a little larger than the stated share does show, at every exponent."""
    words = " ".join(suspect(read(Winding(), ("pulse",))).words)
    share = float(words.split("a loss of about ")[1].split(" %")[0]) / 100
    for exponent in (1.6, 2.0, 2.6):
        fault = FewerTurns(phase="U", share=1.2 * share)
        winding = Winding(groups=1, faults=(fault,), turns_exponent=exponent)
        assert suspect(read(winding, ("pulse",))).detected


@pytest.mark.parametrize("connection", ["star", "delta"])
@pytest.mark.parametrize("exponent", [1.6, 2.0, 2.4])
@pytest.mark.parametrize("phase", ["U", "V", "W"])
def test_a_cut_coil_is_fewer_turns(connection, exponent, phase):
    fault = FewerTurns(phase=phase, share=0.06)
    winding = Winding(connection=connection, faults=(fault,), turns_exponent=exponent)
    found = suspect(read(winding))
    assert (found.statement, found.hypothesis) == ("named", FEWER_TURNS)
    assert found.coils == {connection: phase}
    assert found.turns.value == pytest.approx(6, abs=found.turns.uncertainty)
    assert found.turns.uncertainty < 3
    assert found.loss.value > 2


@pytest.mark.parametrize("law", ["period", "time-constant", "rise"])
def test_a_shorted_turn_with_the_rotor_out(law):
    winding = Winding(faults=(ShortedTurns(phase="W", turns=2, contact_ohms=0.01),))
    found = suspect(read(winding, law=law))
    assert (found.statement, found.hypothesis) == ("named", SHORTED_TURNS)
    assert found.coils == {"star": "W"}
    assert found.turns is None  # turns in per cent follow from resistance, for fewer turns only
    henries = [winding.inductance(pair, HERTZ)[0] for pair in PAIRS]
    assert found.loss.value == pytest.approx(100 * (1 - min(henries) / max(henries)))
    assert "share W" in " ".join(found.words)
    assert any("inductance" in reason for reason in found.speaks_for)


@pytest.mark.parametrize("quantities", [("pulse",), ("inductance",), ("inductance", "pulse")])
@pytest.mark.parametrize("state", ["in", "unknown"])
def test_rotor_in_at_one_angle_cannot_tell(quantities, state):
    rotor = Rotor(saliency=0.1, electrical_degrees=40)
    for faults in ((), (ShortedTurns(phase="U", turns=1, contact_ohms=0.05),)):
        found = suspect(read(Winding(rotor=rotor, faults=faults), quantities, rotor=state))
        assert found.statement == "cannot tell"
        assert found.words[0] == (
            "rotor or turns: cannot tell; turn the shaft or take the rotor out"
        )
        assert "turn the shaft" in found.next_measurement


def test_a_high_joint_with_the_rotor_in_still_shows_in_resistance():
    winding = Winding(rotor=Rotor(saliency=0.05), faults=(HighJoint(phase="V", ohms=0.2),))
    found = suspect(read(winding, rotor="in", parallel_paths=1))
    assert found.candidates[0].hypothesis == HIGH_JOINT
    assert found.coils["star"] == "V"


def before_a_terminal(terminal, ohms, quantities=ALL, connection="delta"):
    """Read a sound delta through a line whose lug has resistance: it adds to two pairs as it is."""
    sound = read(Winding(connection="delta"), quantities, connection=connection)

    def raised(pair, one):
        return replace(one, value=one.value + ohms) if terminal in pair.split("-") else one

    changed = {"resistance": {pair: raised(pair, one) for pair, one in sound.resistance.items()}}
    if sound.inductance:
        changed["inductance"] = {
            pair: replace(one, ohms=one.ohms + ohms) if terminal in pair.split("-") else one
            for pair, one in sound.inductance.items()
        }
    return replace(sound, **changed)


@pytest.mark.parametrize("terminal", ["U", "V", "W"])
def test_a_bad_lug_of_a_delta_is_told_by_its_terminal(terminal):
    """Up to now it was called a bad reading of the third pair, which is the only sound one."""
    small = suspect(before_a_terminal(terminal, 0.05))
    assert small.words[0] == (
        f"high-resistance joint or one bad reading: cannot tell (terminal {terminal})"
    )
    found = suspect(before_a_terminal(terminal, 0.3))
    assert (found.statement, found.hypothesis) == ("named", HIGH_JOINT)
    assert found.words[0] == f"high-resistance joint: terminal {terminal}"
    assert f"share {terminal}" in found.words[1]
    assert found.coils == {}


def test_resistances_alone_do_not_tell_a_lug_from_turns():
    """Two pairs high, or one low: the same to an ohmmeter, so no coil is blamed alone."""
    found = suspect(before_a_terminal("U", 0.05, ("resistance",)))
    assert found.statement == "cannot tell"
    assert found.words[0].endswith("cannot tell (coil V, or terminal U)")
    (joint,) = [each for each in found.candidates if each.hypothesis == HIGH_JOINT]
    assert joint.places == {"delta": "terminal U"}
    assert joint.probability > 0.1
    assert "bridge" in found.next_measurement


def test_a_high_joint_inside_a_delta_stays_one_of_its_coil():
    winding = Winding(connection="delta", faults=(HighJoint(phase="V", ohms=0.2),))
    found = suspect(read(winding, parallel_paths=1))
    assert found.candidates[0].hypothesis == HIGH_JOINT
    assert found.candidates[0].places == {"delta": "V"}
    assert found.coils == {"delta": "V"}


def test_of_an_unknown_connection_both_places_are_said():
    found = suspect(before_a_terminal("U", 0.3, connection="unknown"))
    assert found.candidates[0].hypothesis == HIGH_JOINT
    assert found.candidates[0].places == {"star": "U", "delta": "terminal U"}


@pytest.mark.parametrize(
    ("fault", "hypothesis", "place"),
    [
        (PhaseToPhase(first="V", second="W", ohms=0.05), PHASE_TO_PHASE, "V-W"),
        (ReversedGroup(phase="V"), REVERSED, "V"),
    ],
)
def test_other_faults_lead_the_list(fault, hypothesis, place):
    found = suspect(read(Winding(faults=(fault,))))
    assert found.candidates[0].hypothesis == hypothesis
    assert found.candidates[0].places["star"] == place


def test_open_parallel_path():
    winding = Winding(paths=3, groups=2, faults=(OpenPath(phase="U"),))
    found = suspect(read(winding, parallel_paths=3))
    assert found.candidates[0].hypothesis == OPEN_PATH
    assert found.coils["star"] == "U"
    single = suspect(read(winding, parallel_paths=1))
    assert OPEN_PATH not in [one.hypothesis for one in single.candidates]


def test_open_star_phase():
    found = suspect(read(Winding(faults=(OpenPhase(phase="V"),)), ("resistance",)))
    assert (found.statement, found.hypothesis) == ("named", OPEN_PHASE)
    assert found.coils == {"star": "V"}


def test_open_delta_coil():
    winding = Winding(connection="delta", faults=(OpenPhase(phase="V"),))
    found = suspect(read(winding))
    assert (found.statement, found.hypothesis) == ("named", OPEN_PHASE)
    assert found.coils == {"delta": "V"}


def test_six_ends_open():
    ends = dict(zip(("U1-U2", "V1-V2", "W1-W2"), (1.0, Bounded(bound=1e6), 1.0), strict=True))
    found = suspect(Evidence(connection="open", resistance=ends, rotor="out"))
    assert found.coils == {"open": "V"}
    ends["V1-V2"] = 1.1
    found = suspect(Evidence(connection="open", resistance=ends, rotor="out"))
    assert found.coils == {"open": "V"}
    assert found.terminal is None


def test_a_spoiled_reading():
    evidence = read(Winding())
    wrong = dict(evidence.resistance)
    wrong["V-W"] = Measured(value=2.3, random=2e-3)
    found = suspect(replace(evidence, resistance=wrong))
    assert found.candidates[0].hypothesis == BAD_READING
    assert found.candidates[0].places["star"] == "V-W"
    again = suspect(replace(evidence, resistance=wrong, repeated=True))
    one, other = (
        next(c.probability for c in answer.candidates if c.hypothesis == BAD_READING)
        for answer in (found, again)
    )
    assert other <= one


def test_unknown_connection_gives_both_readings():
    found = suspect(
        read(Winding(faults=(FewerTurns(phase="U", share=0.06),)), connection="unknown")
    )
    assert found.coils["star"] == "U"
    assert set(found.coils) == {"star", "delta"}


def test_unknown_law_gives_deviation_and_terminal_only():
    winding = Winding(faults=(ShortedTurns(phase="U", turns=3, contact_ohms=1e-3),))
    found = suspect(read(winding, ("pulse",), law="unknown"))
    assert (found.statement, found.hypothesis, found.candidates) == ("cannot tell", None, ())
    assert (found.loss, found.turns) == (None, None)
    assert found.terminal == "U"
    assert "the two low pairs, U-V and W-U, share U" in found.words
    assert "law" in found.next_measurement
    assert suspect(read(Winding(), ("pulse",), law="unknown")).statement == "balanced"


@pytest.mark.parametrize("rotor", ["in", "unknown", "out"])
def test_pulse_times_of_an_unknown_law_may_be_the_rotors(rotor):
    """The rotor moves the inductance, and so the time, of a pair by whatever law."""
    words = "rotor or winding: pulse times at one position of the rotor cannot tell"
    winding = Winding(rotor=Rotor(saliency=0.1, electrical_degrees=40))
    alone = suspect(read(winding, ("pulse",), law="unknown", rotor=rotor))
    assert alone.statement == "cannot tell"
    assert (words in alone.words) is (rotor != "out")
    beside = suspect(read(winding, ("resistance", "pulse"), law="unknown", rotor=rotor))
    assert any(word.startswith("pulse times deviate") for word in beside.words)
    assert (words in beside.words) is (rotor != "out")
    for quantities in (("pulse",), ("resistance", "pulse")):
        even = suspect(read(Winding(), quantities, law="unknown", rotor=rotor))
        assert words not in even.words


def test_unknown_law_beside_other_evidence_is_told_but_not_weighed():
    winding = Winding(faults=(FewerTurns(phase="U", share=0.06),))
    both = suspect(read(winding, law="unknown"))
    without = suspect(read(winding, ("resistance", "inductance")))
    assert both.candidates == without.candidates
    assert any("pulse times deviate" in word for word in both.words)


def test_an_earth_path_comes_from_insulation_only():
    winding = Winding(faults=(EarthFault(phase="W", ohms=50e3),))
    insulation = {phase: winding.insulation_ohms(60, phase) for phase in "UVW"}
    found = suspect(read(winding, insulation=insulation))
    assert found.statement == "balanced"
    assert any(word.startswith("earth path: W") for word in found.words)
    assert not any("earth" in word for word in suspect(read(winding)).words)
    even = dict.fromkeys("UVW", 1e9)
    assert not any("earth" in word for word in suspect(read(winding, insulation=even)).words)


def test_two_faults_at_once_are_not_named_as_one_of_another_kind():
    winding = Winding(faults=(FewerTurns(phase="U", share=0.06), HighJoint(phase="V", ohms=0.15)))
    found = suspect(read(winding))
    assert found.statement in ("cannot tell", "no single cause")
    assert found.detected


def test_two_low_pairs_are_named_never_the_odd_one():
    winding = Winding(faults=(FewerTurns(phase="V", share=0.15),))
    words = " ".join(suspect(read(winding, ("pulse",))).words)
    assert "the two low pairs U-V and V-W share V" in words


FAULTS = (
    (),
    (FewerTurns(phase="U", share=0.02),),
    (ShortedTurns(phase="U", turns=1),),
    (HighJoint(phase="U", ohms=0.05),),
    (ReversedGroup(phase="U"),),
    (PhaseToPhase(first="U", second="V", ohms=1.0),),
    (OpenPhase(phase="U"),),
)
FORBIDDEN = ("higher voltage", "raise", "increase", "more voltage", "safe", "dead", "healthy")


@pytest.mark.parametrize("faults", FAULTS)
@pytest.mark.parametrize("quantities", [("pulse",), ("resistance",), ALL])
@pytest.mark.parametrize("connection", ["star", "unknown"])
def test_the_next_measurement_never_asks_for_voltage(faults, quantities, connection):
    found = suspect(read(Winding(faults=faults), quantities, connection=connection))
    assert found.next_measurement
    assert not any(word in found.next_measurement for word in FORBIDDEN)


def test_the_next_measurement_is_the_one_that_separates():
    """Fewer turns and shorted turns look alike to a pulse; resistance or the bridge tells."""
    winding = Winding(faults=(ShortedTurns(phase="U", turns=3, contact_ohms=1e-3),))
    found = suspect(read(winding, ("pulse",), repeated=True))
    assert found.statement == "cannot tell"
    assert "resistance" in found.next_measurement


def test_a_common_gain_error_changes_nothing():
    evidence = read(Winding(faults=(HighJoint(phase="U", ohms=0.1),)))
    scaled = {
        pair: replace(one, value=1.03 * one.value, random=1.03 * one.random)
        for pair, one in evidence.resistance.items()
    }
    pulse = {pair: 0.9 * value for pair, value in evidence.pulse.items()}
    one, other = suspect(evidence), suspect(replace(evidence, resistance=scaled, pulse=pulse))
    assert other.signal == pytest.approx(one.signal, rel=1e-9)


def test_the_model_of_the_bridge_does_not_matter():
    evidence = read(Winding(faults=(ShortedTurns(phase="U", turns=1),)))
    parallel = {}
    for pair, one in evidence.inductance.items():
        both = series_parallel(one.henries, one.ohms, one.hertz, "series")
        parallel[pair] = InductanceReading(
            henries=both.parallel_henries.value,
            ohms=both.parallel_ohms.value,
            hertz=one.hertz,
            model="parallel",
        )
    again = suspect(replace(evidence, inductance=parallel))
    assert again.signal == pytest.approx(suspect(evidence).signal, rel=1e-6)


@pytest.mark.parametrize("spread", [Spread(resistance=0.03, inductance=0.06)])
def test_a_wider_natural_spread_is_slower_to_suspect(spread):
    evidence = read(Winding(faults=(FewerTurns(phase="U", share=0.06),)))
    assert suspect(replace(evidence, spread=spread)).signal < suspect(evidence).signal / 2


def test_impossible_sets_are_named():
    evidence = read(Winding())
    good = dict(evidence.resistance)
    with pytest.raises(MissingReadingError, match="resistance of V-W"):
        suspect(replace(evidence, resistance={k: v for k, v in good.items() if k != "V-W"}))
    with pytest.raises(NotPositiveError, match="resistance of W-U"):
        suspect(replace(evidence, resistance=good | {"W-U": -1.0}))
    with pytest.raises(ImpossibleSetError, match=r"V-W .*unit prefix"):
        suspect(replace(evidence, resistance=good | {"V-W": 2e6}))
    with pytest.raises(UnknownChoiceError, match="U-W"):
        suspect(replace(evidence, resistance=good | {"U-W": 1.0}))
    with pytest.raises(UnknownChoiceError, match="law"):
        suspect(replace(evidence, law="frequency"))
    with pytest.raises(OutsideRangeError, match="spread of loss"):
        suspect(replace(evidence, spread=Spread(loss=0)))
    with pytest.raises(MissingReadingError):
        suspect(Evidence())


def test_mixed_conditions_are_named():
    evidence = read(Winding())
    mixed = dict(evidence.inductance)
    mixed["V-W"] = replace(mixed["V-W"], hertz=120.0)
    with pytest.raises(MixedConditionsError, match=r"V-W .*hertz 120"):
        suspect(replace(evidence, inductance=mixed))
    inside = {pair: replace(one, rotor="in") for pair, one in evidence.inductance.items()}
    with pytest.raises(MixedConditionsError, match="rotor in"):
        suspect(replace(evidence, inductance=inside))


def test_signal_is_the_distance_in_expanded_uncertainties():
    """The second way: the covariance of star pairs written out by hand."""
    spread, noise, shift = 0.0075, 1e-3, 0.05
    winding = Winding(faults=(HighJoint(phase="U", ohms=shift),))
    found = suspect(read(winding, ("resistance",)))
    half = np.array([[1, 1, 0], [0, 1, 1], [1, 0, 1]]) / 2
    rounded = 2 ** (math.ceil(2 * math.log2(noise)) / 2)
    covariance = half @ half.T * spread**2 + np.eye(3) * rounded**2
    logs = np.log([1 + shift / 2, 1, 1 + shift / 2])
    project = np.eye(3) - 1 / 3
    inverse = np.linalg.pinv(project @ covariance @ project)
    distance = math.sqrt(logs @ project @ inverse @ project @ logs)
    assert found.signal == pytest.approx(distance / 2, rel=1e-3)


def test_rotor_is_no_candidate_when_it_is_out():
    names = [one.hypothesis for one in suspect(read(Winding())).candidates]
    assert ROTOR not in names
