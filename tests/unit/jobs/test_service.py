"""Jobs in the journal: two writers, the same act twice, found again from the file alone."""

import pytest
from job_events import drafts_for, taken

from capture.clock import ManualClock
from capture.errors import InputError
from capture.jobs.procedure import load_procedure
from capture.jobs.service import JobService, Who
from capture.jobs.state import StepStatus
from capture.journal import JournalReader, StaleError, Store
from capture.model import new_id
from capture.model.job import (
    Applied,
    Noted,
    Selected,
)
from capture.model.machine import Nameplate


@pytest.fixture
def service(tmp_path):
    """A service over a journal of its own."""
    store = Store(tmp_path / "bench.journal")
    reader = JournalReader(tmp_path / "bench.journal")
    made = JobService(
        reader,
        lambda batch, expecting: store.append(batch, expecting=expecting),
        ManualClock(),
        "sawmill",
        "bench-1",
    )
    made.register("fan-07", Nameplate(rated_volts=400, winding="random"), who())
    yield made
    reader.close()
    store.close()


def who() -> Who:
    """Somebody, and a fresh id."""
    return Who("technician", new_id())


def test_a_machine_is_what_was_said_of_it_last(service):
    service.register("fan-07", Nameplate(rated_volts=690), who(), note="nameplate read again")
    assert service.machine("fan-07").nameplate.rated_volts == 690
    assert [each.nameplate.rated_volts for each in service.machine_history("fan-07")] == [400, 690]
    assert [each.machine for each in service.machines()] == ["fan-07"]
    with pytest.raises(InputError, match="not registered"):
        service.machine("fan-99")


def test_no_more_jobs_are_replayed_than_a_page_shows(service, monkeypatch):
    """Of thousands of jobs, a look at the list must not wait for all."""
    procedure = load_procedure("three-pair-inductance")
    jobs = [new_id() for _ in range(9)]
    for job in jobs:
        service.start(job, "fan-07", procedure, who(), beside=True)
    fresh = JobService(service._reader, service._append, ManualClock(), "sawmill", "bench-1")
    replayed = []
    look = fresh.state
    monkeypatch.setattr(fresh, "state", lambda job: replayed.append(job) or look(job))
    page = fresh.page(limit=3)
    assert [state.job for _, state in page] == replayed == jobs[:5:-1]
    page = fresh.page(before=page[-1][0], limit=3)
    assert [state.job for _, state in page] == jobs[5:2:-1]
    assert next(fresh.newest_first()).job == jobs[-1]
    assert len(replayed) == 6, "what was shown once is remembered"
    assert [state.job for state in fresh.newest_first()] == jobs[::-1]
    assert [state.job for state in fresh.jobs()] == jobs[::-1]
    assert len(replayed) == 9


def test_two_writers_on_one_job_cannot_overwrite_each_other(service):
    job = new_id()
    first = service.start(job, "fan-07", load_procedure("three-pair-inductance"), who())
    second = service.act(job, Noted(text="one tablet"), who(), first.last)
    with pytest.raises(StaleError, match="look again"):
        service.act(job, Noted(text="other tablet"), who(), first.last)
    assert service.act(job, Noted(text="other tablet"), who(), second.last).notes == (
        "one tablet",
        "other tablet",
    )


def test_the_same_act_handed_in_twice_is_done_once(service, draft):
    job, someone = new_id(), who()
    state = service.start(job, "fan-07", load_procedure("three-pair-inductance"), someone)
    again = service.start(job, "fan-07", load_procedure("three-pair-inductance"), someone)
    assert again.last == state.last
    act, event = who(), taken("inductance-u-v")
    readings = drafts_for(event, draft, quantity="inductance", unit="H", shown_unit="mH")
    once = service.act(job, event, act, state.last, readings=readings)
    twice = service.act(job, event, act, state.last, readings=readings)
    assert once == twice
    assert twice.step("inductance-u-v").readings == event.readings


def test_a_job_is_found_again_from_the_file_alone(service, tmp_path, draft):
    job = new_id()
    state = service.start(job, "fan-07", load_procedure("after-rewind"), who())
    event = taken("inductance-u-v")
    readings = drafts_for(event, draft, quantity="inductance", unit="H", shown_unit="mH")
    service.act(job, event, who(), state.last, readings=readings)
    reader = JournalReader(tmp_path / "bench.journal")
    other = JobService(reader, lambda batch, expecting: [], ManualClock(), "sawmill", "bench-1")
    assert other.state(job) == service.state(job)
    assert [each.job for each in other.jobs()] == [job]
    reader.close()
    with pytest.raises(InputError, match="there is no job"):
        service.state(new_id())


def test_an_id_that_was_used_for_something_else_is_refused(service):
    """Passing it over would lose what is handed in, in silence."""
    job, act = new_id(), who()
    state = service.start(job, "fan-07", load_procedure("three-pair-inductance"), who())
    state = service.act(job, Noted(text="dusty"), act, state.last)
    with pytest.raises(InputError, match="belongs to another entry"):
        service.act(job, Noted(text="wet"), act, state.last)
    with pytest.raises(InputError, match="belongs to another entry"):
        service.register("fan-08", Nameplate(), act)


def test_another_description_of_a_machine_needs_an_id_of_its_own(service):
    act = who()
    once = service.register("fan-08", Nameplate(rated_volts=400), act, note="new")
    assert service.register("fan-08", Nameplate(rated_volts=400), act, note="new") == once
    for plate, note in ((Nameplate(rated_volts=690), "new"), (Nameplate(rated_volts=400), "old")):
        with pytest.raises(InputError, match="another description of fan-08"):
            service.register("fan-08", plate, act, note)


def test_a_view_that_is_not_the_newest_is_said_before_anything_else(service, draft):
    """Who comes second on a step hears that the job has moved on, not that the step is taken."""
    job = new_id()
    state = service.start(job, "fan-07", load_procedure("three-pair-inductance"), who())
    for expected in (None, StaleError):
        event = taken("inductance-u-v")
        readings = drafts_for(event, draft, quantity="inductance", unit="H", shown_unit="mH")
        if expected is None:
            service.act(job, event, who(), state.last, readings=readings)
        else:
            with pytest.raises(expected):
                service.act(job, event, who(), state.last, readings=readings)


def test_a_step_takes_readings_that_are_there_and_of_its_quantity(service, draft):
    job = new_id()
    state = service.start(job, "fan-07", load_procedure("three-pair-inductance"), who())
    event = taken("inductance-u-v")
    with pytest.raises(InputError, match="there is no reading"):
        service.act(job, event, who(), state.last)
    with pytest.raises(InputError, match="takes inductance, not resistance"):
        service.act(job, event, who(), state.last, readings=drafts_for(event, draft))
    assert service.state(job).last == state.last


def test_what_follows_from_an_act_is_written_with_it_or_not_at_all(service, draft):
    job = new_id()
    state = service.start(job, "fan-07", load_procedure("insulation-one-minute"), who())
    event = taken("insulation", how="timed")
    ohms = {"quantity": "insulation_resistance", "unit": "Ohm"}
    applied = Applied(step="insulation", seconds=60)
    with pytest.raises(InputError, match="there is no step"):
        service.act(
            job,
            event,
            who(),
            state.last,
            also=[applied, Selected(step="nowhere")],
            readings=drafts_for(event, draft, **ohms),
        )
    assert service.state(job).last == state.last
    done = service.act(
        job, event, who(), state.last, also=[applied], readings=drafts_for(event, draft, **ohms)
    )
    assert done.step("insulation").status is StepStatus.TAKEN
    assert [each.seconds for each in done.applications] == [60]
