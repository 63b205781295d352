"""`benchtally key`: what it understood, said back; what it cannot take, refused."""

import json
import re

import pytest
from stored_by_command import OPERATOR, stored

from capture.errors import JournalFull
from capture.journal import Store


@pytest.fixture
def registered(run):
    """FAN-07 is a machine that this bench knows."""
    assert run("machine", "add", "FAN-07", "--winding", "random", *OPERATOR)[0] == 0


@pytest.mark.usefixtures("registered")
def test_key_stores_a_value_and_says_back_what_it_understood(run, journal):
    code, out, err = run(
        "key", "pulse_time", "87.42 µs", "--machine", "FAN-07", "--point", "V-U", *OPERATOR
    )
    assert (code, err) == (0, "")
    assert "pulse_time of FAN-07, keyed by winder" in out
    assert "8.742e-05 s" in out
    assert "reverse" in out
    assert "no. 1" in out
    (reading,) = stored(journal)
    assert reading["source"] == {
        "kind": "keyed",
        "operator": "winder",
        "times": 1,
        "typed": "87.42 µs",
    }
    assert reading["conditions"] == {"law": "unknown"}
    assert reading["tag"]["test_point"]["direction"] == "reverse"


@pytest.mark.parametrize("typed", ["1 kHz", "1,00 kHz", "1000"])
def test_what_a_bridge_shows_is_keyed_with_its_frequency(run, journal, typed):
    """As a number, so that it stands beside what a bridge says itself."""
    code, _, err = run("key", "inductance", "21.93 mH", "--frequency", typed, *OPERATOR)
    assert (code, err) == (0, "")
    (reading,) = stored(journal)
    assert reading["conditions"] == {"frequency": {"value": 1000.0, "unit": "Hz"}}


@pytest.mark.parametrize(
    "arguments",
    [("62.1 mH", "--loss", "Rs 29.1 Ω"), ("62.1 mH Rs 29,1 Ω",)],
    ids=["told", "behind"],
)
def test_a_loss_is_keyed_beside_an_inductance(run, journal, some_id, arguments):
    """As a bridge sends it: two readings of one frame."""
    for _ in range(2):
        code, out, err = run(
            "key", "inductance", *arguments, "--frequency", "1 kHz", "--id", str(some_id), *OPERATOR
        )
        assert (code, err) == (0, "")
        assert "29.1 Ohm" in out
    henries, ohms = stored(journal)
    assert henries["group"] == ohms["group"]
    assert (ohms["quantity"], ohms["conditions"]["model"]) == ("resistance", "series")


def test_a_model_without_a_loss_that_tells_it_is_told(run, journal):
    arguments = ("key", "inductance", "62.1 mH", "--frequency", "1 kHz", "--loss", "Q 13.4")
    code, _, err = run(*arguments, "--model", "parallel", *OPERATOR)
    assert (code, err) == (0, "")
    assert [each["conditions"]["model"] for each in stored(journal)] == 2 * ["parallel"]


def test_a_block_has_losses_behind_its_values(run, journal, registered):
    block = "U-V 62.1 mH Q 13.4\nV-W 62.3 mH Q 13.1\nW-U 62.2 mH D 0.075\n"
    machine = ("--machine", "FAN-07", "--frequency", "1 kHz")
    code, _, err = run("key", "inductance", "--block", *machine, *OPERATOR, given=block)
    assert (code, err) == (0, "")
    found = stored(journal)
    assert [each["quantity"] for each in found[4:]] == ["inductance", "dissipation_factor"]
    assert len({each["group"] for each in found}) == 3
    points = [each["tag"]["test_point"]["pair"] for each in found]
    assert points == ["U-V", "U-V", "V-W", "V-W", "W-U", "W-U"]


def test_key_takes_the_same_id_once(run, journal, some_id):
    for expected in ("no. 1", "was stored before"):
        code, out, _ = run("key", "resistance", "5 Ω", "--id", str(some_id), *OPERATOR)
        assert code == 0
        assert expected in out
    assert len(stored(journal)) == 1


@pytest.mark.usefixtures("registered")
def test_key_refuses_another_value_under_the_same_id(run, journal, some_id):
    """It would pass for stored, and be nowhere."""
    same = ("--id", str(some_id), "--machine", "FAN-07", "--point", "U-V", *OPERATOR)
    assert run("key", "resistance", "3 Ω", *same)[0] == 0
    for other in (
        ("resistance", "4 Ω", *same),
        ("resistance", "3 mΩ", *same),
        ("inductance", "3 H", *same),
        ("resistance", "OL", *same),
        ("resistance", "3 Ω", *same, "--point", "V-W"),
        ("resistance", "3 Ω", *same, "--machine", "FAN-08"),
    ):
        code, out, err = run("key", *other)
        assert (code, out) == (2, "")
        assert f"under the id {some_id} '3' is stored already" in err
    assert len(stored(journal)) == 1


def test_a_value_that_found_no_room_is_said_to_be_nowhere(run, monkeypatch):
    def append(_store, _batch, **_more):
        raise JournalFull("b.journal: the disk is full; make room, nothing is lost")

    monkeypatch.setattr(Store, "append", append)
    code, out, err = run("key", "resistance", "3 Ω", *OPERATOR)
    assert (code, out) == (1, "")
    assert err.endswith("; what this command was given is not stored: do it again\n")


def test_key_says_back_in_json(run):
    code, out, _ = run("key", "insulation_resistance", ">5,5 GΩ", "--json", *OPERATOR)
    said = json.loads(out)
    assert code == 0
    assert (said["stored"], said["sequence"], said["value"], said["status"]) == (
        True,
        1,
        None,
        "above-range",
    )


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (("resistance", "842.1"), "has no unit; write it as the instrument shows it"),
        (("resistance", "842,100 Ω"), "thousands separator"),
        (("resistance", "5 MH"), "ambiguous"),
        (("resistance", "5 s"), "'5 s' is in s, but resistance is in Ohm"),
        (("resistance", "lots"), "accepted forms: 842.1 mΩ"),
        (("resistence", "5 Ω"), "quantity 'resistence' is not known; known are"),
        (("resistance", "\x1b[31m5 Ω\x07"), "is not a value"),
        (("\x1b[31mresistance", "5 Ω"), "is not known"),
        (("resistance", "5 Ω", "--point", "U-V"), "give --machine as well"),
        (("resistance", "5 Ω", "--machine", "F", "--point", "U"), "written forms: U-V"),
        (
            ("resistance", "5 Ω", "--machine", "F", "--point", "V-U", "--direction", "forward"),
            "contradicts direction forward",
        ),
        (("resistance", "5 Ω", "--direction", "reverse"), "give --point as well"),
        (("resistance", "5 Ω", "--machine", "F;rm"), "machine: found 'F;rm'"),
        (("resistance", "5 Ω", "--note", "\x1b]0;x\x07"), None),
        (("resistance", "5 Ω", "--law", "rise"), "--law belongs to the quantity pulse_time"),
        (("pulse_time", "5 µs", "--law", "ohm"), "--law 'ohm' is none of period"),
        (("pulse_time", "5 µs", "--frequency", "1 kHz"), "not to pulse_time"),
        (("resistance", "5 Ω", "--loss", "Q 3"), "not beside resistance"),
        (("resistance", "5 Ω", "--model", "series"), "belongs to an inductance"),
        (("inductance", "5 mH", "--model", "both"), "none of series, parallel"),
        (("inductance", "5 mH", "--loss", "3"), "does not say which loss it is"),
        (("inductance", "5 mH Q 3", "--loss", "Q 3"), "leave out --loss"),
        (("inductance", "--block", "--loss", "Q 3"), "takes its values"),
        (("inductance", "5 mH", "--frequency", "1 kΩ"), "the frequency: '1 kΩ' is none"),
        (("inductance", "5 mH", "--frequency", "-50"), "the frequency: '-50' is none"),
        (("inductance", "5 mH", "--frequency", "mains"), "the frequency: 'mains' is not a value"),
        (("resistance", "5 Ω", "--decimal", "dot"), "is none of auto, point, comma"),
        (("resistance", "5 Ω", "--id", "one"), "--id 'one' is no UUID"),
        (("resistance", "5 Ω", "--instrument", "My Meter"), "instrument: found 'My Meter'"),
        (("resistance",), "give the value with its unit"),
        (("resistance", "5 Ω", "--block"), "--block takes its values"),
        (("resistance", "5 Ω", "--unit", "furlong", "--decimal", "comma"), None),
    ],
)
def test_what_cannot_be_keyed_is_refused_with_the_reason_and_nothing_is_stored(
    run, journal, arguments, reason
):
    code, out, err = run("key", *arguments, *OPERATOR)
    if reason is None:
        assert code in (0, 2)
        return
    assert code == 2
    assert out == ""
    assert reason in err
    assert err.startswith("benchtally: ")
    assert stored(journal) == []


def test_a_note_with_escapes_is_refused_where_it_would_be_stored(run, journal):
    code, _, err = run(
        "key", "resistance", "5 Ω", "--machine", "F", "--note", "\x1b]0;x\x07", *OPERATOR
    )
    assert code == 2
    assert "note" in err
    assert stored(journal) == []


@pytest.mark.usefixtures("registered")
def test_a_block_is_stored_whole(run, journal):
    block = "U-V 87.42 µs\nV-U 87.40 µs\nV-W 87.51 µs\nW-V 87.50 µs\nW-U 87.47 µs\nU-W 87.46 µs\n"
    code, out, _ = run(
        "key",
        "pulse_time",
        "--block",
        "--law",
        "period",
        "--machine",
        "FAN-07",
        *OPERATOR,
        given=block,
    )
    assert code == 0
    readings = stored(journal)
    assert [r["digits"] for r in readings] == ["87.42", "87.40", "87.51", "87.50", "87.47", "87.46"]
    assert len({r["group"] for r in readings}) == 1
    assert {r["conditions"]["law"] for r in readings} == {"period"}
    assert len(re.findall(r"no\. \d", out)) == 6


def test_a_block_with_one_bad_line_stores_nothing_and_says_each_fault(run, journal):
    block = "U-V 87.42 µs\nV-U 87.40 Ω\nV-W \x1b[31m\nW-V 87.50 µs\n"
    code, out, err = run("key", "pulse_time", "--block", "--machine", "F", *OPERATOR, given=block)
    assert code == 2
    assert out == ""
    assert len(err.splitlines()) == 2
    assert stored(journal) == []


def test_an_operator_is_asked_for(run, journal, monkeypatch):
    code, _, err = run("key", "resistance", "5 Ω")
    assert code == 2
    assert "--operator" in err
    monkeypatch.setenv("BENCHTALLY_OPERATOR", "fitter")
    code, _, _ = run("key", "resistance", "5 Ω")
    assert code == 0
    assert stored(journal)[0]["source"]["operator"] == "fitter"


# ── what is odd ──────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("-5 Ω", "-5 Ω: resistance is -5 Ω; more than zero is expected"),
        ("842.1 kΩ", "842.1 kΩ: any machine is expected to read 10 µΩ to 100 kΩ"),
    ],
)
def test_an_odd_value_is_stored_only_when_it_was_looked_at_again(run, journal, value, words):
    code, out, err = run("key", "resistance", value, *OPERATOR)
    assert (code, out) == (1, "")
    assert err.startswith(f"benchtally: {words}")
    assert err.count("\n") == 1
    assert "nothing is stored" in err
    assert "--confirm" in err
    assert stored(journal) == []
    assert run("key", "resistance", value, "--confirm", *OPERATOR)[0] == 0
    assert len(stored(journal)) == 1


def test_a_machine_that_nobody_registered_is_asked_about(run, journal):
    arguments = ("key", "resistance", "0.84 Ω", "--machine", "FAN-O7", *OPERATOR)
    code, _, err = run(*arguments)
    assert code == 1
    todo = "`benchtally machine add FAN-O7` registers it"
    assert f"machine 'FAN-O7' is not registered (there is none), {todo}" in err
    run("machine", "add", "FAN-07", *OPERATOR)
    code, _, err = run(*arguments)
    assert code == 1
    assert f"machine 'FAN-O7' is not registered (there are FAN-07), {todo}" in err
    assert stored(journal) == []
    assert run(*arguments, "--confirm")[0] == 0
    assert [each["tag"]["machine"] for each in stored(journal)] == ["FAN-O7"]


@pytest.mark.parametrize("shown", ["-5 Ω", "842.1 kΩ"])
def test_the_same_is_asked_in_a_job_and_outside_one(jobs, shown):
    """One rule: nobody gets round it by leaving the job out."""
    plate = ("--rated-volts", "400", "--rated-watts", "15000", "--connection", "star")
    jobs.start("three-pair-resistance", plate=plate)
    inside = jobs.key("resistance", shown, code=1)
    place = ("--machine", "FAN-07", "--point", "U-V")
    outside = jobs.do("key", "resistance", shown, *place, *OPERATOR, code=1)
    assert inside == outside
    assert jobs.readings() == []


def test_a_value_is_held_against_earlier_tests_of_its_machine(jobs):
    jobs.do("machine", "add", "FAN-07", *OPERATOR)
    place = ("--machine", "FAN-07", "--point", "U-V", *OPERATOR)
    jobs.do("key", "inductance", "62.3 mH", *place)
    said = jobs.do("key", "inductance", "62.3 µH", *place, code=1)
    assert "earlier tests read" in said
    assert "is 0.0623 H meant?" in said or "is 62.3 mH meant?" in said


@pytest.mark.usefixtures("registered")
def test_values_of_one_display_are_held_against_each_other(run, journal):
    given = "U-V 87.42 µs\nV-W 87.51 ms\nW-U 87.47 µs\n"
    block = ("key", "pulse_time", "--block", "--machine", "FAN-07", *OPERATOR)
    code, _, err = run(*block, given=given)
    assert code == 1
    assert "V-W 87.51 ms" in err
    assert "the other test points read" in err
    assert stored(journal) == []


def test_at_a_terminal_the_question_is_put(run, journal, terminal):
    arguments = ("key", "resistance", "-5 Ω", *OPERATOR)
    code, out, err = run(*arguments, given=terminal("n\n"))
    assert code == 1
    assert "more than zero is expected" in out
    assert "nothing is stored" in err
    assert stored(journal) == []
    assert run(*arguments, given=terminal("y\n"))[0] == 0
    assert len(stored(journal)) == 1


def test_what_is_handed_in_again_is_not_asked_about_again(run, journal, some_id):
    arguments = ("key", "resistance", "-5 Ω", "--id", str(some_id), *OPERATOR)
    assert run(*arguments, "--confirm")[0] == 0
    code, out, _ = run(*arguments)
    assert code == 0
    assert "was stored before" in out
    assert len(stored(journal)) == 1


def test_a_journal_that_was_cut_to_nothing_takes_nothing_and_says_so(run, journal):
    """A new one in its place would hide that entries are gone."""
    assert run("key", "resistance", "3 Ω", *OPERATOR)[0] == 0
    journal.write_bytes(b"")
    code, out, err = run("key", "resistance", "4 Ω", *OPERATOR)
    assert (code, out) == (1, "")
    assert "the file is empty: what was in it is gone; `benchtally run` sets it aside" in err
    assert len(err.splitlines()) == 1
    assert journal.read_bytes() == b""
    code, _, err = run("readings")
    assert (code, len(err.splitlines())) == (1, 1)
    assert "the file is empty" in err
