"""What holds pulses while a place of the winding is not tested, and what a left-out one means."""

import pytest
from job_events import at, state_after, taken

from capture.jobs.locks import locks
from capture.jobs.rules import check
from capture.model.job import Overridden, Redone, Skipped

SEVERAL = """
schema_version = 1
name = "place-by-place"
title = "Insulation place by place, then pulses"
include = ["pulse-six-readings"]
"""


@pytest.fixture
def place_by_place(tmp_path):
    """A procedure with an insulation step for each of these places, then the pulses."""

    def make(*points):
        steps = "".join(
            f"""
[[steps]]
id = "insulation-{at}"
title = "Insulation"
quantity = "insulation_resistance"
energy = "test-voltage"
points = ["{point}"]
take = {{ how = "keyed" }}
"""
            for at, point in enumerate(points)
        )
        (tmp_path / "place-by-place.toml").write_text(SEVERAL + steps, "utf-8")
        return str(tmp_path / "place-by-place.toml")

    return make


def test_no_pulses_while_one_of_several_places_is_still_to_be_tested(place_by_place):
    procedure = place_by_place("U1-frame", "V1-frame", "W1-frame")
    some = (taken("insulation-0"), taken("insulation-2"))
    (lock,) = locks(state_after(*some, procedure=procedure), "pulse", at(1))
    assert lock.words == "take the insulation resistance of V1-frame first: it is missing"
    done = state_after(*some, taken("insulation-1"), procedure=procedure)
    assert locks(done, "pulse", at(1)) == []
    every = [Skipped(step=f"insulation-{n}", reason="no tester") for n in range(3)]
    (lock,) = locks(state_after(*every, procedure=procedure), "pulse", at(1))
    for place in ("U1-frame", "V1-frame", "W1-frame"):
        assert f"{place} (step insulation-" in lock.words


def test_a_place_that_somebody_left_out_is_a_decision_about_the_step_and_not_about_the_pulses(
    place_by_place,
):
    """U and W tested, V left out: pulses go on V too, and whoever lets them says so."""
    procedure = place_by_place("U1-frame", "V1-frame", "W1-frame")
    some = (
        taken("insulation-0"),
        Skipped(step="insulation-1", reason="no lead of its own"),
        taken("insulation-2"),
    )
    left = state_after(*some, procedure=procedure)
    (lock,) = locks(left, "pulse", at(1))
    assert lock.words == (
        "nobody has tested the insulation of V1-frame (step insulation-1, left out by technician: "
        "no lead of its own): do that step, or decide about the pulses, and pass this lock with a "
        "reason"
    )
    passed = Overridden(step="pulse", lock="insulation", reason="V is joined to U inside")
    check(left, passed, at(1))
    assert locks(state_after(*some, passed, procedure=procedure), "pulse", at(1)) == []
    # Whoever does it after all has tested it; what is still open is named beside what was left out.
    done = state_after(*some, taken("insulation-1"), procedure=procedure)
    assert locks(done, "pulse", at(1)) == []
    (lock,) = locks(state_after(*some[:2], procedure=procedure), "pulse", at(1))
    assert lock.words.startswith(
        "take the insulation resistance of W1-frame first: it is missing; nobody has tested the "
        "insulation of V1-frame"
    )


@pytest.mark.parametrize(
    ("left_out", "holds"),
    [
        ("U+V+W-frame", False),  # the same once more, for other times perhaps
        ("V+U-frame", False),  # a part of what was tested side by side
        ("U-frame earth V+W", True),  # between the phases as well
        ("U-V", True),
        ("U5-frame", True),  # another winding of the same machine
    ],
)
def test_what_another_step_has_tested_with_it_may_be_left_out(place_by_place, left_out, holds):
    procedure = place_by_place("U+V+W-frame", left_out)
    events = (taken("insulation-0"), Skipped(step="insulation-1", reason="not needed here"))
    assert bool(locks(state_after(*events, procedure=procedure), "pulse", at(1))) is holds


def test_the_reason_for_leaving_it_out_ends_with_doing_it_again(place_by_place):
    procedure = place_by_place("U1-frame", "V1-frame")
    state = state_after(
        taken("insulation-0"),
        Skipped(step="insulation-1", reason="no lead of its own"),
        Redone(step="insulation-1", reason="found one"),
        procedure=procedure,
    )
    (lock,) = locks(state, "pulse", at(1))
    assert lock.words == "take the insulation resistance of V1-frame first: it is missing"


def test_what_gets_no_pulses_opens_nothing_and_holds_nothing_up(place_by_place):
    """The insulation of a rotor or of a detector says nothing of the stator."""
    procedure = place_by_place("K+L+M-frame", "1T1-frame")
    tested = state_after(taken("insulation-0"), taken("insulation-1"), procedure=procedure)
    (lock,) = locks(tested, "pulse", at(1))
    assert "of what gets the pulses" in lock.words
    assert "this procedure has no step for it" in lock.words
    procedure = place_by_place("K+L+M-frame", "U+V+W-frame")
    assert locks(state_after(taken("insulation-1"), procedure=procedure), "pulse", at(1)) == []
    (lock,) = locks(state_after(taken("insulation-0"), procedure=procedure), "pulse", at(1))
    assert "of U+V+W-frame" in lock.words
