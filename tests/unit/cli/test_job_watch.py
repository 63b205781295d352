"""`benchtally job watch`: what it prints, and what ends it."""

import json

import pytest
from taken_by_command import now, ohms

from capture.cli.acting import Act
from capture.cli.bench import open_bench
from capture.clock import SystemClock
from capture.model import new_id


@pytest.fixture
def meanwhile(monkeypatch):
    """Let things happen, one each time that a watcher waits for news."""
    happening = []

    def wait(_self, event, _seconds):
        if happening:
            happening.pop(0)()
        return event.is_set()

    monkeypatch.setattr(SystemClock, "wait", wait)
    return happening


def desk_of(jobs):
    """Somebody else's desk on the same journal."""
    return open_bench(jobs.journal.with_name("benchtally.toml"))


def act(bench, action, **members):
    """Let the foreman act in the job as it stands then."""
    Act(bench, "last", "foreman", None, None).do(action, **members)


def test_watch_prints_each_step_as_it_is_taken_until_none_is_open(jobs, draft, meanwhile):
    jobs.start("three-pair-resistance")

    def take(step, value):
        def do():
            stored = ohms(draft, value)
            jobs.store(stored)
            with desk_of(jobs) as bench:
                act(bench, "noted", step=step, text="clamped anew")
                state = bench.state("last")
                bench.desk.take(
                    state.job, step, [stored.id], bench.who("foreman", None), state.last
                )
                act(bench, "ramped-down", step=step)

        return do

    meanwhile += [
        take("resistance-u-v", 0.8421),
        take("resistance-v-w", 0.8422),
        take("resistance-w-u", 0.8423),
    ]
    said = jobs.do("job", "watch", "last", "--timeout", "20")
    assert "resistance-u-v taken: 842.1 mΩ (taken by hand), by foreman" in said
    assert "noted resistance-u-v: clamped anew, by foreman" in said
    assert said.index("Next: resistance-v-w") < said.index("resistance-v-w taken: 842.2 mΩ")
    assert said.index("resistance-v-w taken") < said.index("resistance-w-u taken: 842.3 mΩ")


def test_watch_ends_at_what_is_asked_for(jobs, draft, meanwhile):
    jobs.start("three-pair-resistance")

    def finish():
        with desk_of(jobs) as bench:
            act(bench, "finished")

    meanwhile.append(finish)
    lines = jobs.do("job", "watch", "last", "--until", "finished", "--json").splitlines()
    (entry,) = map(json.loads, lines)
    assert (entry["event"]["action"], entry["n"]) == ("finished", jobs.look()["last"])
    assert jobs.do("job", "watch", "last") == ""


def test_watch_gives_up_after_its_time(jobs):
    jobs.start("three-pair-resistance")
    arguments = ("--until", "taken:resistance-u-v", "--timeout", "0.1")
    said = jobs.do("job", "watch", "last", *arguments, code=1)
    assert "taken:resistance-u-v did not happen within 0.1 s" in said


def test_watch_ends_by_ctrl_c(jobs, meanwhile):
    jobs.start("three-pair-resistance")

    def interrupt():
        raise KeyboardInterrupt

    meanwhile.append(interrupt)
    jobs.do("job", "watch", "last")


@pytest.mark.parametrize(
    ("until", "reason"),
    [
        ("lunch", "is none of taken:STEP, finished or signed-off"),
        ("taken:", "is none of"),
        ("taken:resistance", "the steps are"),
    ],
)
def test_watch_says_what_it_can_wait_for(jobs, until, reason):
    jobs.start("three-pair-resistance")
    assert reason in jobs.do("job", "watch", "last", "--until", until, code=2)


@pytest.mark.parametrize(
    ("action", "members", "words"),
    [
        ("paused", {"reason": "tea break"}, "but the job is paused: nothing is taken until"),
        ("finished", {}, "but the job is finished: no step takes it"),
    ],
)
def test_watch_says_once_that_what_comes_in_is_not_taken(
    jobs, draft, meanwhile, action, members, words
):
    jobs.start("three-pair-resistance")

    def rest():
        jobs.store(ohms(draft, 0.8421))  # the leads lie on since before: not a word about these
        with desk_of(jobs) as bench:
            act(bench, action, **members)
        jobs.store(ohms(draft, 0.8421))

    def touch():
        jobs.store(draft(time=now(), value=None, digits="OL", status="above-range"))
        jobs.store(*(ohms(draft, 0.84) for _ in range(3)))

    def interrupt():
        raise KeyboardInterrupt

    meanwhile += [rest, touch, touch, interrupt]
    lines = jobs.do("job", "watch", "last", "--until", "signed-off").splitlines()
    (told,) = [line for line in lines if "comes in" in line]
    assert f"resistance comes in from ohm-1, {words}" in told
    assert action in next(line for line in lines if line.endswith("by foreman") or "tea" in line)


def test_readings_of_another_job_are_no_matter_of_the_paused_one(jobs, draft, meanwhile):
    jobs.start("three-pair-resistance")
    with desk_of(jobs) as bench:
        act(bench, "paused", reason="tea break")
        paused = str(bench.state("last").job)

    def another():
        jobs.start("three-pair-resistance")
        jobs.store(draft(time=now(), value=None, digits="OL", status="above-range"))
        jobs.store(ohms(draft, 0.84))

    def back_again():
        with desk_of(jobs) as bench:
            Act(bench, paused, "foreman", None, None).do("noted", text="dusty")
        jobs.store(draft(time=now(), value=None, digits="OL", status="above-range"))
        jobs.store(ohms(draft, 0.85))

    def interrupt():
        raise KeyboardInterrupt

    meanwhile += [another, back_again, interrupt]
    lines = jobs.do("job", "watch", paused, "--until", "signed-off").splitlines()
    (told,) = [line for line in lines if "comes in" in line]
    assert lines.index(told) > next(n for n, line in enumerate(lines) if "dusty" in line)


@pytest.mark.parametrize("hands_free", [True, False])
def test_a_voltage_is_said_to_be_counted_only_where_somebody_counts(
    jobs, draft, meanwhile, hands_free
):
    """Without hands-free capture nobody does; what the line then says protects."""
    with jobs.journal.with_name("benchtally.toml").open("a") as file:
        file.write(f"\n[jobs]\nhands_free = {str(hands_free).lower()}\n")
    jobs.start("insulation-one-minute")

    def test():
        with desk_of(jobs) as bench:
            act(bench, "paused", reason="tea break")
        series = {"id": new_id(), "elapsed": 1.0}
        jobs.store(
            draft(
                time=now(), quantity="insulation_resistance", value=1e9, digits="1.0",
                shown_unit="GOhm", series=series,
            )
        )  # fmt: skip

    def interrupt():
        raise KeyboardInterrupt

    meanwhile += [test, interrupt]
    lines = jobs.do("job", "watch", "last", "--until", "signed-off").splitlines()
    (told,) = [line for line in lines if "comes in" in line]
    assert ("its voltage is on is counted" in told) is hands_free
    assert ("keep the winding earthed for at least four times" in told) is not hands_free


def test_a_voltage_that_another_step_is_due_for_is_told(jobs, draft, meanwhile):
    """Its tester counts nothing, and the procedure has no step for it."""
    jobs.start("three-pair-resistance")

    def test():
        jobs.store(
            draft(
                time=now(), quantity="insulation_resistance", value=1e9, digits="1.0",
                shown_unit="GOhm",
            )
        )  # fmt: skip

    def interrupt():
        raise KeyboardInterrupt

    meanwhile += [test, interrupt]
    lines = jobs.do("job", "watch", "last", "--until", "signed-off").splitlines()
    (told,) = [line for line in lines if "comes in" in line]
    assert "but step resistance-u-v is to be done: nothing takes this" in told
    assert "its voltage is on is counted" in told


def test_of_json_each_line_is_an_entry_of_the_job(jobs, draft, meanwhile):
    jobs.start("three-pair-resistance")

    def touch():
        with desk_of(jobs) as bench:
            act(bench, "paused", reason="tea break")
        jobs.store(draft(time=now(), value=None, digits="OL", status="above-range"))
        jobs.store(ohms(draft, 0.84))

    def finish():
        with desk_of(jobs) as bench:
            act(bench, "finished")

    meanwhile += [touch, finish]
    lines = jobs.do("job", "watch", "last", "--json").splitlines()
    assert [json.loads(line)["event"]["action"] for line in lines] == ["paused", "finished"]
