"""What holds pulses while a place of the winding is not tested, and what a left-out one means."""

import pytest
from job_events import at, state_after, taken
from jobs_bench import PLATE

from capture.jobs.locks import locks
from capture.jobs.procedure import load_procedure
from capture.jobs.rules import check
from capture.model.job import JobConditions, JobEntry, Overridden, Redone, Skipped

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


def test_who_passed_a_place_that_is_not_tested_has_not_passed_a_reading_that_fails_since(
    place_by_place,
):
    """The nameplate, or the winding's temperature, was said anew: what was enough is not."""
    procedure = place_by_place("U1-frame", "V1-frame")
    some = (taken("insulation-0"), Skipped(step="insulation-1", reason="no lead of its own"))

    def passed(failed):
        event = Overridden(
            step="pulse", lock="insulation", reason="V is joined to U", failed=failed
        )
        return state_after(*some, event, procedure=procedure)

    assert locks(passed(failed=False), "pulse", at(1)) == []
    (lock,) = locks(passed(failed=False), "pulse", at(1), lambda _step: True)
    assert lock.words.startswith("the insulation reading has failed")
    assert "V1-frame" in lock.words, "what is not tested is said beside it"
    for told in (True, None):  # an old entry does not say it
        assert locks(passed(failed=told), "pulse", at(1), lambda _step: True) == []
    again = Overridden(step="pulse", lock="insulation", reason="the owner asks", failed=True)
    first = again.model_copy(update={"failed": False})
    both = state_after(*some, again, first, procedure=procedure)
    assert locks(both, "pulse", at(1), lambda _step: True) == [], "both decisions stand"


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


@pytest.mark.parametrize(
    "point", ["U-frame", "U1-frame", "U-V", "U-frame earth V+W", "U+V+W-frame"]
)
@pytest.mark.parametrize(("shown", "failed"), [("10 kΩ", True), ("3 GΩ", False)])
def test_one_phase_by_itself_that_was_keyed_without_a_time_is_held_against_the_least(
    bench, place_by_place, point, shown, failed
):
    """10 kOhm to the frame had no result, and what nobody judges had not failed: pulses went on."""
    begin(bench, place_by_place(point))
    bench.key("insulation-0", bench.typed([shown], confirmed=True), applied_seconds=1.0)
    bench.discharge("insulation-0")
    steps = {each["id"]: each for each in bench.desk.view(bench.state)["steps"]}
    assert bool(steps["pulse"]["locks"]) is failed


def begin(bench, path):
    """Begin a job of a procedure that stands in a file."""
    bench.service.register("fan-07", PLATE, bench.who())
    warm = JobConditions(winding_celsius=40.0)
    bench.service.start(bench.job, "fan-07", load_procedure(path), bench.who(), warm)


def test_a_nameplate_that_is_said_anew_lets_the_lock_of_a_failed_reading_hold(
    bench, place_by_place
):
    """9 MOhm are enough for 400 V (5 MOhm), and too little for a form-wound machine of 6 kV."""
    begin(bench, place_by_place("U1-frame", "V1-frame"))
    bench.key("insulation-0", bench.typed(["9 MΩ"], confirmed=True), applied_seconds=1.0)
    bench.discharge("insulation-0")
    bench.act(Skipped(step="insulation-1", reason="no lead of its own"))

    def passed():
        bench.act(Overridden(step="pulse", lock="insulation", reason="V is joined to U inside"))
        row = bench.reader.of_subject("job", str(bench.job))[-1]
        return JobEntry.model_validate_json(row.body).event.failed

    def held():
        steps = {each["id"]: each for each in bench.desk.view(bench.state)["steps"]}
        return [each["words"] for each in steps["pulse"]["locks"]]

    assert passed() is False
    assert held() == []
    plate = PLATE.model_copy(update={"rated_volts": 6000, "winding": "form"})
    bench.service.register("fan-07", plate, bench.who())
    (words,) = held()
    assert words.startswith("the insulation reading has failed")
    assert passed() is True
    assert held() == []
