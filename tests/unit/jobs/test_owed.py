"""What a test voltage has left on a winding holds every job of that machine, whoever runs it."""

import pytest
from job_events import at, state_after, taken
from watched import InsulationTester
from watched import taken as steps_taken

from capture.jobs.locks import locks
from capture.jobs.owed import owed
from capture.jobs.procedure import load_procedure
from capture.jobs.rules import LockedError, check
from capture.model import new_id
from capture.model.job import Applied, Discharged, Finished, Overridden, Selected, SignedOff

FIRST, SECOND = "inductance-u-v", "inductance-v-w"


def another(bench, procedure="three-pair-inductance", machine="fan-07"):
    """Begin a second job; gives the first one."""
    first, bench.job = bench.job, new_id()
    if machine == "fan-07":
        bench.begin(procedure)
        return first
    begin(bench, procedure, machine)
    return first


def begin(bench, procedure, machine):
    bench.service.register(machine, bench.service.machine("fan-07").nameplate, bench.who())
    bench.service.start(bench.job, machine, load_procedure(procedure), bench.who(), beside=True)


def voltage(bench, seconds=60.0):
    """Begin a job in which a voltage was applied; gives it."""
    bench.begin("insulation-one-minute", winding_celsius=22.0)
    bench.act(Applied(step="insulation", seconds=seconds))
    return bench.job


def held(bench, step=FIRST):
    """Give the locks of a step as a person sees them."""
    view = bench.desk.view(bench.state)
    return next(each for each in view["steps"] if each["id"] == step)["locks"]


def confirm(bench, job):
    own, bench.job = bench.job, job
    bench.act(Discharged(step="insulation"))
    bench.job = own


def test_a_second_job_waits_for_the_discharge_of_the_first(bench):
    tested = voltage(bench)
    another(bench)
    bench.clock.advance(100)
    reading = bench.reading("inductance", 0.0623)
    with pytest.raises(LockedError) as refused:
        bench.take(FIRST, [reading])
    assert f"in job {tested} of this machine, step insulation" in str(refused.value)
    assert "wait 140 s more with the winding earthed, prove it discharged" in str(refused.value)
    (lock,) = held(bench)
    assert (lock["name"], lock["job"], lock["step"]) == ("discharge", str(tested), "insulation")
    assert lock["until"] is not None
    bench.clock.advance(141)
    (lock,) = held(bench)
    assert lock["until"] is None
    assert lock["words"].startswith("earth the winding and prove it discharged, then confirm that")
    with pytest.raises(LockedError, match=str(tested)):
        bench.take(FIRST, [reading])
    confirm(bench, tested)
    assert held(bench) == []
    bench.take(FIRST, [reading])


@pytest.mark.parametrize("over", [[Finished()], [Finished(), SignedOff()]])
def test_so_it_does_where_the_first_one_is_over(bench, over):
    """Who leaves a job leaves the winding as it is."""
    tested = voltage(bench)
    for event in over:
        bench.act(event)
    another(bench)
    assert [each["job"] for each in held(bench)] == [str(tested)]
    bench.clock.advance(241)
    confirm(bench, tested)
    assert held(bench) == []


def test_it_is_said_at_the_head_of_the_job_too(bench):
    tested = voltage(bench)
    another(bench)
    (told,) = bench.desk.view(bench.state)["beside"]
    assert (told["job"], told["step"]) == (str(tested), "insulation")
    bench.act(Overridden(step=FIRST, lock="discharge", reason="earthed all along"))
    assert bench.desk.view(bench.state)["beside"], "passing it for a step discharges nothing"
    bench.clock.advance(241)
    confirm(bench, tested)
    assert bench.desk.view(bench.state)["beside"] == []


def test_the_first_job_waits_for_the_second_as_well(bench):
    first = new_id()
    bench.begin("three-pair-inductance")
    first, bench.job = bench.job, new_id()
    tested = voltage(bench)
    bench.job = first
    assert [each["job"] for each in held(bench)] == [str(tested)]


def test_another_machine_is_no_matter(bench):
    voltage(bench)
    another(bench, machine="fan-08")
    assert held(bench) == []
    bench.take(FIRST, [bench.reading("inductance", 0.0623)])


def test_it_can_be_passed_with_a_reason_and_that_is_written_down(bench):
    voltage(bench)
    another(bench)
    bench.act(Overridden(step=FIRST, lock="discharge", reason="earthed all along"))
    assert held(bench) == []
    assert [each["name"] for each in held(bench, SECOND)] == ["discharge"]
    bench.take(FIRST, [bench.reading("inductance", 0.0623)])
    assert bench.step(FIRST).overridden == {"discharge"}


def test_a_later_voltage_in_the_other_job_holds_again(bench):
    """Passing a lock spoke of what was on the winding then."""
    tested = voltage(bench)
    another(bench)
    bench.act(Overridden(step=FIRST, lock="discharge", reason="earthed all along"))
    own, bench.job = bench.job, tested
    bench.clock.advance(10)
    bench.act(Applied(step="insulation", seconds=30))
    bench.job = own
    (lock,) = held(bench)
    assert lock["job"] == str(tested)
    shown = bench.desk.view(bench.state)["up_to"]
    bench.act(Overridden(step=FIRST, lock="discharge", reason="earthed since, too", up_to=shown))
    assert held(bench) == []


def test_what_is_owed_here_and_there_is_said_of_both_and_passed_at_once(bench):
    tested = voltage(bench)
    another(bench, "insulation-one-minute")
    bench.act(Applied(step="insulation", seconds=20))
    assert [each["job"] for each in held(bench, "insulation")] == [str(tested), None]
    bench.act(Overridden(step="insulation", lock="discharge", reason="earthed all along"))
    assert held(bench, "insulation") == []


def test_no_job_keeps_another_from_confirming(bench):
    """Two jobs that both owe are confirmed one after the other, in any order."""
    first = voltage(bench)
    another(bench, "insulation-one-minute")
    bench.act(Applied(step="insulation", seconds=60))
    bench.clock.advance(241)
    bench.act(Discharged(step="insulation"))
    assert [each["job"] for each in held(bench, "insulation")] == [str(first)]
    confirm(bench, first)
    assert held(bench, "insulation") == []


def test_nothing_to_pass_is_refused(bench):
    voltage(bench)
    another(bench, machine="fan-08")
    with pytest.raises(Exception, match="not held by the lock discharge"):
        bench.act(Overridden(step=FIRST, lock="discharge", reason="earthed all along"))


def test_hands_free_capture_waits_too(bench):
    tested = voltage(bench)
    another(bench)
    bench.watching()
    bench.touch("inductance", 0.0623)
    assert steps_taken(bench) == []
    assert f"in job {tested} of this machine" in bench.watch.seen.reason
    bench.clock.advance(241)
    confirm(bench, tested)
    bench.act(Selected(step=FIRST))  # the watch follows the job that was worked on last
    bench.follow()
    bench.touch("inductance", 0.0623)
    assert steps_taken(bench) == [FIRST]


def test_a_voltage_that_ends_after_the_second_job_began_holds_it(bench):
    """The test runs on while somebody begins the next job."""
    bench.begin("insulation-one-minute", winding_celsius=22.0)
    bench.watching()
    tester = InsulationTester(bench)
    tester.run(40)
    tested = another(bench)
    bench.follow()
    tester.run(50)
    bench.quiet(5)
    assert [each["job"] for each in held(bench)] == [str(tested)]
    assert bench.watch.seen.job == bench.job, "that was written down is no work on the first job"


def test_other_jobs_are_not_replayed_for_it(bench, monkeypatch):
    """A bench of years has thousands of jobs: only those of the machine are looked at."""
    voltage(bench)
    another(bench, machine="fan-08")
    others = bench.job
    another(bench)
    read = []
    of_subject = bench.reader.of_subject

    def noted(kind, subject, **more):
        read.append(subject)
        return of_subject(kind, subject, **more)

    desk = bench.another_desk()
    monkeypatch.setattr(bench.reader, "of_subject", noted)
    assert len(desk.view(desk.service.state(bench.job))["beside"]) == 1
    assert str(bench.job) in read
    assert str(others) not in read


def test_a_job_that_owes_nothing_any_more_is_looked_at_no_further(bench):
    """A winding of years has thousands: each step of a view would go through all of them."""
    tested = voltage(bench)
    another(bench)
    assert [each.job for each in bench.service.beside(bench.state)] == [tested]
    bench.clock.advance(241)
    assert [each.job for each in bench.service.beside(bench.state)] == [tested]
    confirm(bench, tested)
    assert bench.service.beside(bench.state) == []


def test_a_job_that_was_cut_off_the_journal_holds_nothing_though_it_is_remembered(bench):
    """Nobody could confirm it any more."""
    tested = voltage(bench)
    another(bench)
    assert len(held(bench)) == 1
    bench.store._connection.execute(
        "DELETE FROM entries WHERE kind = 'job' AND subject = ?", (str(tested),)
    )
    assert held(bench) == []


def damage(bench, job, place):
    """Change bits of one entry of a job: its first one, or its newest one."""
    bench.store._connection.execute(
        f"UPDATE entries SET body = ? WHERE n = (SELECT {place}(n) FROM entries "
        "WHERE kind = 'job' AND subject = ?)",
        (b'{"x', str(job)),
    )


def test_a_damaged_entry_of_another_machine_keeps_nobody_from_working(bench):
    bench.begin("three-pair-inductance")
    first = bench.job
    another(bench, machine="fan-08")
    damage(bench, bench.job, "min")
    bench.job = first
    bench.desk = bench.another_desk()
    bench.service = bench.desk.service
    assert held(bench) == []
    bench.take(FIRST, [bench.reading("inductance", 0.0623)])


def test_what_can_be_read_of_a_damaged_job_holds_and_can_be_passed(bench):
    tested = voltage(bench)
    bench.act(Finished())
    another(bench)
    damage(bench, tested, "max")
    bench.desk = bench.another_desk()
    bench.service = bench.desk.service
    assert [each["job"] for each in held(bench)] == [str(tested)]
    bench.act(Overridden(step=FIRST, lock="discharge", reason="earthed since yesterday"))
    bench.take(FIRST, [bench.reading("inductance", 0.0623)])


def test_what_is_written_of_a_voltage_makes_no_job_the_last_one_that_was_worked_on(bench):
    assert bench.service.worked_on_last() is None
    bench.begin("insulation-one-minute", winding_celsius=22.0)
    bench.watching()
    tester = InsulationTester(bench)
    tester.run(40)
    tested = another(bench)
    bench.follow()
    bench.quiet(5)
    assert bench.service.jobs()[0].job == tested
    assert bench.service.worked_on_last() == bench.job


# ── one job alone ────────────────────────────────────────────────────────────────────────────


def applied(seconds, ended, step="insulation"):
    return (Applied(step=step, seconds=seconds), ended)


def test_a_short_test_after_a_long_one_shortens_no_wait():
    """600 s of voltage ask for 2400 s, whatever ten seconds of it came after them."""
    events = (taken("insulation"), applied(600, 0.0), applied(10, 100.0))
    state = state_after(*events)
    found = owed(state, at(200))
    assert (found.until, found.seconds) == (at(2400), 600)
    with pytest.raises(LockedError, match="wait 2200 s more"):
        check(state, Discharged(step="insulation"), at(200))
    check(state, Discharged(step="insulation"), at(2401))
    state = state_after(*events, (Discharged(step="insulation"), 2401.0))
    assert owed(state, at(2402)) is None


def test_what_is_to_be_done_after_the_step_waits_as_long(bench):
    """The count on the page is that of the lock."""
    bench.begin("insulation-one-minute")
    bench.act(Applied(step="insulation", seconds=600))
    bench.clock.advance(100)
    bench.act(Applied(step="insulation", seconds=10))
    (step,) = bench.desk.view(bench.state)["steps"]
    (after,) = step["after"]
    assert after["until"] == step["locks"][0]["until"]
    assert after["words"].startswith(
        "end the test on the instrument, keep the winding earthed for 2300 s more, prove it"
    )


def test_who_passes_the_lock_for_a_step_confirms_no_sooner():
    state = state_after(
        applied(60, 0.0),
        (Overridden(step="insulation", lock="discharge", reason="tested again at once"), 1.0),
    )
    assert locks(state, "insulation", at(2)) == []
    with pytest.raises(LockedError, match="wait 238 s more"):
        check(state, Discharged(step="insulation"), at(2))


def test_a_clock_that_was_set_back_locks_nobody_up_for_months():
    """A voltage that ends far from now was stamped by a clock that was wrong, and is owed for."""
    ahead = (Applied(step="insulation", seconds=60), 300 * 86_400.0)
    state = state_after(taken("insulation"), ahead)
    (lock,) = locks(state, "pulse", at(0))
    assert (lock.name, lock.until) == ("discharge", None)
    assert "keep the winding earthed for at least 240 s from now" in lock.words
    check(state, Discharged(step="insulation"), at(0))
    confirmed = state_after(taken("insulation"), ahead, (Discharged(step="insulation"), 1.0))
    assert owed(confirmed, at(2)) is None
    # What two clocks may differ by is waited for.
    near = state_after(taken("insulation"), (Applied(step="insulation", seconds=60), 3000.0))
    (lock,) = locks(near, "pulse", at(0))
    assert lock.until == at(3240)
    with pytest.raises(LockedError):
        check(near, Discharged(step="insulation"), at(0))


def test_another_job_says_that_the_clock_was_set_back(bench):
    tested = voltage(bench)
    another(bench)
    now = bench.clock.utc()
    bench.clock.step_utc(-86_400.0)
    (lock,) = held(bench)
    assert lock["until"] is None
    assert "clock was set back" in lock["words"]
    assert str(tested) in lock["words"]
    assert bench.clock.utc() < now
    confirm(bench, tested)
    assert held(bench) == []
