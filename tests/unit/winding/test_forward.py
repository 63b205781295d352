"""The judge's own lumped model against the simulated network, which shares no code with it."""

import numpy as np
import pytest

from capture.winding.contact import contact_logs
from capture.winding.forward import Phases, Scene, pair_logs
from simulators.pulse import PulseInstrument
from simulators.winding import PAIRS, Winding
from simulators.winding_faults import FewerTurns, HighJoint, OpenPhase, PhaseToPhase

QUANTITIES = ("resistance", "inductance", "loss", "pulse")
HERTZ = 1000.0


def simulated(winding, law="period"):
    tester = PulseInstrument(law=law, amperes_per_volt=1e-3, ohms=0.5)
    bridge = [winding.inductance(pair, HERTZ) for pair in PAIRS]
    return np.log(
        [
            [winding.resistance(pair) for pair in PAIRS],
            [henries for henries, _ in bridge],
            [ohms for _, ohms in bridge],
            [tester.seconds(winding, pair) for pair in PAIRS],
        ]
    )


def scene_of(winding, law="period"):
    """Set the scene from a sound winding, as the evidence would."""
    sound = Winding(connection=winding.connection, main_share=winding.main_share)
    henries, ohms = sound.inductance("U-V", HERTZ)
    reactance = 2 * np.pi * HERTZ * henries
    direct = sound.resistance("U-V")
    return Scene(
        connection=winding.connection,
        law=law,
        resistive=direct / reactance,
        lossy=(ohms - direct) / reactance,
        source_share=0.5 / direct,
    )


def shifts(logs):
    return logs - logs.mean(axis=-1, keepdims=True)


@pytest.mark.parametrize("connection", ["star", "delta"])
@pytest.mark.parametrize("law", ["period", "time-constant", "rise"])
def test_fewer_turns(connection, law):
    share, main = 0.1, 0.6
    winding = Winding(
        connection=connection,
        main_share=main,
        groups=1,
        faults=(FewerTurns(phase="V", share=share),),
    )
    phases = Phases.sound(1, main)
    phases.ohms[0, 1] = 1 - share
    for table in (phases.henries, phases.pulse):
        table[0, 1, :] *= 1 - share
        table[0, :, 1] *= 1 - share
    found = pair_logs(phases, scene_of(winding, law), QUANTITIES)[0]
    assert shifts(found) == pytest.approx(shifts(simulated(winding, law)), abs=0.004)


@pytest.mark.parametrize("connection", ["star", "delta"])
@pytest.mark.parametrize("law", ["period", "time-constant", "rise"])
def test_high_joint(connection, law):
    winding = Winding(connection=connection, faults=(HighJoint(phase="U", ohms=0.3),))
    phases = Phases.sound(1, 0.6)
    phases.ohms[0, 0] = 1.3
    found = pair_logs(phases, scene_of(winding, law), QUANTITIES)[0]
    assert shifts(found) == pytest.approx(shifts(simulated(winding, law)), abs=0.006)


def test_open_delta_coil():
    winding = Winding(connection="delta", faults=(OpenPhase(phase="W"),))
    phases = Phases.sound(1, 0.6)
    phases.ohms[0, 2] = 1e6
    for table in (phases.henries, phases.pulse):
        table[0, 2, :] = table[0, :, 2] = 0
        table[0, 2, 2] = 1e6
    found = pair_logs(phases, scene_of(winding), QUANTITIES)[0]
    assert shifts(found) == pytest.approx(shifts(simulated(winding)), abs=0.01)


@pytest.mark.parametrize("connection", ["star", "delta"])
def test_contact_between_phases(connection):
    winding = Winding(
        connection=connection, groups=4, faults=(PhaseToPhase(first="V", second="W", ohms=0.5),)
    )
    one = np.array([1.0])
    found = contact_logs(
        scene_of(winding), QUANTITIES, np.array([1]), 0.25 * one, 0.5 * one, 0.6 * one
    )[0]
    assert shifts(found)[0] == pytest.approx(shifts(simulated(winding))[0], abs=1e-6)
    # Groups of the network have leakages of their own, halves of the lumped model do not.
    assert shifts(found)[1] == pytest.approx(shifts(simulated(winding))[1], abs=0.1)
