"""``benchtally job``: whole jobs by the command line, on real journals."""

import json
import re
from datetime import UTC, datetime, timedelta

import pytest
from taken_by_command import ohms, taken

from capture.model import new_id

OPERATOR = ("--operator", "winder")


OWN = """\
schema_version = 1
name = "two-pairs"
title = "Two pairs"
cautions = ["Lock it off."]
[[steps]]
id = "u-v"
title = "Resistance U-V"
cautions = ["Ramp down first."]
points = ["U-V"]
quantity = "resistance"
"""


# ── procedures ───────────────────────────────────────────────────────────────────────────────


def test_procedures_are_listed_with_where_they_come_from(jobs, tmp_path, monkeypatch):
    monkeypatch.setenv("BENCHTALLY_PROCEDURES", str(tmp_path))
    (tmp_path / "two-pairs.toml").write_text(OWN, "utf-8")
    (tmp_path / "broken.toml").write_text(OWN.replace("quantity", "quantitie"), "utf-8")
    lines = jobs.run("job", "procedures", "--json", with_config=False)[1].splitlines()
    found = {each["name"]: each for each in map(json.loads, lines)}
    assert found["after-rewind"]["source"] == "built in"
    assert found["after-rewind"]["steps"] == 8
    assert found["two-pairs"]["source"] == str(tmp_path / "two-pairs.toml")
    assert "steps[0].quantity: not given" in found["broken"]["faults"][0]
    text = jobs.run("job", "procedures", with_config=False)[1]
    assert "faulty" in text
    assert "three-pair-resistance" in text


def test_a_procedure_is_shown_cautions_before_each_step(jobs):
    text = jobs.run("job", "procedure", "three-pair-resistance", with_config=False)[1]
    assert text.index("CAUTION: Isolate") < text.index("1. resistance-u-v")
    assert text.index("1. resistance-u-v") < text.index("CAUTION: A meter's direct current")
    code, _, err = jobs.run("job", "procedure", "four-pairs", with_config=False)
    assert code == 2
    assert "there are after-rewind" in err


# ── starting and looking ─────────────────────────────────────────────────────────────────────


def test_a_job_starts_on_a_registered_machine_with_its_conditions(jobs):
    started = jobs.start("after-rewind", "--rotor", "out", "--winding-celsius", "22.5")
    assert started["conditions"] == {"rotor": "out", "winding_celsius": 22.5}
    assert started["of"] == 8
    text = jobs.do("job", "show", "last")
    assert text.splitlines()[0] == (
        "Nothing can be said yet: resistance, inductance, insulation, pulse still to be done."
    )
    assert "Conditions: rotor out, winding celsius 22.5" in text
    said = jobs.do("job", "start", "FAN-99", "after-rewind", *OPERATOR, code=2)
    assert "machine 'FAN-99' is not registered" in said
    said = jobs.do("job", "start", "FAN-07", "after-rewind", "--rotor", "half", *OPERATOR, code=2)
    assert "rotor: found 'half', expected 'in', 'out'" in said


def test_starting_says_the_cautions_first_and_starts_once(jobs, some_id):
    jobs.do("machine", "add", "FAN-07", *OPERATOR)
    arguments = ("job", "start", "FAN-07", "three-pair-inductance", "--id", some_id, *OPERATOR)
    first = jobs.do(*arguments)
    assert first.index("CAUTION: ") < first.index("Next: inductance-u-v")
    assert jobs.do(*arguments) == first
    (listed,) = jobs.do("job", "list", "--json").splitlines()
    assert json.loads(listed)["of"] == 3


def test_an_own_procedure_is_kept_with_the_job(jobs, tmp_path):
    path = tmp_path / "two-pairs.toml"
    path.write_text(OWN, "utf-8")
    jobs.start(path)
    path.unlink()
    assert jobs.look()["cautions"] == ["Lock it off."]


def test_a_job_is_named_by_its_id_its_beginning_or_last(jobs):
    first = jobs.start("three-pair-inductance")["job"]
    second = jobs.start("three-pair-resistance")["job"]
    for name in (first, first.upper(), first.replace("-", "")):
        assert json.loads(jobs.do("job", "show", name, "--json"))["job"] == first
    assert jobs.look()["job"] == second
    pairs = enumerate(zip(first, second, strict=True))
    beginning = first[: next(place for place, (one, other) in pairs if one != other)]
    said = jobs.do("job", "show", beginning, code=2)
    assert "may be any of the jobs" in said
    assert first in said
    longer = first[: len(beginning) + 1]
    assert json.loads(jobs.do("job", "show", longer, "--json"))["job"] == first
    for name in (first[:3], "abcd", "", str(new_id())):
        assert "there is no job" in jobs.do("job", "show", name, code=2)


def test_last_is_no_job_that_was_left_since_whatever_is_written_of_its_voltage(jobs):
    """An act on ``last`` would be one on the job that nobody has in hand any more."""
    left = jobs.start("insulation-one-minute")["job"]
    at_hand = jobs.start("three-pair-resistance")["job"]
    jobs.do("job", "applied", left, "insulation", "60", "--operator", "watcher")
    assert jobs.look()["job"] == at_hand


def test_without_a_job_or_a_journal_a_line_says_so(jobs):
    assert "no journal yet" in jobs.do("job", "show", "last", code=1)
    jobs.do("machine", "add", "FAN-07", *OPERATOR)
    assert "`benchtally job start` starts one" in jobs.do("job", "show", "last", code=2)
    assert jobs.do("job", "list") == "no jobs fit\n"


def test_the_list_can_be_of_one_machine(jobs):
    jobs.start("three-pair-inductance")
    jobs.do("machine", "add", "FAN-08", *OPERATOR)
    other = jobs.start("three-pair-resistance", machine="FAN-08")
    lines = jobs.do("job", "list", "--machine", "FAN-08", "--json").splitlines()
    assert [json.loads(line)["job"] for line in lines] == [other["job"]]
    assert "0 of 3" in jobs.do("job", "list")


def test_the_list_shows_the_newest_and_says_that_there_are_older_ones(jobs, monkeypatch):
    monkeypatch.setattr("capture.cli.job._SHOWN", 2)
    jobs.do("machine", "add", "FAN-07", *OPERATOR)
    started = []
    for _ in range(3):
        started.insert(0, jobs.start("three-pair-inductance")["job"])
    assert listed(jobs, "--json") == started
    assert listed(jobs, "--json", "--last", "2") == started[:2]
    shown = jobs.do("job", "list")
    assert shown.endswith("there are older ones; --last 4 shows more of them\n")
    assert shown.count("three-pair-inductance") == 2
    shown = jobs.do("job", "list", "--last", "3")
    assert shown.count("three-pair-inductance") == 3
    assert "older ones" not in shown


def listed(jobs, *how):
    return [json.loads(line)["job"] for line in jobs.do("job", "list", *how).splitlines()]


# ── the step that is due ─────────────────────────────────────────────────────────────────────


def test_a_step_is_shown_cautions_first_then_leads_voltage_and_limits(jobs):
    jobs.start("insulation-one-minute")
    lines = jobs.do("job", "next", "last").splitlines()
    cautions = [line.startswith("CAUTION: ") for line in lines]
    assert cautions == sorted(cautions, reverse=True)
    assert sum(cautions) >= 6  # the procedure's before its first step, and the step's own
    text = "\n".join(lines)
    assert "first lead on U + V + W, second lead on frame" in text
    assert "A person starts it; Benchtally only reads." in text
    # IEEE Std 43-2013, table 1 and 12.3, from public texts.
    assert "A person sets the test voltage: 500 V direct, for 400 V rated" in text
    assert "[IEEE Std 43-2013, from public texts]" in text
    assert "Limit: at least 5 MΩ after 1 min, at 40 °C [IEEE Std 43-2013, 12.3; public text" in text
    assert "at 15 s, 30 s, 60 s after the voltage was reached" in text


def test_a_nameplate_without_a_voltage_gives_no_test_voltage(jobs):
    jobs.start("insulation-one-minute", plate=())
    text = jobs.do("job", "next", "last")
    assert "the nameplate gives no rated voltage" in text
    assert "500 V" not in text
    assert "Not known: no limit for insulation" in text


def test_another_step_can_be_looked_at(jobs):
    jobs.start("three-pair-resistance")
    found = json.loads(jobs.do("job", "next", "last", "--step", "resistance-w-u", "--json"))
    assert found["points"][0]["words"] == "first lead on W, second lead on U"
    said = jobs.do("job", "next", "last", "--step", "resistance-u-w", code=2)
    assert "the steps are resistance-u-v, resistance-v-w, resistance-w-u" in said


def test_no_page_of_the_terminal_says_that_a_winding_is_safe_or_dead(jobs):
    jobs.start("after-rewind")
    steps = [step["id"] for step in jobs.look()["steps"]]
    text = "".join(jobs.do("job", "next", "last", "--step", step) for step in steps)
    assert "safe" not in text.lower()
    assert "winding is dead" not in text.lower()


# ── taking ───────────────────────────────────────────────────────────────────────────────────


def test_the_newest_reading_is_taken_and_tagged_and_what_to_do_next_is_said(jobs, draft):
    jobs.start("three-pair-resistance")
    jobs.store(ohms(draft, 0.9999), ohms(draft, 0.8421))
    said = jobs.act("take", "resistance-u-v")
    assert "To do after resistance-u-v: ramp the meter's current down" in said
    assert "Next: resistance-v-w" in said
    step = jobs.step("resistance-u-v")
    assert (step["status"], step["how"], step["values"][0]["value"]) == (
        "taken",
        "operator",
        0.8421,
    )
    tag = jobs.readings()[-1]["tag"]
    assert (tag["machine"], tag["test_point"]["pair"]) == ("FAN-07", "U-V")


def test_named_readings_are_taken_and_only_of_the_steps_quantity(jobs, draft):
    jobs.start("three-pair-resistance")
    jobs.store(ohms(draft, 0.8421), ohms(draft, 0.9))
    jobs.store(draft(instrument="lcr-1", quantity="inductance", unit="H", value=0.03, digits="30"))
    said = jobs.act("take", "resistance-u-v", "--reading", "lcr-1:last", code=2)
    assert "takes resistance, not inductance" in said
    jobs.act("take", "resistance-u-v", "--reading", "ohm-1:1")
    assert jobs.step("resistance-u-v")["values"][0]["value"] == 0.8421
    assert "there is no reading" in jobs.act(
        "take", "resistance-v-w", "--reading", "ohm-1:9", code=2
    )


def test_a_reading_from_before_the_step_was_opened_is_not_taken_unnamed(jobs, draft):
    jobs.do("machine", "add", "FAN-07", *OPERATOR)
    jobs.store(ohms(draft, 0.8421))
    jobs.start("three-pair-resistance")
    said = jobs.act("take", "resistance-u-v", code=2)
    assert "no reading of resistance has come since step resistance-u-v was opened" in said


def test_conditions_of_a_step_are_kept_with_it(jobs, draft):
    jobs.start("three-pair-resistance", "--rotor", "in")
    jobs.act("conditions", "--winding-celsius", "23.5", "--temperature-by", "contact thermometer")
    jobs.store(ohms(draft, 0.8421))
    jobs.act("take", "resistance-u-v", "--range", "1 Ω", "--lead-zero", "before")
    assert jobs.step("resistance-u-v")["conditions"] == {
        "rotor": "in",
        "winding_celsius": 23.5,
        "temperature_by": "contact thermometer",
        "range": "1 Ω",
        "lead_zero": "before",
    }
    assert "at least one condition" in jobs.act("conditions", code=2)


def test_a_step_is_done_again_and_the_old_reading_stays(jobs, draft):
    jobs.start("three-pair-resistance")
    taken(jobs, draft, "resistance-u-v", 0.9)
    said = jobs.act("redo", "resistance-u-v", "--reason", "lead sat on V2")
    assert "resistance-u-v is open again" in said
    assert "Next: resistance-u-v" in said
    taken(jobs, draft, "resistance-u-v", 0.8421)
    (old,) = jobs.step("resistance-u-v")["superseded"]
    assert (old["value"], old["reason"]) == (0.9, "lead sat on V2")
    assert "before: 900.0 mΩ (lead sat on V2)" in " ".join(jobs.do("job", "show", "last").split())
    assert "redo it, with a reason" in jobs.act("take", "resistance-u-v", code=2)


def test_steps_go_in_any_order_are_left_out_and_refused(jobs, draft):
    jobs.start("three-pair-resistance")
    assert "Next: resistance-w-u" in jobs.act("select", "resistance-w-u")
    jobs.store(ohms(draft, 0.5))
    reading = str(jobs.readings()[-1]["id"])
    assert f"reading {reading} is refused" in jobs.act(
        "refuse", "resistance-w-u", "--reason", "clamp slipped"
    )
    assert jobs.step("resistance-w-u")["refused"] == [reading]
    jobs.act("skip", "resistance-w-u", "--reason", "terminal is broken off")
    step = jobs.step("resistance-w-u")
    assert (step["status"], step["notes"]) == ("skipped", ["skipped: terminal is broken off"])
    assert jobs.look()["current"] == "resistance-u-v"


def test_three_pairs_give_a_result_with_its_limit_and_source(jobs, draft):
    jobs.start("three-pair-resistance")
    for step, value in zip(jobs.look()["steps"], (0.8, 0.82, 0.81), strict=True):
        taken(jobs, draft, step["id"], value)
    text = jobs.do("job", "show", "last")
    # U_avg of 0.80/0.82/0.81: greatest distance from the mean 0.81 over the mean, 1.235 %.
    assert "1.23 %" in text
    assert "Limits: ANSI/EASA AR100-2020 (second-hand)" in text
    assert "Verdict: information only." in text
    assert "Every step is done; `benchtally job finish`" in text


# ── locks ────────────────────────────────────────────────────────────────────────────────────


def test_a_meters_current_is_ramped_down_before_the_next_step(jobs, draft):
    jobs.start("three-pair-resistance")
    jobs.store(ohms(draft, 0.8421))
    jobs.act("take", "resistance-u-v")
    jobs.store(ohms(draft, 0.8422))
    said = jobs.act("take", "resistance-v-w", code=1)
    job = jobs.look()["job"]
    assert "step resistance-v-w is locked" in said
    assert said.endswith(f": benchtally job ramped-down {job} resistance-u-v\n")
    assert said.count("\n") == 1
    jobs.act("ramped-down")
    jobs.act("take", "resistance-v-w")
    jobs.act("ramped-down", "resistance-v-w")
    assert "no step waits" in jobs.act("ramped-down", code=2)


def test_a_discharge_is_waited_for_and_confirmed(jobs):
    jobs.start("after-rewind")
    began = datetime.now(UTC)
    jobs.act("applied", "insulation", "60")
    before = datetime.now(UTC)
    said = jobs.act("discharged", code=1)
    after = datetime.now(UTC)
    until = next(s for s in jobs.look()["steps"] if s["id"] == "insulation")["after"][0]["until"]
    left = int(re.search(r"wait (\d+) s more", said)[1])
    ends = datetime.fromisoformat(until)
    assert began <= ends - timedelta(seconds=240) <= before
    assert (ends - after).total_seconds() - 1 <= left <= (ends - before).total_seconds() + 1
    assert f"(until {until[11:19]} UTC)" in said
    assert "LOCKED: discharge the winding" in jobs.do("job", "next", "last")
    said = " ".join(jobs.do("job", "next", "last").split())
    assert (
        "FIRST, after insulation: end the test on the instrument, keep the winding earthed" in said
    )
    assert said.index("prove it discharged") < said.index("then confirm the discharge")


def test_a_discharge_that_was_long_enough_is_noted(jobs):
    jobs.start("after-rewind")
    jobs.act("applied", "insulation", "0.001")
    assert "the discharge after insulation is noted" in jobs.act("discharged")
    assert jobs.step("insulation")["after"] == []
    assert "no voltage was applied that waits" in jobs.act("discharged", code=2)
    assert "no voltage was applied in step pulse" in jobs.act("discharged", "pulse", code=2)


def test_a_discharge_of_another_job_is_said_with_the_command_that_confirms_it(jobs, draft):
    """The winding is the same, whoever left that job and began this one."""
    tested = jobs.start("insulation-one-minute")["job"]
    jobs.act("applied", "insulation", "60")
    jobs.act("finish")
    second = jobs.start("three-pair-resistance")["job"]
    way_out = f"benchtally job discharged {tested} insulation"
    shown = jobs.do("job", "show", second)
    assert f"First: discharge the winding: in job {tested} of this machine" in " ".join(
        shown.split()
    )
    assert f"then: {way_out}" in shown
    said = jobs.do("job", "next", "last")
    assert said.index("FIRST: discharge the winding") < said.index("resistance-u-v:")
    assert "LOCKED" not in said, "it is said once"
    jobs.store(ohms(draft, 0.8421))
    refused = jobs.act("take", "resistance-u-v", code=1)
    assert f"in job {tested} of this machine, step insulation" in refused
    assert refused.endswith(f" UTC): {way_out}\n")
    jobs.act("override", "resistance-u-v", "discharge", "--reason", "it was earthed all along")
    jobs.act("take", "resistance-u-v")


def test_pulses_wait_for_insulation_and_an_override_says_why(jobs):
    jobs.start("after-rewind")
    assert "LOCKED: take the insulation resistance first" in jobs.do(
        "job", "next", "last", "--step", "pulse"
    )
    assert "reason" in jobs.act("override", "pulse", "insulation", "--reason", "x", code=2)
    said = jobs.act("override", "pulse", "insulation", "--reason", "read last week, 900 MΩ")
    assert "the lock insulation is passed" in said
    assert jobs.step("pulse")["overridden"] == ["insulation"]
    assert "lock: found 'fuse'" in jobs.act("override", "pulse", "fuse", "--reason", "none", code=2)


# ── the whole job ────────────────────────────────────────────────────────────────────────────


def test_a_job_is_paused_resumed_finished_and_signed_off(jobs):
    jobs.start("three-pair-resistance")
    assert "The job is paused" in jobs.act("pause", "--reason", "end of shift")
    assert "the job is paused; noted" not in jobs.act("note", "left on trestle 2")
    assert "the job is paused; skipped needs" in jobs.act(
        "skip", "resistance-u-v", "--reason", "no leads", code=2
    )
    jobs.act("resume")
    jobs.act("note", "terminal is loose", "--step", "resistance-u-v")
    said = jobs.act("sign-off", code=2)
    assert "signed-off needs one that is finished" in said
    jobs.act("finish")
    jobs.act("sign-off", "--statement", "to be rewound")
    found = jobs.look()
    assert found["status"] == "signed-off"
    assert found["notes"] == ["left on trestle 2"]
    assert jobs.step("resistance-u-v")["notes"] == ["terminal is loose"]
    assert jobs.events()[-1]["event"]["statement"] == "to be rewound"


ACTS = [
    ("note", "clean"),
    ("pause", "--reason", "lunch"),
    ("finish",),
    ("select", "resistance-w-u"),
    ("skip", "resistance-u-v", "--reason", "broken off"),
    ("applied", "resistance-u-v", "0.001"),
    ("conditions", "--rotor", "out"),
]


@pytest.mark.parametrize("act", ACTS, ids=lambda act: act[0])
def test_what_rests_on_an_old_look_is_refused(jobs, act):
    seen = jobs.start("three-pair-resistance")["last"]
    jobs.act("note", "somebody else was here")
    before = len(jobs.events())
    said = jobs.act(*act, "--seen", seen, code=1)
    assert "has moved on since it was looked at; look again" in said
    assert len(jobs.events()) == before
    jobs.act(*act, "--seen", jobs.look()["last"])


@pytest.mark.parametrize("act", ACTS, ids=lambda act: act[0])
def test_the_same_id_does_it_once(jobs, some_id, act):
    seen = jobs.start("three-pair-resistance")["last"]
    for _ in range(2):
        jobs.act(*act, "--id", some_id, "--seen", seen)
    assert [each["id"] for each in jobs.events()].count(str(some_id)) == 1
    assert len(jobs.events()) == 2
    assert "belongs to another entry" in jobs.act("note", "other", "--id", some_id, code=2)


def test_a_step_is_taken_once_by_the_same_id(jobs, draft, some_id):
    jobs.start("three-pair-resistance")
    jobs.store(ohms(draft, 0.8421))
    jobs.act("take", "resistance-u-v", "--id", some_id)
    jobs.store(ohms(draft, 0.5))
    assert "was taken before" in jobs.act("take", "resistance-u-v", "--id", some_id)
    assert jobs.step("resistance-u-v")["values"][0]["value"] == 0.8421


def test_every_act_gives_the_whole_job_in_json(jobs):
    jobs.start("three-pair-resistance")
    found = json.loads(jobs.act("note", "clean", "--json"))
    assert found == jobs.look()


def test_what_people_write_cannot_reach_the_terminal_as_an_escape(jobs):
    jobs.start("three-pair-resistance")
    jobs.act("note", "a\x1b[31mb\nc", code=0)
    text = jobs.do("job", "show", "last")  # the fixture refuses control characters
    assert "\x1b" not in text


def test_next_asks_for_no_leads_to_be_lifted_under_current(jobs):
    jobs.start("three-pair-resistance")
    assert "Once the meter's current is zero, lift the leads" in jobs.do("job", "next", "last")
    jobs.start("three-pair-inductance")
    assert "Lift the leads, then put them on" in jobs.do("job", "next", "last")


def test_next_says_that_a_job_takes_nothing_now(jobs):
    jobs.start("three-pair-resistance")
    assert "nothing is taken" not in jobs.do("job", "next", "last")
    jobs.act("pause", "--reason", "tea break")
    said = jobs.do("job", "next", "last")
    assert (
        "The job is paused; `benchtally job resume` goes on. Until then nothing is taken." in said
    )
    jobs.act("finish")
    assert "The job is finished: nothing is taken any more." in jobs.do("job", "next", "last")


def test_pulses_alone_say_how_their_lock_is_passed(jobs):
    """No step of the job can open it, so a person is not left before it."""
    job = jobs.start("pulse-six-readings")["job"]
    six = "\n".join(["112.6 µs"] * 6)
    said = jobs.key("pulse_time", "--law", "period", "--confirm", "--block", code=1, given=six)
    assert "this procedure has no step for it" in said
    assert f"benchtally job override {job} pulse insulation --reason ..." in said
    assert "of this machine there is none in the journal" in jobs.do("job", "next", "last")


TWO_PULSES = """\
schema_version = 1
name = "two-pulses"
title = "Two pulse comparisons"
cautions = ["Lock it off."]
""" + "".join(
    f"""\
[[steps]]
id = "{each}"
title = "Pulse times"
cautions = ["Keep everybody away."]
points = ["U-V", "V-W", "W-U"]
quantity = "pulse_time"
energy = "pulse"
take = {{ how = "keyed" }}
"""
    for each in ("first", "second")
)


def test_the_way_past_a_lock_is_that_of_the_step_that_is_locked(jobs, tmp_path):
    """What is known of the winding stands before it."""
    path = tmp_path / "two-pulses.toml"
    path.write_text(TWO_PULSES, "utf-8")
    job = jobs.start(path)["job"]
    jobs.act("override", "first", "insulation", "--reason", "read last week, 900 MΩ")
    jobs.act("select", "second")
    three = "\n".join(["112.6 µs"] * 3)
    said = jobs.key("pulse_time", "--law", "period", "--confirm", "--block", code=1, given=three)
    assert f"benchtally job override {job} second insulation --reason ..." in said
    assert said.index("of this machine there is none in the journal") < said.index("job override")


def test_the_ramp_down_that_holds_a_step_is_named_and_not_its_own(jobs, draft):
    job = jobs.start("three-pair-resistance")["job"]
    jobs.store(ohms(draft, 0.8421))
    jobs.act("take", "resistance-u-v")
    jobs.act("override", "resistance-v-w", "ramp-down", "--reason", "the current was zero")
    jobs.store(ohms(draft, 0.8422))
    jobs.act("take", "resistance-v-w")
    jobs.act("redo", "resistance-u-v", "--reason", "clip slipped")
    jobs.store(ohms(draft, 0.8421))
    said = jobs.act("take", "resistance-u-v", code=1)
    assert "after step resistance-v-w: ramp the meter's current down" in said
    assert f"benchtally job ramped-down {job} resistance-v-w" in said
