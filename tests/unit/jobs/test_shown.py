"""Who passes the lock of a discharge passes what they were shown, and no later voltage."""

import pytest
from job_events import entry, state_after
from test_owed import FIRST, another, held, voltage

from capture.jobs.locks import locks
from capture.jobs.service import Who
from capture.jobs.shown import Shown
from capture.jobs.state import replay
from capture.journal import StaleError
from capture.model import new_id
from capture.model.job import Applied, JobEntry, Noted, Overridden

WHY = "earthed all along"


def passing(**told):
    return Overridden(step=FIRST, lock="discharge", reason=WHY, **told)


def shown(bench):
    return bench.desk.view(bench.state)["up_to"]


def more_voltage(bench, job, seconds=30):
    """Let another job of the machine have one more voltage; gives its number in the journal."""
    own, bench.job = bench.job, job
    bench.act(Applied(step="insulation", seconds=seconds))
    bench.job = own
    return bench.reader.last_n()


def test_a_voltage_between_the_look_and_the_press_is_not_passed(bench):
    tested = voltage(bench)
    another(bench)
    looked_at = shown(bench)
    more_voltage(bench, tested)
    with pytest.raises(StaleError, match=f"{tested} that nobody is known to have been shown"):
        bench.act(passing(up_to=looked_at))
    assert [each["job"] for each in held(bench)] == [str(tested)]
    bench.act(passing(up_to=shown(bench)))
    assert held(bench) == []


def test_of_two_other_jobs_the_one_that_was_shown_is_passed(bench):
    """The other one, whose voltage came in between, holds on."""
    first = voltage(bench)
    another(bench, "insulation-one-minute")
    second = bench.job
    another(bench)
    looked_at = shown(bench)
    more_voltage(bench, second)
    bench.act(passing(up_to=looked_at))
    assert [each["job"] for each in held(bench)] == [str(second)]
    assert str(first) not in str(held(bench))


def void(bench, job):
    """Void another job of the machine."""
    last = bench.service.state(job).last
    bench.desk.act(job, Noted(text="for training only", voids=True), bench.who("foreman"), last)


def test_voiding_a_job_takes_nothing_off_what_is_passed_and_what_is_not(bench):
    """What was shown of it stays passed; one more voltage on its winding holds, void as it is."""
    tested = voltage(bench)
    another(bench)
    bench.act(passing(up_to=shown(bench)))
    void(bench, tested)
    assert held(bench) == []
    more_voltage(bench, tested)
    assert [each["job"] for each in held(bench)] == [str(tested)]
    bench.act(passing(up_to=shown(bench)))
    assert held(bench) == []


def test_a_job_that_is_voided_between_the_look_and_the_press_is_passed_as_it_was_shown(bench):
    tested = voltage(bench)
    another(bench)
    looked_at = shown(bench)
    void(bench, tested)
    bench.act(passing(up_to=looked_at))
    assert held(bench) == []


def test_the_write_itself_cannot_be_overtaken(bench):
    """Checked, and before it is stored the other job has one more voltage: that one holds."""
    tested = voltage(bench)
    another(bench)
    late = []

    def append(batch, expecting=None):
        if not late:
            late.append(tested)
            more_voltage(bench, tested)
        return bench.append(batch, expecting)

    desk = bench.another_desk(append=append)
    desk.act(bench.job, passing(), bench.who(), bench.state.last)
    assert bench.step(FIRST).overridden == {"discharge"}
    assert [each["job"] for each in held(bench)] == [str(tested)]


def test_who_does_not_say_what_was_shown_passes_no_later_one_than_they_can_have_seen(bench):
    """Their own job's newest entry is from before the other job's voltage."""
    tested = voltage(bench)
    another(bench)
    more_voltage(bench, tested)
    with pytest.raises(StaleError, match="look again"):
        bench.act(passing())
    assert len(held(bench)) == 1


def test_pressed_again_it_is_done_once_whatever_is_shown_meanwhile(bench):
    tested = voltage(bench)
    another(bench)
    who, before = Who("technician", new_id()), bench.state.last
    bench.desk.act(bench.job, passing(up_to=shown(bench)), who, before)
    more_voltage(bench, tested)
    after = bench.desk.act(bench.job, passing(up_to=shown(bench)), who, before)
    assert after.last == bench.state.last
    assert len(held(bench)) == 1, "nobody passed the later voltage"


def test_the_journal_says_what_was_shown(bench):
    voltage(bench)
    another(bench)
    bench.act(passing())
    row = bench.reader.of_subject("job", str(bench.job))[-1]
    assert JobEntry.model_validate_json(row.body).event.up_to == row.n - 1


def test_an_old_entry_that_does_not_say_it_passes_all_that_came_before_it():
    """As it did when it was written."""
    other = state_after((Applied(step="insulation", seconds=60), 0.0))
    own = state_after(procedure="three-pair-inductance")
    own = replay([(3, entry(passing(), 1.0))], own)
    assert own.step(FIRST).discharge_passed == 3
    told = replay([(3, entry(passing(up_to=1), 1.0))], own)
    assert told.step(FIRST).discharge_passed == 3, "a second decision takes nothing back"
    assert b"up_to" not in entry(passing()).model_dump_json().encode()
    assert other.applications[0].n == 2


def test_what_was_read_of_one_job_and_not_yet_of_another_does_not_count_as_shown(bench):
    """The jobs are read one after the other, and both are written to meanwhile."""
    tested = voltage(bench)
    another(bench)
    before = bench.reader.last_n()
    later = more_voltage(bench, tested)
    now, beside = bench.clock.utc(), bench.service.beside(bench.state)
    assert Shown(beside, before).up_to(bench.state, now) == 0
    assert Shown(beside, later).up_to(bench.state, now) == later
    assert Shown().up_to(bench.state, now) == 0


def test_nobody_was_shown_what_came_after_their_own_entry(bench):
    """Whatever number they say."""
    tested = voltage(bench)
    another(bench)
    bench.act(passing(up_to=10**12))
    assert held(bench) == []
    more_voltage(bench, tested)
    assert [each["job"] for each in held(bench)] == [str(tested)]


def test_another_lock_is_passed_whatever_was_shown(bench):
    voltage(bench)
    another(bench, "pulse-six-readings")
    bench.act(Overridden(step="pulse", lock="insulation", reason="read this morning"))
    assert [each["name"] for each in held(bench, "pulse")] == ["discharge"]
    assert [each.name for each in locks(bench.state, "pulse", bench.clock.utc())] == []
