"""The simulated winding against formulae it is not built from."""

import math

import numpy as np
import pytest

from simulators.pulse import Circuit, PulseInstrument
from simulators.winding import PAIRS, Insulation, Rotor, Winding, with_natural_spread
from simulators.winding_faults import (
    DampInsulation,
    EarthFault,
    FewerTurns,
    HighJoint,
    OpenPath,
    OpenPhase,
    PhaseToPhase,
    ReversedGroup,
    ShortedTurns,
)


def resistances(winding, pairs=PAIRS):
    return [winding.resistance(pair) for pair in pairs]


def inductances(winding, hertz=1000.0):
    return [winding.inductance(pair, hertz)[0] for pair in PAIRS]


@pytest.mark.parametrize("paths", [1, 2, 4])
def test_resistance_of_healthy_connections(paths):
    """Coil 1, star pair 2, delta pair 2/3 (network algebra)."""
    assert resistances(Winding(paths=paths)) == pytest.approx([2, 2, 2])
    assert resistances(Winding(paths=paths, connection="delta")) == pytest.approx([2 / 3] * 3)
    both = resistances(Winding(paths=paths, connection="open"), ("U1-U2", "V1-V2"))
    assert both == pytest.approx([1, 1])
    assert Winding(connection="open").resistance("U1-V1") == math.inf


def test_resistance_follows_temperature():
    """Factor 25 → 75 °C for k 234.5: 1.192678 (computed)."""
    cold, hot = (Winding(celsius=celsius).resistance("U-V") for celsius in (25, 75))
    assert hot / cold == pytest.approx(1.192678, abs=1e-6)


@pytest.mark.parametrize("paths", [1, 2])
@pytest.mark.parametrize("share", [0.0, 0.6, 1.0])
def test_pair_inductance_of_coupled_phases(share, paths):
    """Star: L_UV = 2L − 2M with M = −w/2 · L; ideal distributed winding 3L (machine theory)."""
    winding = Winding(henries=10e-3, main_share=share, loss_tangent=0, paths=paths)
    if share < 1:
        assert inductances(winding) == pytest.approx([20e-3 * (1 + share / 2)] * 3, rel=1e-6)
    else:
        # Without any leakage the coils are one flux: a thousandth keeps the algebra regular.
        winding = Winding(henries=10e-3, main_share=0.999, loss_tangent=0, paths=paths)
        assert inductances(winding) == pytest.approx([30e-3] * 3, rel=1e-3)


def test_delta_pair_inductance():
    """Delta of uncoupled coils: 2/3 of one (network algebra)."""
    winding = Winding(connection="delta", main_share=0, loss_tangent=0, ohms=1e-6)
    assert inductances(winding) == pytest.approx([10e-3 * 2 / 3] * 3, rel=1e-6)


@pytest.mark.parametrize("angle", [0.0, 20.0, 77.0])
def test_salient_rotor(angle):
    """L_LL = (Ld + Lq) + (Lq − Ld)·cos 2θ', the mean of the pairs the same at any angle."""
    rotor = Rotor(electrical_degrees=angle, iron=1, saliency=0.2)
    winding = Winding(rotor=rotor, loss_tangent=0, main_share=0.6)
    main = 1.5 * 0.6 * 10e-3
    ld, lq = 4e-3 + main * 0.8, 4e-3 + main * 1.2
    # Pair U-V has its axis at −30° of phase U's: the difference of two axes 120° apart.
    expected = [
        (ld + lq) - (lq - ld) * math.cos(2 * math.radians(angle - axis)) for axis in (-30, 90, 210)
    ]
    found = inductances(winding)
    assert found == pytest.approx(expected, rel=1e-6)
    assert np.mean(found) == pytest.approx(ld + lq, rel=1e-9)


def test_cage_rotor_lowers_inductance_and_adds_loss():
    plain = Winding(rotor=Rotor(), loss_tangent=0)
    caged = Winding(rotor=Rotor(cage=0.9), loss_tangent=0)
    assert caged.inductance("U-V", 1000)[0] < 0.8 * plain.inductance("U-V", 1000)[0]
    assert caged.inductance("U-V", 1000)[1] > plain.inductance("U-V", 1000)[1]
    assert resistances(caged) == pytest.approx(resistances(plain))


@pytest.mark.parametrize("exponent", [1.6, 2.0, 2.4])
def test_fewer_turns(exponent):
    """Resistance falls with the share of turns, inductance of the phase with a power of it."""
    share = 0.02
    winding = Winding(
        faults=(FewerTurns(phase="V", share=share),), turns_exponent=exponent, main_share=0
    )
    assert resistances(winding) == pytest.approx([2 - share, 2 - share, 2])
    uv, vw, wu = inductances(winding)
    lost = 1 - 2 * uv / wu + 1
    assert uv == pytest.approx(vw)
    assert lost == pytest.approx(1 - (1 - share) ** exponent, rel=0.06)


def test_shorted_turns_of_negligible_resistance():
    """Two coupled coils: L' = L1 − M²/L2, the textbook transformer with its secondary shorted."""
    fault = ShortedTurns(phase="U", turns=30, contact_ohms=1e-9, coupling=0.6)
    winding = Winding(ohms=1e-6, groups=1, turns=120, main_share=0, faults=(fault,), loss_tangent=0)
    rest, short = 10e-3 * 0.75**2, 10e-3 * 0.25**2
    mutual = 0.6 * math.sqrt(rest * short)
    expected = 10e-3 + rest - mutual**2 / short
    assert winding.inductance("U-V", 1000)[0] == pytest.approx(expected, rel=1e-4)


def test_shorted_turns_keep_most_of_the_resistance():
    winding = Winding(faults=(ShortedTurns(phase="U", turns=2, contact_ohms=0.0001),))
    healthy = Winding()
    uv, vw, wu = resistances(winding)
    assert 2 - 2 / 120 < uv < 2 - 1.9 / 120
    assert (vw, wu) == pytest.approx((2, uv))
    assert winding.inductance("U-V", 1000)[0] < 0.97 * healthy.inductance("U-V", 1000)[0]
    assert winding.inductance("U-V", 1000)[1] > 1.2 * healthy.inductance("U-V", 1000)[1]


def test_high_joint_leaves_inductance_alone():
    winding = Winding(faults=(HighJoint(phase="W", ohms=0.1),))
    assert resistances(winding) == pytest.approx([2, 2.1, 2.1])
    assert inductances(winding) == pytest.approx(inductances(Winding()))


def test_open_phase():
    star = resistances(Winding(faults=(OpenPhase(phase="U"),)))
    assert star == [math.inf, pytest.approx(2), math.inf]
    delta = resistances(Winding(connection="delta", faults=(OpenPhase(phase="U"),)))
    assert delta == pytest.approx([2, 1, 1])


def test_open_parallel_path():
    """A phase of four paths with one open reads 4/3 (computed)."""
    winding = Winding(paths=4, groups=1, faults=(OpenPath(phase="W"),))
    assert resistances(winding) == pytest.approx([2, 7 / 3, 7 / 3])


def test_reversed_group_changes_inductance_only():
    winding = Winding(faults=(ReversedGroup(phase="U"),))
    assert resistances(winding) == pytest.approx([2, 2, 2])
    uv, vw, wu = inductances(winding)
    assert uv == pytest.approx(wu)
    assert uv < 0.8 * vw


def test_phase_to_phase_contact():
    """Star of four coils a phase, dead contact after the first: U-V is two quarters."""
    winding = Winding(faults=(PhaseToPhase(first="U", second="V", ohms=1e-9),))
    uv, vw, wu = resistances(winding)
    assert uv == pytest.approx(0.5)
    assert vw == pytest.approx(wu) == pytest.approx(1 + 0.25 + 0.375)


def test_an_earth_fault_alone_changes_no_pair():
    sound, faulty = Winding(), Winding(faults=(EarthFault(phase="U", ohms=100),))
    assert resistances(faulty) == pytest.approx(resistances(sound))
    assert inductances(faulty) == pytest.approx(inductances(sound))
    assert faulty.insulation_ohms(60, "U") == pytest.approx(100, rel=1e-3)
    assert faulty.insulation_ohms(60, "V") == sound.insulation_ohms(60, "V")


def test_insulation_over_time_and_temperature():
    one = Insulation(leakage_ohms=3e9, absorption_ohms=1e9, exponent=0.8)
    winding = Winding(insulation=one, celsius=40)
    expected = 1 / (1 / 3e9 + 1e-9 * 10**-0.8)
    assert winding.insulation_ohms(600, "U") == pytest.approx(expected)
    assert winding.insulation_ohms(600) == pytest.approx(expected / 3)
    cool = Winding(insulation=one, celsius=20)
    assert cool.insulation_ohms(60) == pytest.approx(4 * winding.insulation_ohms(60))


def test_damp_insulation_loses_resistance_and_index():
    dry, damp = Winding(), Winding(faults=(DampInsulation(),))
    assert damp.insulation_ohms(60) < dry.insulation_ohms(60) / 5
    index = [w.insulation_ohms(600) / w.insulation_ohms(60) for w in (dry, damp)]
    assert index[1] < index[0] / 1.5


@pytest.mark.parametrize("connection", ["star", "delta"])
@pytest.mark.parametrize("faults", [(), (ShortedTurns(phase="V", turns=3),)])
def test_pairs_are_reciprocal(connection, faults):
    """A linear floating network reads the same with its leads swapped."""
    winding = Winding(connection=connection, faults=faults)
    there, back = winding.impedance("U-V", 1000), winding.impedance("V-U", 1000)
    assert there == pytest.approx(back)
    for law in ("period", "time-constant", "rise"):
        tester = PulseInstrument(law=law)
        assert tester.seconds(winding, "U-V") == pytest.approx(tester.seconds(winding, "V-U"))


def plain(**changed):
    return Winding(loss_tangent=0, pair_farads=0, **changed)


def test_period_of_a_series_circuit():
    """Damped period 2π/√(1/LC − (R/2L)²) (textbook)."""
    winding = plain(ohms=10.0)
    tester = PulseInstrument(law="period", farads=100e-9, ohms=20.0)
    henries, ohms = 20e-3 * 1.3, 40.0
    omega = math.sqrt(1 / (henries * 100e-9) - (ohms / (2 * henries)) ** 2)
    assert tester.seconds(winding, "U-V") == pytest.approx(2 * math.pi / omega, rel=1e-6)


def test_time_constant_of_a_series_circuit():
    """τ = L/R (textbook)."""
    tester = PulseInstrument(law="time-constant", ohms=0.5)
    assert tester.seconds(plain(), "U-V") == pytest.approx(20e-3 * 1.3 / 2.5, rel=1e-6)


def test_rise_of_a_series_circuit():
    """t = τ·ln(1/(1 − iR/V)) (textbook), near iL/V for a small current."""
    tester = PulseInstrument(law="rise", ohms=0.5, amperes_per_volt=0.02)
    tau = 20e-3 * 1.3 / 2.5
    expected = -tau * math.log(1 - 0.02 * 2.5)
    assert tester.seconds(plain(), "U-V") == pytest.approx(expected, rel=1e-6)
    assert expected == pytest.approx(0.02 * 26e-3, rel=0.03)


@pytest.mark.parametrize(("law", "power"), [("period", 0.5), ("time-constant", 1), ("rise", 1)])
def test_laws(law, power):
    tester = PulseInstrument(law=law)
    one, two = (tester.seconds(plain(henries=h), "U-V") for h in (10e-3, 11e-3))
    assert two / one == pytest.approx(1.1**power, rel=1e-3)


@pytest.mark.parametrize("law", ["period", "time-constant"])
def test_wave_against_runge_kutta(law):
    """The same equation stepped by the classical fourth-order method."""
    winding = Winding(connection="delta", faults=(ShortedTurns(phase="U", turns=4),))
    circuit = Circuit(winding, "W-U", PulseInstrument(law=law))
    seconds = 1e-3
    steps = 20_000
    h = seconds / steps
    x = circuit.state.copy()

    def slope(y):
        return circuit.matrix @ y + circuit.forcing

    for _ in range(steps):
        a = slope(x)
        b = slope(x + h / 2 * a)
        c = slope(x + h / 2 * b)
        d = slope(x + h * c)
        x = x + h / 6 * (a + 2 * b + 2 * c + d)
    _, wave = circuit.wave(seconds)
    assert wave[-1] == pytest.approx(circuit.output @ x, rel=1e-5, abs=1e-8)


def test_shorted_turns_make_the_ring_quicker_and_shorter():
    tester = PulseInstrument()
    sound, short = Winding(), Winding(faults=(ShortedTurns(phase="U", turns=3),))
    assert tester.seconds(short, "U-V") < 0.99 * tester.seconds(sound, "U-V")
    peaks = [
        np.abs(Circuit(winding, "U-V", tester).wave(2e-3)[1][3000:]).max()
        for winding in (sound, short)
    ]
    assert peaks[1] < peaks[0]


def test_open_pair_shows_no_time():
    winding = Winding(faults=(OpenPhase(phase="U"),))
    assert PulseInstrument().seconds(winding, "U-V") == math.inf
    assert PulseInstrument().seconds(winding, "V-W") < 1e-3
    damped = PulseInstrument(law="period", ohms=1e5)
    assert damped.seconds(Winding(), "U-V") == math.inf
    never = PulseInstrument(law="rise", amperes_per_volt=10)
    assert never.seconds(Winding(), "U-V") == math.inf


def test_sound_windings_differ_from_coil_to_coil():
    rng = np.random.default_rng(4)
    phases = np.array([with_natural_spread(Winding(), rng).ohm_factors for _ in range(2000)])
    assert phases.std() == pytest.approx(0.0075, rel=0.05)
    one = with_natural_spread(Winding(), rng)
    assert len(set(resistances(one))) == 3
    assert len(set(inductances(one))) == 3


def test_a_coil_cannot_lose_more_than_it_has():
    with pytest.raises(ValueError, match="no turns left"):
        Winding(faults=(FewerTurns(phase="U", share=0.25),)).resistance("U-V")
