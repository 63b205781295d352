"""The judge's lumped model and its likelihoods against network algebra and covariances by hand."""

import math
from dataclasses import replace

import numpy as np
import pytest

from capture.winding import Evidence, InductanceReading, Spread
from capture.winding.evidence import Contrasts, contrasts
from capture.winding.forward import SOUND_OHMS, Phases, Scene, pair_logs, phase_resistive
from capture.winding.hypotheses import PRIOR
from capture.winding.likelihood import (
    Setting,
    covariance_of,
    fit,
    natural_covariance,
    rotor_covariance,
    scene_of,
    setting_of,
    signal,
    table_of,
)

PAIRS = ("U-V", "V-W", "W-U")
ALL = ("resistance", "inductance", "loss", "pulse")
SCENE = Scene(connection="star", law="period", resistive=0.02, lossy=0.01, source_share=0.25)


def read(phases, quantities, **changed):
    return np.exp(pair_logs(phases, replace(SCENE, **changed), quantities))[0]


# ── pairs of phases ──────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("connection", "ohms"), [("star", 2), ("delta", 2 / 3), ("open", 1)])
def test_sound_pairs(connection, ohms):
    """Two phases in a row, one beside two, one (network algebra), in R and, uncoupled, in L."""
    assert SOUND_OHMS[connection] == pytest.approx(ohms)
    found = read(Phases.sound(1, 0.0), ("resistance", "inductance"), connection=connection)
    assert found == pytest.approx(np.full((2, 3), ohms), rel=2e-3)


def test_uneven_pairs_in_order():
    """Phases of 1, 2 and 4 Ω: star sums; delta coil U between U and V: 1·6/7, 2·5/7, 4·3/7 (computed)."""
    phases = Phases.sound(1, 0.0)
    phases.ohms[0] = [1, 2, 4]
    star, delta, ends = (
        read(phases, ("resistance",), connection=c)[0] for c in ("star", "delta", "open")
    )
    assert star == pytest.approx([3, 6, 5])
    assert delta == pytest.approx([6 / 7, 10 / 7, 12 / 7])
    assert ends == pytest.approx([1, 2, 4])


@pytest.mark.parametrize("share", [0.0, 0.6, 0.9])
def test_coupled_phases_of_a_star(share):
    """L_UV = 2L − 2M with M = −½ of the main share of L (machine theory)."""
    found = read(Phases.sound(1, share), ("inductance",))
    assert found[0] == pytest.approx([2 * (1 + share / 2)] * 3)


def test_what_the_bridge_sees_besides_inductance():
    """Rs/(ωL) of a pair is R/(ωL) and the loss's share: 0.02 + 0.01, of 2.6 (computed)."""
    found = read(Phases.sound(1, 0.6), ("inductance", "loss"))
    assert found[1] / found[0] == pytest.approx([0.03] * 3)
    assert phase_resistive(SCENE) == pytest.approx(0.02 * 1.3)
    assert phase_resistive(replace(SCENE, connection="open")) == pytest.approx(0.02)


def test_a_loop_adds_its_loss_and_its_inductance():
    phases = Phases.sound(1, 0.0)
    phases.loop[0, 1] = 0.1 - 0.2j
    found = read(phases, ("inductance", "loss"), resistive=0.0)
    assert found == pytest.approx(np.array([[1.8, 1.8, 2.0], [0.12, 0.12, 0.02]]))


def test_laws_of_pulse_times():
    """√L, L, and L/R with the source in the way: 2/(2 + 0.25·2) (textbook)."""
    phases = Phases.sound(1, 0.0)
    assert read(phases, ("pulse",), law="period")[0] == pytest.approx([2**0.5] * 3)
    assert read(phases, ("pulse",), law="rise")[0] == pytest.approx([2] * 3)
    assert read(phases, ("pulse",), law="time-constant")[0] == pytest.approx([2 / 2.5] * 3)
    # The pulse has an inductance of its own, seen by nothing else.
    phases.pulse[0] *= 0.81
    assert read(phases, ("pulse",))[0] == pytest.approx([0.9 * 2**0.5] * 3)
    assert read(phases, ("inductance",))[0] == pytest.approx([2] * 3)


# ── settings ─────────────────────────────────────────────────────────────────────────────────


def bridge(henry):
    return {pair: InductanceReading(henries=henry, ohms=3.0, hertz=1000) for pair in PAIRS}


def known(**changed):
    options = {
        "resistance": dict.fromkeys(PAIRS, 2.0),
        "inductance": bridge(100 / (2 * math.pi * 1000)),
        "pulse": dict.fromkeys(PAIRS, 1e-3),
        "source_ohms": 0.5,
        "law": "rise",
        "rotor": "out",
    }
    return Evidence(**(options | changed))


def setting(connection="star", **changed):
    evidence = known(**changed)
    return setting_of(evidence, contrasts(evidence), connection)


def test_a_setting_is_what_the_evidence_says():
    found = setting(repeated=True, parallel_paths=2, spread=Spread(loss=0.1))
    assert (found.connection, found.quantities, found.law) == ("star", ALL, "rise")
    assert (found.repeated, found.paths, found.spread.loss) == (True, 2, 0.1)
    assert setting(law="unknown").law == "period"
    scene = scene_of(found)
    assert (scene.connection, scene.law) == ("star", "rise")
    assert (scene.resistive, scene.lossy, scene.source_share) == (
        found.resistive,
        found.lossy,
        found.source_share,
    )


@pytest.mark.parametrize(
    ("changed", "inside"),
    [
        ({}, False),
        ({"rotor": "in"}, True),
        ({"rotor": "unknown"}, True),
        ({"rotor": "in", "inductance": {}}, True),
        ({"rotor": "in", "pulse": {}}, True),
        ({"rotor": "in", "inductance": {}, "pulse": {}}, False),
    ],
)
def test_a_rotor_counts_where_something_sees_it(changed, inside):
    assert setting(**changed).rotor_in is inside


def test_noise_is_rounded_up_to_half_octaves():
    """The largest of the three; 2⁻⁹ stays, a little more becomes 2⁻⁸·⁵ (computed)."""
    for noise, rounded in ((2**-9, 2**-9), (1.01 * 2**-9, 2**-8.5), (2**-8.5, 2**-8.5)):
        evidence = Evidence(pulse=dict.fromkeys(PAIRS, 1.0), law="rise")
        plain = contrasts(evidence)
        seen = replace(plain, noise=np.array([[noise, noise / 3, noise / 3]]))
        assert setting_of(evidence, seen, "star").noise == pytest.approx((rounded,))


def test_shares_are_rounded_to_a_fifth_of_a_natural_logarithm():
    """So that windings alike share a table: 0.02 → e^−4, off by a tenth of a logarithm at most."""
    found = setting()
    assert found.resistive == pytest.approx(math.exp(-4.0))
    for one, exact in ((found.resistive, 0.02), (found.lossy, 0.01)):
        assert abs(math.log(one / exact)) <= 0.1 + 1e-12
        assert math.log(one) / 0.2 == pytest.approx(round(math.log(one) / 0.2))


def test_only_a_time_constant_depends_on_the_source():
    assert setting(source_ohms=0.5).source_share == setting(source_ohms=5.0).source_share
    low, high = (setting(law="time-constant", source_ohms=o).source_share for o in (0.5, 5.0))
    assert low == pytest.approx(0.25, rel=0.11)
    assert high == pytest.approx(2.5, rel=0.11)
    # A source without resistance has a thousandth of the pair's, rounded: e^−7.
    none = setting(law="time-constant", source_ohms=0.0).source_share
    assert none == pytest.approx(math.exp(-7.0))
    unknown = setting(law="time-constant", source_ohms=None).source_share
    assert unknown == setting(law="rise").source_share


# ── covariances ──────────────────────────────────────────────────────────────────────────────

OPEN = Setting(
    connection="open",
    quantities=ALL,
    law="period",
    resistive=0.02,
    lossy=0.01,
    source_share=0.3,
    rotor_in=False,
    paths=None,
    repeated=False,
    spread=Spread(resistance=0.01, inductance=0.02, loss=0.03),
    noise=(0.001, 0.002, 0.003, 0.004),
)


def test_covariance_of_three_phases_on_their_own():
    """First order (JCGM 100:2008, 5.2): loss is ⅔ resistance and ⅓ of the rest, a period √L (computed)."""
    r, el, x = 0.01**2, 0.02**2, 0.03**2
    table = np.array(
        [
            [r, 0, 2 / 3 * r, 0],
            [0, el, el / 3, el / 2],
            [2 / 3 * r, el / 3, 4 / 9 * r + (el + x) / 9, el / 6],
            [0, el / 2, el / 6, el / 4],
        ]
    )
    table += np.diag(np.array(OPEN.noise) ** 2)
    found = natural_covariance(OPEN)
    assert found == pytest.approx(np.kron(table, np.eye(2)), rel=2e-3, abs=1e-9)


def test_the_distance_of_one_contrast_is_in_its_own_standard_deviations():
    """Three standard deviations, of which the noise is a part (definition of Mahalanobis)."""
    alone = replace(OPEN, quantities=("resistance",), noise=(0.01,))
    table = table_of(alone)
    assert signal(table, np.array([3 * 0.01 * 2**0.5, 0.0])) == pytest.approx(3, rel=1e-3)
    assert signal(table, np.zeros(2)) == 0


@pytest.mark.parametrize(("law", "power"), [("period", 0.5), ("rise", 1.0), ("time-constant", 1.0)])
def test_a_rotor_moves_inductance_and_what_follows_from_it(law, power):
    """12 % of inductance (10 to 30 % between pairs: common practice, no source), none of resistance."""
    found = rotor_covariance(replace(OPEN, law=law)) / 0.12**2
    assert not found[:2].any()
    assert found[2:4, 2:4] == pytest.approx(np.eye(2))
    # Seen by both, in the proportion of the law, and by the loss as much but loosely.
    assert found[2:4, 6:8] == pytest.approx(power * np.eye(2))
    assert found[4:6, 4:6] == pytest.approx(np.eye(2))
    correlation = found[2, 4] / math.sqrt(found[2, 2] * found[4, 4])
    assert 0.5 < correlation < 0.9
    # Three tenths of what the pulse sees is its own (common practice, no source): 1/√(1 + 0.3²).
    bridge_to_pulse = found[2, 6] / math.sqrt(found[2, 2] * found[6, 6])
    assert bridge_to_pulse == pytest.approx(1 / math.sqrt(1.09))
    assert found == pytest.approx(found.T)


def test_a_fit_is_the_logarithm_of_a_normal_density():
    """Distance² and density written out for some cases (definition of the normal distribution)."""
    chosen = replace(OPEN, quantities=("resistance", "pulse"), noise=(0.001, 0.004), rotor_in=True)
    table = table_of(chosen)
    vector = np.array([0.02, -0.01, 0.03, 0.01])
    found = fit(table, vector)
    cases = np.arange(0, len(table.hypothesis), 97)
    covariance = covariance_of(table, cases)
    offs = vector - table.mean[cases]
    for case, off, one in zip(cases, offs, covariance, strict=True):
        squared = off @ np.linalg.solve(one, off)
        assert found.distance[case] == pytest.approx(squared, rel=1e-3)
        assert found.score[case] == pytest.approx(table.offset[case] - squared / 2, rel=1e-3)
    # With the rotor in, every case but the balanced one has the rotor's share.
    whole = covariance_of(table, np.array([0, int(np.argmax(table.hypothesis == 1))]))
    assert whole[0] == pytest.approx(natural_covariance(chosen))
    assert whole[1][3, 3] >= whole[0][3, 3] + rotor_covariance(chosen)[3, 3] - 1e-12


def test_doubt_adds_to_the_covariance_as_squares():
    """Of (1, −1, 0)/√2 and (1, 1, −2)/√6 with variances of the three pairs (JCGM 100:2008, F.1.2.3)."""
    table = table_of(replace(OPEN, quantities=("resistance", "pulse"), noise=(0.001, 0.004)))
    case = int(np.flatnonzero(table.doubt[:, 1].max(axis=1) > 0.01)[5])
    added = covariance_of(table, np.array([case]))[0] - natural_covariance(
        replace(OPEN, quantities=("resistance", "pulse"), noise=(0.001, 0.004))
    )
    for row in range(2):
        first, second, third = table.doubt[case, row] ** 2
        both = (first - second) / math.sqrt(12)
        wanted = [[(first + second) / 2, both], [both, (first + second + 4 * third) / 6]]
        part = slice(2 * row, 2 * row + 2)
        assert added[part, part] == pytest.approx(np.array(wanted), rel=1e-9, abs=1e-15)
    assert added[:2, 2:] == pytest.approx(np.zeros((2, 2)))


def test_the_weights_of_all_cases_make_the_priors():
    """The priors add up to one but for those that this evidence cannot speak of."""
    chosen = replace(OPEN, quantities=("resistance",), noise=(0.001,))
    table = table_of(chosen)
    lower = np.linalg.slogdet(covariance_of(table, np.arange(len(table.mean))))[1] / 2
    weight = np.exp(table.offset + lower)
    for number, name in enumerate(table.names):
        assert weight[table.hypothesis == number].sum() == pytest.approx(PRIOR[name], rel=1e-6)


def test_contrasts_of_nothing_are_none():
    found = contrasts(Evidence())
    assert isinstance(found, Contrasts)
    assert (found.quantities, found.vector.size) == ((), 0)
