"""``benchtally machine``: registering, saying anew, looking; on real journals."""

import json

import pytest

from capture.cli.fields import CONDITION_WORDS, NAMEPLATE_WORDS
from capture.model.job import JobConditions
from capture.model.machine import Nameplate

OPERATOR = ("--operator", "winder")
# A value for every field there is.
WHOLE = {
    "rated_volts": 400.0,
    "rated_watts": 15000.0,
    "rated_amperes": 29.5,
    "rated_hertz": 50.0,
    "rated_rpm": 1460.0,
    "rotor_volts": 250.0,
    "excitation_volts": 110.0,
    "poles": 4,
    "connection": "delta",
    "winding": "concentric",
    "parallel_paths": 2,
    "coils_per_group": 3,
    "thermal_class": 155,
    "insulation": "thermoplastic",
    "leads": 6,
    "conductor": "copper",
    "zero_resistance_celsius": 234.5,
    "year": 1998,
    "serial": "B 4711",
    "order": "2026/17",
    "label": "00471100",
    "description": "extraction fan, hall 2",
}


def options(fields):
    return [
        part for name, value in fields.items() for part in (f"--{name.replace('_', '-')}", value)
    ]


def shown(jobs, machine="FAN-07"):
    return json.loads(jobs.do("machine", "show", machine, "--json"))


def test_every_field_of_a_nameplate_has_an_option(jobs):
    assert set(WHOLE) == set(Nameplate.model_fields)
    said = jobs.do("machine", "add", "FAN-07", *options(WHOLE), *OPERATOR)
    assert said.startswith("machine FAN-07 is registered: 400 V, 15000 W")
    assert shown(jobs)["nameplate"] == WHOLE
    text = jobs.do("machine", "show", "FAN-07")
    for value in ("400 V", "29.5 A", "1460 /min", "thermoplastic", "B 4711", "234.5 °C"):
        assert value in text


@pytest.mark.parametrize(
    ("model", "words"), [(Nameplate, NAMEPLATE_WORDS), (JobConditions, CONDITION_WORDS)]
)
def test_every_option_is_explained(model, words):
    assert set(words) == set(model.model_fields)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("plate.toml", 'rated_volts = 400\nconnection = "star"\nserial = "B 4711"\n'),
        ("plate.json", '{"rated_volts": 400, "connection": "star", "serial": "B 4711"}'),
    ],
)
def test_a_nameplate_comes_from_a_file_and_options_go_before_it(jobs, tmp_path, name, text):
    (tmp_path / name).write_text(text, "utf-8")
    arguments = ("--from", tmp_path / name, "--connection", "delta", *OPERATOR)
    jobs.do("machine", "add", "FAN-07", *arguments)
    plate = shown(jobs)["nameplate"]
    assert (plate["rated_volts"], plate["connection"], plate["serial"]) == (400, "delta", "B 4711")


@pytest.mark.parametrize(
    ("name", "text", "reason"),
    [
        ("a.toml", "rated_volt = 400", "'rated_volt' is not known; there are rated_volts,"),
        ("a.toml", "rated_volts = ", "not TOML"),
        ("a.toml", "rated_volts = -400", "rated_volts"),
        ("a.toml", "[rated_volts]\nx = 1", "rated_volts"),
        ("a.json", "[400]", "expected the fields of a nameplate"),
        ("a.json", "{", "not JSON"),
        ("a.json", '{"x": ' + "[" * 5000, "not JSON: maximum recursion depth"),
        ("a.toml", "x = " + "[" * 5000, "not TOML: nested too deeply"),
        ("a.toml", None, "cannot be read"),
    ],
)
def test_a_faulty_file_is_refused_with_its_name(jobs, journal, tmp_path, name, text, reason):
    if text is not None:
        (tmp_path / name).write_text(text, "utf-8")
    said = jobs.do("machine", "add", "FAN-07", "--from", tmp_path / name, *OPERATOR, code=2)
    assert reason in said
    assert str(tmp_path / name) in said
    assert said.count("\n") == 1
    assert not journal.exists()


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (("--rated-volts", "-400"), "rated_volts"),
        (("--rated-volts", "nan"), "rated_volts"),
        (("--poles", "3"), "poles"),
        (("--winding", "basket"), "winding: found 'basket', expected 'random', 'form'"),
        (("--thermal-class", "150"), "thermal_class"),
        (("--serial", "a\x1b[31mb"), "serial"),
        (("--zero-resistance-celsius", "20"), "zero_resistance_celsius"),
    ],
)
def test_a_value_that_no_nameplate_has_is_refused(jobs, arguments, reason):
    said = jobs.do("machine", "add", "FAN-07", *arguments, *OPERATOR, code=2)
    assert reason in said
    assert said.count("\n") == 1


def test_a_machine_is_registered_once(jobs):
    jobs.do("machine", "add", "FAN-07", *OPERATOR)
    said = jobs.do("machine", "add", "FAN-07", "--poles", "4", *OPERATOR, code=2)
    assert "`benchtally machine set` says anew" in said
    assert len(shown(jobs)["history"]) == 1


def test_the_same_id_registers_once(jobs, some_id):
    for _ in range(2):
        jobs.do("machine", "add", "FAN-07", "--poles", "4", "--id", some_id, *OPERATOR)
    assert [each["id"] for each in shown(jobs)["history"]] == [str(some_id)]
    said = jobs.do("machine", "add", "FAN-08", "--id", some_id, *OPERATOR, code=2)
    assert "belongs to another entry" in said
    assert "no UUID" in jobs.do("machine", "add", "FAN-08", "--id", "x", *OPERATOR, code=2)


def test_saying_anew_keeps_what_is_not_given_and_the_history(jobs):
    jobs.do("machine", "add", "FAN-07", "--rated-volts", "400", "--poles", "4", *OPERATOR)
    more = ("--poles", "6", "--year", "2004", "--note", "plate was cleaned")
    jobs.do("machine", "set", "FAN-07", *more, "--operator", "foreman")
    jobs.do("machine", "set", "FAN-07", "--unknown", "rated-volts", *OPERATOR)
    found = shown(jobs)
    assert (found["nameplate"]["poles"], found["nameplate"]["year"]) == (6, 2004)
    assert "rated_volts" not in found["nameplate"]
    assert len(found["history"]) == 3
    text = jobs.do("machine", "show", "FAN-07")
    assert "by foreman: poles 4 → 6, year unknown → 2004, note: plate was cleaned" in text
    assert "rated volts 400 → unknown" in text
    assert "No job was done on it." in text


def test_a_kind_of_winding_can_be_said_and_taken_back(jobs):
    jobs.do("machine", "add", "FAN-07", "--winding", "form", *OPERATOR)
    assert "  winding: form" in jobs.do("machine", "show", "FAN-07")
    jobs.do("machine", "set", "FAN-07", "--unknown", "winding", *OPERATOR)
    text = jobs.do("machine", "show", "FAN-07")
    assert "  winding: unknown" in text
    assert "winding form → unknown" in text


def test_what_is_not_known_must_be_a_field(jobs):
    jobs.do("machine", "add", "FAN-07", *OPERATOR)
    said = jobs.do("machine", "set", "FAN-07", "--unknown", "colour", *OPERATOR, code=2)
    assert "there are rated_volts" in said


@pytest.mark.parametrize(
    "command", [("set", "FAN-09", "--poles", "4", *OPERATOR), ("show", "FAN-09")]
)
def test_a_machine_that_nobody_registered(jobs, command):
    jobs.do("machine", "add", "FAN-07", *OPERATOR)
    assert "machine 'FAN-09' is not registered" in jobs.do("machine", *command, code=2)


def test_the_list_has_each_machine_once_as_it_is_now(jobs):
    assert "no journal yet" in jobs.do("machine", "list", code=1)
    jobs.do("machine", "add", "FAN-07", "--rated-volts", "400", *OPERATOR)
    jobs.do("machine", "add", "FAN-08", *OPERATOR)
    jobs.do("machine", "set", "FAN-07", "--rated-volts", "690", *OPERATOR)
    found = [json.loads(line) for line in jobs.do("machine", "list", "--json").splitlines()]
    assert [(each["machine"], each["nameplate"].get("rated_volts")) for each in found] == [
        ("FAN-07", 690.0),
        ("FAN-08", None),
    ]
    assert "690 V" in jobs.do("machine", "list")


def test_a_machine_shows_its_jobs_with_their_verdicts(jobs):
    job = jobs.start("pulse-three-pairs")
    (found,) = shown(jobs)["jobs"]
    assert (found["job"], found["verdict"], found["of"]) == (job["job"], "inconclusive", 1)
    text = jobs.do("machine", "show", "FAN-07")
    assert f"{job['job']}: Nothing can be said yet: pulse still to be done." in text


def test_nothing_is_taken_for_granted_of_a_winding_and_that_is_said(run):
    code, out, err = run(
        "machine", "add", "FAN-08", "--rated-volts", "400", "--operator", "foreman"
    )
    assert (code, out) == (
        0,
        "machine FAN-08 is registered: 400 V, connection unknown, kind of winding not known\n",
    )
    assert "judged as random-wound and as form-wound" in err
    assert "benchtally machine set 'FAN-08' --winding random, or form" in err
    told = run("machine", "add", "FAN-09", "--winding", "dc-armature", "--operator", "foreman")
    assert told == (0, "machine FAN-09 is registered: connection unknown, DC armature\n", "")


def test_a_machine_in_json_comes_without_remarks(run):
    _, out, err = run("machine", "add", "FAN-08", "--operator", "foreman", "--json")
    assert json.loads(out)["machine"] == "FAN-08"
    assert err == ""
