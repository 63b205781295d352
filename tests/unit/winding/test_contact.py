"""A contact between two phases against Kirchhoff's laws written out branch by branch, and closed forms."""

import math
from dataclasses import replace

import numpy as np
import pytest

from capture.winding.contact import contact_logs
from capture.winding.forward import Phases, Scene, pair_logs

ALL = ("resistance", "inductance", "loss", "pulse")
SCENE = Scene(connection="star", law="rise", resistive=0.02, lossy=0.01, source_share=0.25)

# Node, node, phase, part of the turns (d: as deep as the contact, r: the rest, 1: all) for a
# contact between U and V. X and Y are its two ends, N is the star point.
STAR = ["U X U d", "X N U r", "V Y V d", "Y N V r", "W N W 1"]
DELTA = ["U X U d", "X V U r", "V Y V d", "Y W V r", "W U W 1"]
TURN = {"U": "V", "V": "W", "W": "U"}


def turned(branches, times):
    for _ in range(times):
        branches = [
            " ".join([TURN.get(a, a), TURN.get(b, b), TURN[phase], part])
            for a, b, phase, part in (branch.split() for branch in branches)
        ]
    return branches


def impedances(branches, depth, contact, main, omega, *, unit=0.026, lossy=0.01):
    """Solve Kirchhoff's two laws for the voltage of each branch's nodes with 1 A through each pair.

    The coils' axes are 120° apart: phases link each other by −½ of the main flux.
    """
    parts = {"d": depth, "r": 1 - depth, "1": 1.0}
    lines = [branch.split() for branch in branches]
    nodes = sorted({node for line in lines for node in line[:2]})
    size = len(lines) + 1
    z = np.zeros((size, size), dtype=complex)
    for i, (_, _, phase, part) in enumerate(lines):
        turns = parts[part]
        z[i, i] += turns * unit + omega * (1j + lossy) * (1 - main) * turns
        for k, (_, _, other, share) in enumerate(lines):
            coupling = 1.0 if phase == other else math.cos(2 * math.pi / 3)
            z[i, k] += omega * (1j + lossy) * main * coupling * turns * parts[share]
    z[-1, -1] = contact * unit
    ends = [line[:2] for line in lines] + [["X", "Y"]]
    between = np.array([[(node == a) - (node == b) for node in nodes] for a, b in ends], float)
    # Branches: z·i = voltage between their nodes. Nodes: what flows in flows out. N or X lies at zero.
    zero = np.array([[node == "X" for node in nodes]], float)
    nothing = np.zeros((len(nodes), len(nodes)))
    law = np.block([[z, -between], [between.T, nothing], [np.zeros((1, size)), zero]])
    found = []
    for one, other in (("U", "V"), ("V", "W"), ("W", "U")):
        fed = np.zeros(len(law), dtype=complex)
        fed[size + nodes.index(one)], fed[size + nodes.index(other)] = 1, -1
        solved = np.linalg.lstsq(law, fed, rcond=None)[0][size:]
        found.append(solved[nodes.index(one)] - solved[nodes.index(other)])
    return np.array(found)


def logs_of(scene, quantities, place, *case):
    arrays = [np.array([one]) for one in case]
    return contact_logs(scene, quantities, np.array([place]), *arrays)[0]


CASES = [(0.25, 0.5, 0.6), (0.8, 0.003, 0.3), (0.05, 20.0, 0.7)]


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("place", [0, 1, 2])
@pytest.mark.parametrize(("connection", "branches"), [("star", STAR), ("delta", DELTA)])
def test_a_contact_obeys_kirchhoff(connection, branches, place, case):
    lines = turned(branches, place)
    scene = replace(SCENE, connection=connection)
    found = np.exp(logs_of(scene, ALL, place, *case))
    # At no frequency in units of a phase's resistance, as a bridge, and as a ring thrice as quick.
    still = impedances(lines, *case, omega=0).real / 0.026
    bridge, quick = (impedances(lines, *case, omega=omega) for omega in (1, 3))
    assert found == pytest.approx(
        np.array([still, bridge.imag, bridge.real, quick.imag / 3]), rel=1e-6
    )
    period = logs_of(replace(scene, law="period"), ("pulse",), place, *case)
    assert np.exp(2 * period) == pytest.approx(found[3:], rel=1e-6)
    # A time constant is L/R, the source in the way, L as at the corner frequency R/L of a phase.
    slow = impedances(lines, *case, omega=0.026).imag / 0.026
    source = 0.25 * {"star": 2, "delta": 2 / 3}[connection]
    constant = logs_of(replace(scene, law="time-constant"), ("pulse",), place, *case)
    assert np.exp(constant[0]) == pytest.approx(slow / (still + source), rel=1e-6)


def test_star_resistances_with_a_contact():
    """The contact beside the two inner parts: 2d + c·2e/(c + 2e), e = 1 − d (network algebra)."""
    d, c = 0.3, 0.4
    e = 1 - d
    found = np.exp(logs_of(SCENE, ("resistance",), 0, d, c, 0.5))[0]
    one = 1 + d + e * (c + e) / (c + 2 * e)
    assert found == pytest.approx([2 * d + c * 2 * e / (c + 2 * e), one, one])


def test_a_dead_short_is_a_transformer_shorted_at_its_end():
    """L₁ − M²/L₂ of the outer and the inner parts, each of two phases in a row (textbook)."""
    d, w = 0.3, 0.5
    e = 1 - d
    outer, inner = (2 * (1 - w) * part + 3 * w * part**2 for part in (d, e))
    scene = replace(SCENE, resistive=1e-7, lossy=0.0)
    found = np.exp(logs_of(scene, ("inductance",), 0, d, 1e-3, w))[0]
    assert found[0] == pytest.approx(outer - (3 * w * d * e) ** 2 / inner, rel=1e-5)


@pytest.mark.parametrize("connection", ["star", "delta"])
def test_a_contact_that_hardly_conducts_changes_nothing(connection):
    scene = replace(SCENE, connection=connection, law="period")
    found = logs_of(scene, ALL, 2, 0.3, 1e9, 0.5)
    assert found == pytest.approx(pair_logs(Phases.sound(1, 0.5), scene, ALL)[0], abs=1e-5)


def test_six_ends_show_no_contact_between_phases():
    scene = replace(SCENE, connection="open")
    found = contact_logs(
        scene,
        ALL,
        np.array([0, 1]),
        np.array([0.2, 0.3]),
        np.array([0.1, 0.2]),
        np.array([0.3, 0.7]),
    )
    # Each phase alone reads what it is: R, L = 1 and the losses of both.
    assert np.exp(found) == pytest.approx(np.tile([[1.0], [1.0], [0.03], [1.0]], (2, 1, 3)))


def test_every_case_stands_in_its_own_row():
    pair, depth = np.array([2, 0, 1, 0]), np.array([0.1, 0.2, 0.3, 0.4])
    contact, main = np.array([0.5, 0.6, 0.7, 0.8]), np.full(4, 0.5)
    found = contact_logs(SCENE, ALL, pair, depth, contact, main)
    for row, *case in zip(found, pair, depth, contact, main, strict=True):
        assert row == pytest.approx(logs_of(SCENE, ALL, *case))
