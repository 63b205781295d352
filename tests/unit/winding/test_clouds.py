"""Every cloud holds the cases that docs/winding.md lists, worked out again from the phases on.

The formulae here are those of machine theory: two phases of a star in a row, of which the leakage
goes with L and the main flux couples by −½ of its share. The ranges are those of the table "What the
clouds cover": common practice, no source.
"""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from capture.winding.contact import contact_logs
from capture.winding.forward import Scene
from capture.winding.hypotheses import (
    BAD_READING,
    BALANCED,
    EARTH_PATH,
    FEWER_TURNS,
    HIGH_JOINT,
    OPEN_PATH,
    OPEN_PHASE,
    PHASE_TO_PHASE,
    PRIOR,
    REVERSED,
    ROTOR,
    SHORTED_TURNS,
    TWO_FAULTS,
    clouds,
    grid,
    sizes,
)

ALL = ("resistance", "inductance", "loss", "pulse")
SCENE = Scene(connection="star", law="rise", resistive=0.02, lossy=0.01, source_share=0.25)


def cloud(name, quantities=ALL, scene=SCENE, *, rotor_in=False, paths=None, repeated=False):
    made = clouds(scene, quantities, rotor_in=rotor_in, paths=paths, repeated=repeated)
    (found,) = [one for one in made if one.hypothesis == name]
    return found


def every(*ranges):
    """Give all combinations of the ranges, a column each, the first being the three coils."""
    columns = np.array(list(itertools.product(range(3), *ranges))).T
    return columns[0].astype(int), *columns[1:]


def only_in(place, one, others):
    """Give rows of three phases, of which one is different."""
    found = np.full((len(place), 3), float(others))
    found[np.arange(len(place)), place] = one
    return found


def inductances(leakage, main, flux):
    """Give L of the star's pairs: leakages, and main shares that couple by the flux of each phase."""
    following = np.roll(flux, -1, axis=1)
    together = flux**2 + following**2 + flux * following
    return leakage + np.roll(leakage, -1, axis=1) + np.asarray(main)[:, None] * together


def star(ohms, henries, *, loop=None, pulse=None):
    """Give R, L, loss and rise time of the pairs; R/(ωL) of a sound pair is 0.02, its loss 0.01."""
    resistances = ohms + np.roll(ohms, -1, axis=1)
    # A sound pair has 2·R and, coupled, 2.6·L.
    lost = 0.02 * 1.3 * resistances + 0.01 * henries
    if loop is not None:
        lost = lost + loop + np.roll(loop, -1, axis=1)
    return np.stack([resistances, henries, lost, henries if pulse is None else pulse], axis=1)


def same_cases(found, place, values, turns=None):
    """Compare the cases of a cloud with those expected, in any order."""
    sides = []
    for row, where, share in (
        (np.exp(found.logs), found.place, found.turns),
        (values, place, np.full(len(place), np.nan) if turns is None else turns),
    ):
        flat = row.reshape(len(row), -1)
        known = np.where(np.isnan(share), -1, share)
        sides.append(np.column_stack([flat, where, known]))
    one, other = sides
    assert len(one) == len(other)
    assert cKDTree(one).query(other)[0] == pytest.approx(0, abs=1e-9)
    assert cKDTree(other).query(one)[0] == pytest.approx(0, abs=1e-9)
    assert found.weight == pytest.approx(np.full(len(place), 1 / len(place)))


def even(low, high):
    """Give sizes in even ratios of 1.15 at most, and no more of them than that takes."""
    count = 2
    while (high / low) ** (1 / (count - 1)) > 1.15:
        count += 1
    return [low * (high / low) ** (step / (count - 1)) for step in range(count)]


def moved(found):
    """Give how far each case moves each pair from the mean of the three."""
    shift = found.logs
    return np.abs(shift - shift.mean(axis=2, keepdims=True))


SOUND = np.array([2, 2.6, 0.02 * 2.6 + 0.01 * 2.6, 2.6])


# ── all together ─────────────────────────────────────────────────────────────────────────────


def test_what_may_be_wrong_and_how_often_it_is_met():
    assert PRIOR == {
        "balanced": 0.5,
        "fewer turns in one coil": 0.08,
        "shorted turns": 0.12,
        "high-resistance joint": 0.12,
        "open phase": 0.03,
        "open parallel path": 0.04,
        "reversed group or wrong connection": 0.04,
        "effect of the rotor": 0.1,
        "one bad reading": 0.08,
        "phase-to-phase": 0.03,
        "two faults at once": 0.03,
    }
    assert EARTH_PATH == "earth path"  # from insulation readings alone


@pytest.mark.parametrize(
    ("connection", "options", "besides"),
    [
        ("star", {}, {OPEN_PATH}),
        ("open", {}, {OPEN_PATH}),
        ("delta", {}, {OPEN_PATH, OPEN_PHASE}),  # in star an open phase opens two pairs
        ("star", {"paths": 1}, set()),
        ("star", {"paths": 2}, {OPEN_PATH}),
        ("star", {"rotor_in": True, "paths": 1}, {ROTOR}),
    ],
)
def test_which_hypotheses_there_are(connection, options, besides):
    always = {FEWER_TURNS, SHORTED_TURNS, HIGH_JOINT, REVERSED, BAD_READING, PHASE_TO_PHASE}
    asked = {"rotor_in": False, "paths": None, "repeated": False} | options
    made = clouds(replace(SCENE, connection=connection), ("resistance",), **asked)
    names = [one.hypothesis for one in made]
    assert names[0] == BALANCED
    assert set(names) == always | {BALANCED, TWO_FAULTS} | besides
    assert len(names) == len(set(names))


def test_sizes_go_in_even_ratios_from_end_to_end():
    assert sizes(0.5, 1.0) == pytest.approx([2 ** (step / 5 - 1) for step in range(6)])
    assert sizes(0.003, 20.0) == pytest.approx(even(0.003, 20.0))


def test_a_grid_is_every_combination():
    one, other = grid((1, 2), (3, 4, 5))
    assert list(zip(one, other, strict=True)) == list(itertools.product((1, 2), (3, 4, 5)))


@pytest.mark.parametrize("name", [BALANCED, ROTOR])
def test_a_sound_winding_is_one_case_in_no_coil(name):
    found = cloud(name, rotor_in=True)
    assert np.exp(found.logs) == pytest.approx(np.repeat(SOUND, 3).reshape(1, 4, 3))
    assert (found.place.tolist(), found.weight.tolist()) == ([-1], [1])
    assert not found.doubt.any()


# ── each for itself ──────────────────────────────────────────────────────────────────────────


def test_fewer_turns():
    """L falls by a power of the turns that nobody knows, and its coupling by half that power."""
    place, share, exponent, main = every(
        even(0.003, 0.7), (1.6, 1.8, 2.0, 2.2, 2.4, 2.6), (0.1, 0.6, 0.95)
    )
    flux = only_in(place, (1 - share) ** (exponent / 2), 1)
    leakage = (1 - main)[:, None] * flux**2
    expected = star(only_in(place, 1 - share, 1), inductances(leakage, main, flux))
    found = cloud(FEWER_TURNS)
    same_cases(found, place, expected, share)
    assert found.doubt == pytest.approx(0.08 * moved(found))


TANGENTS = (0.03, 0.1, 0.3, 0.8, 2.0, 5.0)
QUICK = (0.02, 0.1, 0.3, 0.6, 1.0, 1.4, 2.5, 5.0)
PARTS = (0.01, 0.05, 0.12, 0.25)


@pytest.mark.parametrize(
    ("quantities", "law", "tangents", "quicks", "parts"),
    [
        (ALL, "rise", TANGENTS, QUICK, PARTS),
        (("resistance", "inductance", "loss"), "rise", TANGENTS, (1,), PARTS),
        (("inductance", "loss", "pulse"), "rise", TANGENTS, QUICK, (0.1,)),
        (("resistance", "pulse"), "rise", (0.0,), (1,), PARTS),
        (("resistance", "pulse"), "time-constant", (0.0,), (1,), (*PARTS, 0.6, 1.5)),
        (("resistance", "inductance", "loss", "pulse"), "time-constant", TANGENTS, QUICK, PARTS),
        (("pulse",), "time-constant", (0.0,), (1,), (0.1,)),
    ],
)
def test_shorted_turns(quantities, law, tangents, quicks, parts):
    place, fall, tangent, quick, part = every(even(0.003, 0.85), tangents, quicks, parts)
    kept = (fall * quick < 0.9) & (fall * part < 0.3)
    place, fall, tangent, quick, part = (one[kept] for one in (place, fall, tangent, quick, part))

    def seen(taken):
        flux = np.sqrt(only_in(place, 1 - taken, 1))
        return inductances(0.4 * flux**2, np.full(len(place), 0.6), flux)

    ohms, pulse = only_in(place, 1 - fall * part, 1), seen(fall * quick)
    if law == "time-constant":
        # The source has a quarter of a sound pair's resistance.
        pulse = pulse / (ohms + np.roll(ohms, -1, axis=1) + 0.25 * 2)
    expected = star(ohms, seen(fall), loop=only_in(place, fall * tangent, 0), pulse=pulse)
    found = cloud(SHORTED_TURNS, quantities, replace(SCENE, law=law))
    same_cases(found, place, expected[:, [ALL.index(one) for one in quantities]])


def test_the_loss_of_a_short_is_in_doubt_by_its_largest_shift():
    found = cloud(SHORTED_TURNS)
    shift = moved(found)
    expected = 0.08 * shift
    expected[:, 2] = np.hypot(expected[:, 2], 0.15 * shift.max(axis=(1, 2))[:, None])
    assert found.doubt == pytest.approx(expected)
    bare = cloud(SHORTED_TURNS, ("resistance", "pulse"))
    assert bare.doubt == pytest.approx(0.08 * moved(bare))


def test_a_high_joint():
    place, more = every(even(0.003, 20.0))
    sound = np.full((len(place), 3), 2.6)
    found = cloud(HIGH_JOINT)
    same_cases(found, place, star(only_in(place, 1 + more, 1), sound))
    assert found.doubt == pytest.approx(0.08 * moved(found))


def test_a_high_joint_of_a_delta_is_in_a_coil_or_before_a_terminal():
    """Before terminal U it adds to the pairs U-V and W-U, and to no inductance (network algebra)."""
    scene = replace(SCENE, connection="delta")
    found = cloud(HIGH_JOINT, scene=scene)
    size = np.array(even(0.003, 20.0))
    assert found.place.tolist() == [place for place in range(6) for _ in size]
    before_u = np.exp(found.logs[found.place == 3])
    sound = np.exp(cloud(BALANCED, scene=scene).logs[0])
    assert before_u[:, 0, 1] == pytest.approx(sound[0, 1])
    for pair in (0, 2):
        assert before_u[:, 0, pair] == pytest.approx(2 / 3 + size)
    assert before_u[:, 1] == pytest.approx(np.broadcast_to(sound[1], (len(size), 3)))
    assert (before_u[:, 2, 0] > sound[2, 0]).all()
    assert before_u[:, 3] == pytest.approx(np.broadcast_to(sound[3], (len(size), 3)))


def test_an_open_delta_coil():
    """Two coils alone, and in a row where the open one was: 2·L + 2·M, M of −w/2 (machine theory)."""
    place, main = every(np.linspace(0.05, 0.95, 7))
    scene = replace(SCENE, connection="delta")
    found = cloud(OPEN_PHASE, scene=scene)
    # Coil U lies between the terminals of pair U-V, and so on.
    ohms, henries = only_in(place, 2, 1), only_in(place, 2 - main, 1)
    # A sound delta pair has 2/3·R and, coupled, 2/3·1.3·L.
    expected = np.stack([ohms, henries, 0.02 * 1.3 * ohms + 0.01 * henries, henries], axis=1)
    assert (found.place == place).all()
    assert np.exp(found.logs) == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize(("paths", "counts"), [(None, (2, 3, 4, 6, 8)), (5, (5,))])
def test_an_open_parallel_path(paths, counts):
    """R rises to n/(n − 1); the leakage by as much, or by less of it, and the main flux stays."""
    place, count, main, kept = every(counts, (0.1, 0.35, 0.6, 0.8, 0.95), (0.0, 0.25, 0.5, 1.0))
    ratio = count / (count - 1)
    leakage = (1 - main)[:, None] * only_in(place, 1 + (ratio - 1) * (1 - kept), 1)
    henries = inductances(leakage, main, np.ones((len(place), 3)))
    found = cloud(OPEN_PATH, paths=paths)
    same_cases(found, place, star(only_in(place, ratio, 1), henries))
    assert found.doubt == pytest.approx(0.08 * moved(found))


def test_a_reversed_part():
    """Of n parts one works against the rest: the flux of the phase falls to 1 − 2/n."""
    place, parts, main = every((1, 2, 3, 4, 5, 6, 8, 10, 12, 16), np.linspace(0.05, 0.95, 12))
    flux = only_in(place, 1 - 2 / parts, 1)
    leakage = np.repeat((1 - main)[:, None], 3, axis=1)
    found = cloud(REVERSED)
    same_cases(found, place, star(np.ones((len(place), 3)), inductances(leakage, main, flux)))
    shift = moved(found)
    expected = 0.08 * shift
    expected[:, 2] = np.hypot(expected[:, 2], 0.1 * shift.max(axis=(1, 2))[:, None])
    assert found.doubt == pytest.approx(expected)


def test_a_reversed_part_of_a_phase_alone():
    """In star half of a phase reversed reads like all of it: f² + f + 1 is the same. Six ends differ."""
    place, parts, main = every((1, 2, 3, 4, 5, 6, 8, 10, 12, 16), np.linspace(0.05, 0.95, 12))
    henries = only_in(place, 1 - main + main * (1 - 2 / parts) ** 2, 1)
    ones = np.ones((len(place), 3))
    expected = np.stack([ones, henries, 0.02 + 0.01 * henries, henries], axis=1)
    same_cases(cloud(REVERSED, scene=replace(SCENE, connection="open")), place, expected)


@pytest.mark.parametrize("repeated", [False, True])
def test_one_bad_reading(repeated):
    found = cloud(BAD_READING, repeated=repeated)
    shift = found.logs - np.log(SOUND)[None, :, None]
    wrong = np.abs(shift) > 1e-9
    assert (wrong.sum(axis=(1, 2)) == 1).all()
    _, row, pair = np.nonzero(wrong)
    off = shift[wrong]
    assert (found.place == pair).all()
    assert np.isnan(found.turns).all()
    assert found.doubt == pytest.approx(0.08 * np.abs(shift))
    size = even(0.003, 6.0)
    places = itertools.product(range(4), range(3), (*(-one for one in size), *size))
    cases = np.array(sorted(zip(row, pair, off, strict=True)))
    assert cases == pytest.approx(np.array(sorted(places)))
    # A clip adds resistance, and with it loss.
    clip = np.isin(row, (0, 2))
    weight = np.where(clip & (off > 0), 1.7, np.where(clip, 0.3, 1.0))
    assert found.weight / found.weight.sum() == pytest.approx(weight / weight.sum())
    assert found.weight.sum() == pytest.approx(0.02 if repeated else 1)


@pytest.mark.parametrize(
    ("quantities", "tangents", "quicks", "parts"),
    [
        (ALL, (0.05, 0.5, 2.0), (0.4, 1.0, 1.6), (0.05, 0.5)),
        (("resistance", "pulse"), (0.0,), (1.0,), (0.05, 0.5)),
        (("resistance", "inductance", "loss"), (0.05, 0.5, 2.0), (1.0,), (0.05, 0.5)),
        (("inductance", "loss"), (0.05, 0.5, 2.0), (1.0,), (0.1,)),
    ],
)
def test_two_faults(quantities, tangents, quicks, parts):
    falls = np.geomspace(0.05, 0.6, 7)
    alike = every((1,), falls, parts, tangents, quicks, falls, parts, (0.0,))
    joint = every((1, 2), falls, parts, tangents, quicks, (0.0,), (0.0,), np.geomspace(0.03, 2, 7))
    first, step, fall, part, tangent, quick, other, share, more = (
        np.concatenate(pair) for pair in zip(alike, joint, strict=True)
    )
    second = ((first + step) % 3).astype(int)
    rows = np.arange(len(first))

    def both(one, two, sound):
        found = only_in(first, one, sound)
        found[rows, second] = two
        return found

    def seen(one, two):
        flux = np.sqrt(both(1 - one, 1 - two, 1))
        return inductances(0.4 * flux**2, np.full(len(first), 0.6), flux)

    values = star(
        both(1 - fall * part, 1 - other * share + more, 1),
        seen(fall, other),
        loop=both(fall * tangent, other * tangent, 0),
        pulse=seen(np.minimum(fall * quick, 0.9), np.minimum(other * quick, 0.9)),
    )
    found = cloud(TWO_FAULTS, quantities)
    chosen = [ALL.index(one) for one in quantities]
    same_cases(found, np.full(len(first), -1), values[:, chosen])
    shift = moved(found)
    expected = 2.5 * 0.08 * shift
    if "loss" in quantities:
        row = quantities.index("loss")
        worst = 2.5 * 0.3 * shift.max(axis=(1, 2))[:, None]
        expected[:, row] = np.hypot(expected[:, row], worst)
    assert found.doubt == pytest.approx(expected)


@pytest.mark.parametrize(
    ("law", "quantities", "doubts"),
    [
        ("rise", ("resistance", "inductance", "pulse"), (0.16, 0.16, 0.3)),
        ("time-constant", ("pulse", "resistance"), (0.3, 0.16)),
        ("period", ("resistance", "pulse"), (0.16, 0.16)),
        ("rise", ("resistance", "inductance"), (0.16, 0.16)),
    ],
)
def test_a_contact_between_phases(law, quantities, doubts):
    scene = replace(SCENE, law=law)
    place, depth, contact, main = every(
        (0.05, 0.12, 0.25, 0.5, 0.8), np.geomspace(0.003, 20, 14), (0.3, 0.7)
    )
    found = cloud(PHASE_TO_PHASE, quantities, scene)
    # What one contact does to the pairs is held in test_contact.py.
    logs = contact_logs(scene, quantities, place, depth, contact, main)
    same_cases(found, place, np.exp(logs))
    assert found.doubt == pytest.approx(moved(found) * np.array(doubts)[:, None])
