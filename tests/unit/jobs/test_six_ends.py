"""Six free ends, gone through from the first step to the verdict, with known answers.

Resistances and inductances are those of the physical model of a winding; insulation is the sum of
six paths, one from each phase to the frame and one between each two (by hand).
"""

import pytest
from whole_jobs import adopt, do, verdicts

from capture.jobs.rules import LockedError
from capture.model.machine import Nameplate
from simulators.winding import Winding
from simulators.winding_faults import FewerTurns, OpenPhase

# What the nameplate joins in service says nothing of a winding whose links are off.
PLATE = Nameplate(
    rated_volts=400,
    connection="delta",
    winding="random",
    year=2004,
    zero_resistance_celsius=235,
)
WHOLE = "insulation resistance after 60 s, at 40 °C"
OF_PHASE = "insulation resistance {}-frame earth {} after 60 s, at 40 °C"
NAMES = {
    "U": OF_PHASE.format("U1+U2", "V1+V2+W1+W2"),
    "V": OF_PHASE.format("V1+V2", "U1+U2+W1+W2"),
    "W": OF_PHASE.format("W1+W2", "U1+U2+V1+V2"),
}
SOUND = {"U": 3e9, "V": 3e9, "W": 3e9, "UV": 6e9, "VW": 6e9, "UW": 6e9}
PULSES = ("112.6 µs", "112.4 µs", "112.8 µs")


def insulation(**ohms):
    """Give what each step shows for these six paths, all of them side by side where they are."""
    paths = SOUND | ohms
    shown = {}
    for phase in "UVW":
        siemens = sum(1 / each for names, each in paths.items() if phase in names)
        shown[f"insulation-{phase.lower()}"] = [1 / siemens]
    whole = 1 / sum(1 / paths[phase] for phase in "UVW")
    return {"insulation": [whole / 2, whole / 1.5, whole], **shown}


def shown(winding=None, pulses=PULSES, **ohms):
    winding = winding or Winding(connection="open")
    of_phases = {}
    for phase in "UVW":
        ends = f"{phase}1-{phase}2"
        of_phases[f"resistance-{phase.lower()}"] = winding.resistance(ends)
        of_phases[f"inductance-{phase.lower()}"] = winding.inductance(ends, 1000)
    return {**of_phases, **insulation(**ohms), "pulse": pulses}


@pytest.fixture
def ends(bench):
    adopt(bench)
    bench.begin("six-ends", plate=PLATE, winding_celsius=40.0, rotor="out")
    return bench


def test_a_sound_winding_passes_every_step(ends):
    """With 3 GΩ to the frame and 6 GΩ between two phases the whole has 1 GΩ, each phase 1.5 GΩ."""
    found = do(ends, shown())
    told = verdicts(found)
    assert {name for name, each in told.items() if each is not None} == {
        "resistance unbalance (mean)",
        "inductance unbalance (mean)",
        "pulse deviation (span-max)",
        "short absorption ratio",
        WHOLE,
        *NAMES.values(),
    }
    assert set(told.values()) == {"pass", None}
    values = {each.name: each.value for each in found.results}
    assert values[WHOLE] == pytest.approx(1e9)
    assert [values[name] for name in NAMES.values()] == pytest.approx([1.5e9] * 3)
    assert found.verdict == "pass"
    assert found.not_run == ()
    assert found.suspicion.statement == "balanced"


def test_nothing_is_solved_for_in_star_or_delta(ends):
    names = [each.name for each in do(ends, shown()).results]
    assert not any("star" in name or "delta" in name for name in names)


def test_missing_turns_are_found_in_their_own_phase(ends):
    """A tenth of phase V's turns: R falls by a tenth, L by a fifth, the ring with its root."""
    winding = Winding(connection="open", faults=(FewerTurns(phase="V", share=0.1),))
    found = do(ends, shown(winding, pulses=("112.6 µs", "101.3 µs", "112.8 µs")))
    by_name = {each.name: each.value for each in found.results}
    # By hand: readings 1, 0.9, 1 have the mean 2.9/3; 0.9 is 0.2/2.9 below it.
    assert by_name["resistance unbalance (mean)"] == pytest.approx(100 * 0.2 / 2.9, rel=1e-3)
    assert verdicts(found)["resistance unbalance (mean)"] == "fail"
    assert found.verdict == "fail"
    assert found.suspicion.detected
    assert set(found.suspicion.coils.values()) == {"V"}


def test_an_open_phase_is_named_and_nothing_passes(ends):
    """All else is sound; an open circuit has no number that could fail."""
    winding = Winding(connection="open", faults=(OpenPhase(phase="W"),))
    told = shown() | {"resistance-w": None}
    assert winding.resistance("W1-W2") == float("inf")
    for step in ("resistance-u", "resistance-v", "resistance-w"):
        ends.take(step, [ends.reading("resistance", told[step])])
        ends.ramped_down(step)
    for step in ("insulation", "insulation-u", "insulation-v", "insulation-w"):
        ends.take(step, [ends.reading("insulation_resistance", each) for each in told[step]])
        ends.discharge(step)
    found = ends.desk.now(ends.job)
    assert "W1-W2 is open: phase W is open, or a lead is off" in found.notes
    assert found.sentence.startswith("Open: phase W; overall inconclusive")
    assert found.verdict == "inconclusive"


# ── insulation ───────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("fault", "low", "whole", "words"),
    [
        # 2 MΩ of what is to have 5 MΩ, each at a known place.
        ({"V": 2e6}, "V", "fail", ["insulation of phase V to the frame is low"]),
        ({"UV": 2e6}, "UV", "pass", ["insulation between the phases U and V is low"]),
        ({"VW": 2e6}, "VW", "pass", ["insulation between the phases V and W is low"]),
        (
            {"UV": 2e6, "VW": 2e6},
            "UVW",
            "pass",
            [
                "insulation between the phases U and V is low",
                "insulation between the phases V and W is low",
            ],
        ),
        (
            {"U": 2e6, "W": 2e6},
            "UW",
            "fail",
            [
                "insulation of phase U to the frame is low",
                "insulation of phase W to the frame is low",
            ],
        ),
    ],
)
def test_a_leak_is_told_by_its_place(ends, fault, low, whole, words):
    found = leaks(ends, fault)
    told = verdicts(found)
    assert told[WHOLE] == whole
    assert {phase for phase, name in NAMES.items() if told[name] == "fail"} == set(low)
    assert [note for note in found.notes if note.endswith("is low")] == words
    assert found.verdict == "fail"


def leaks(bench, fault):
    """Do the insulation steps alone: what leaks keeps pulses away."""
    for step, ohms in insulation(**fault).items():
        bench.take(step, [bench.reading("insulation_resistance", each) for each in ohms])
        bench.discharge(step)
    return bench.desk.now(bench.job)


def test_what_leaks_between_phases_holds_the_pulses_back(ends):
    """To the frame everything is as it should be; the pulses stand between phases."""
    leaks(ends, {"UV": 2e6})
    with pytest.raises(LockedError, match="insulation reading has failed"):
        ends.key("pulse", PULSES)


def test_between_the_limit_and_twice_it_a_phase_stays_undecided(ends):
    """Of 8 MΩ: above the 5 MΩ of the whole, below the 10 MΩ that one phase should have."""
    found = leaks(ends, {"UV": 8e6})
    told = verdicts(found)
    assert told[NAMES["U"]] == told[NAMES["V"]] == "inconclusive"
    assert told[NAMES["W"]] == told[WHOLE] == "pass"
    (phase,) = [each for each in found.results if each.name == NAMES["U"]]
    assert "pass if the whole's limit holds" in phase.judgement.reason
    assert found.verdict == "inconclusive"


def test_readings_that_do_not_fit_together_are_taken_again(ends):
    told = insulation() | {"insulation-v": [2e6]}
    for step, ohms in told.items():
        ends.take(step, [ends.reading("insulation_resistance", each) for each in ohms])
        ends.discharge(step)
    notes = ends.desk.now(ends.job).notes
    assert any(note.startswith("phase V reads less than the other readings") for note in notes)


def test_without_a_limit_no_place_is_named(ends):
    ends.service.register("fan-07", Nameplate(rated_volts=400), ends.who())
    found = leaks(ends, {"UV": 2e6})
    assert not any("is low" in note or "reads less" in note for note in found.notes)
