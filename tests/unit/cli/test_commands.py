"""The commands: exit codes, one line a fault, no traceback, nothing hostile on the terminal."""

import json
import os
import re
import subprocess
import sys

import pytest

from capture.cli.follow import _show, line_of
from capture.display import clean
from capture.errors import JournalFull
from capture.journal import JournalReader, Store
from capture.publish.subscriber import Message

OPERATOR = ("--operator", "winder")


def stored(journal):
    if not journal.exists():
        return []
    reader = JournalReader(journal)
    try:
        return list(reader.readings())
    finally:
        reader.close()


# ── key ──────────────────────────────────────────────────────────────────────────────────────


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


def test_key_takes_the_same_id_once(run, journal, some_id):
    for expected in ("no. 1", "was stored before"):
        code, out, _ = run("key", "resistance", "5 Ω", "--id", str(some_id), *OPERATOR)
        assert code == 0
        assert expected in out
    assert len(stored(journal)) == 1


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


# ── tag and readings ─────────────────────────────────────────────────────────────────────────


def test_tag_ties_a_reading_and_the_listing_shows_it(run, journal):
    run("key", "resistance", "842.1 mΩ", *OPERATOR)
    tag = ("tag", "keyed:last", "--point", "U-V", *OPERATOR)
    code, out, _ = run(*tag, "--machine", "FAN-07")
    assert (code, out) == (0, "reading keyed:last is of machine FAN-07 at U-V\n")
    code, out, _ = run(*tag, "--machine", "FAN-08", "--direction", "reverse")
    assert out == "reading keyed:last is of machine FAN-08 at V-U, in place of an earlier tag\n"
    code, out, _ = run("readings", "--machine", "FAN-08")
    assert code == 0
    assert "842.1 mΩ" in out
    assert "V-U" in out
    assert run("readings", "--machine", "FAN-07")[1] == "no readings fit\n"


@pytest.mark.parametrize(
    ("arguments", "reason", "code"),
    [
        (("nobody:1", "--machine", "F"), "there is no reading 'nobody:1'", 2),
        (("keyed:" + "9" * 40, "--machine", "F"), "there is no reading", 2),
        (("keyed", "--machine", "F"), "write an id, INSTRUMENT:SEQUENCE", 2),
        (("keyed:1",), "--machine", 2),
        (("keyed:1", "--machine", "\x1b[31m"), "machine", 2),
        (("keyed:1", "--machine", "F", "--point", "U-U"), "stands twice", 2),
        (("keyed:1", "nobody:1", "--machine", "F"), "there is no reading 'nobody:1'", 2),
    ],
)
def test_what_cannot_be_tagged_is_refused_and_nothing_is_stored(
    run, journal, arguments, reason, code
):
    run("key", "resistance", "5 Ω", *OPERATOR)
    found, _, err = run("tag", *arguments, *OPERATOR)
    assert found == code
    assert reason in err
    assert "tag" not in stored(journal)[0]


def test_readings_as_json_are_one_object_a_line_in_order(run, journal, drafts):
    store = Store(journal)
    store.append(drafts(60))
    store.close()
    code, out, _ = run("readings", "--json")
    assert code == 0
    assert [json.loads(line)["sequence"] for line in out.splitlines()] == list(range(1, 61))
    code, out, _ = run("readings", "--json", "--last", "3")
    assert [json.loads(line)["sequence"] for line in out.splitlines()] == [58, 59, 60]
    code, out, _ = run("readings", "--json", "--instrument", "nobody")
    assert (code, out) == (0, "")


def test_a_journal_that_is_not_there_is_a_failure_with_one_line(run):
    code, out, err = run("readings")
    assert (code, out) == (1, "")
    assert len(err.splitlines()) == 1
    assert "no journal yet" in err


@pytest.mark.parametrize("last", ["0", "-1", "x", "9" * 30])
def test_a_count_that_is_none_is_wrong_usage(run, journal, draft, last):
    store = Store(journal)
    store.append([draft()])
    store.close()
    code, _, err = run("readings", "--last", last)
    assert code == 2
    assert len(err.splitlines()) == 1


def test_a_block_of_readings_is_tagged_at_once_or_not_at_all(jobs, drafts):
    jobs.do("machine", "add", "FAN-07", *OPERATOR)
    jobs.store(*drafts(5))
    where = ("--machine", "FAN-07", "--point", "V-W", "--note", "after cleaning", *OPERATOR)
    said = jobs.do("tag", "ohm-1:2-4", "ohm-1:4", "ohm-1:last", *where)
    assert said.count("is of machine FAN-07 at V-W") == 4
    tags = [each.get("tag") for each in jobs.readings()]
    assert tags[0] is None
    assert {(each["note"], each["test_point"]["pair"]) for each in tags[1:]} == {
        ("after cleaning", "V-W")
    }
    assert "there is no reading 'ohm-1:6'" in jobs.do("tag", "ohm-1:1-6", *where, code=2)
    assert jobs.readings()[0].get("tag") is None


# ── configuration, usage, other commands ─────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "arguments",
    [
        ("no-such-command",),
        ("\x1b[31mcommand",),
        ("key",),
        ("readings", "--no-such-option"),
        ("readings", "--\x1b[31moption"),
        ("readings", "extra\x07"),
        ("schema", "no-such"),
        ("schema", "\x1b[31m"),
        ("follow", "--count", "0"),
        ("tag", "keyed:1", "--direction", "sideways", "--machine", "F", *OPERATOR),
    ],
)
def test_wrong_usage_is_exit_two_and_one_line(run, arguments):
    code, out, err = run(*arguments, with_config=False)
    assert code == 2
    assert out == ""
    assert len(err.splitlines()) == 1
    assert err.startswith("benchtally: ")


@pytest.mark.parametrize("arguments", [("check",), ("run",), ("readings",), ("follow",)])
def test_a_faulty_configuration_is_exit_two_and_a_line_each(run, config, arguments):
    config.write_text("site = 'A'\n[broker]\nport = 0\n")
    code, _, err = run(*arguments)
    assert code == 2
    assert [line.split(": ")[2] for line in err.splitlines()] == ["site", "bench", "broker.port"]


def test_check_finds_what_is_wrong_without_opening_anything(run, config):
    assert run("check")[0] == 0
    plain = config.read_text()
    config.write_text(plain + '[instruments.x]\ndriver="scpi-metre"\nlink={kind="tcp",host="h"}\n')
    code, _, err = run("check")
    assert code == 2
    assert "did you mean 'scpi-meter'?); known are ascii-meter, " in err
    config.write_text(
        plain + '[instruments.x]\ndriver="scpi-meter"\nlink={kind="serial",port="/dev/no-such"}\n'
    )
    code, out, _ = run("check", "--json")
    rows = {row["what"]: row for row in map(json.loads, out.splitlines())}
    assert code == 1
    assert rows["instrument x"]["says"].startswith("/dev/no-such: no such port; plug it in")
    assert rows["instrument ohm-1"]["ok"]


def test_follow_without_a_broker_is_a_failure_with_one_line(run, config, free_port):
    config.write_text(config.read_text() + f"[broker]\nport = {free_port}\n")
    code, _, err = run("follow", "--count", "1")
    assert code == 1
    assert err == f"benchtally: broker 127.0.0.1:{free_port}: Connection refused; is it running?\n"


@pytest.fixture
def free_port():
    import socket  # noqa: PLC0415 - for this one

    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        return bound.getsockname()[1]


def test_drivers_lists_the_drivers_and_their_options(run):
    code, out, _ = run("drivers", "--json", with_config=False)
    found = {driver["id"]: driver for driver in map(json.loads, out.splitlines())}
    assert code == 0
    assert {"scpi-meter", "ascii-meter"} <= set(found)
    assert any(o["name"] == "profile" and o["required"] for o in found["ascii-meter"]["options"])
    code, out, _ = run("drivers", "--options", with_config=False)
    assert "interval_s" in out


def test_schema_prints_writes_and_compares(run, tmp_path):
    assert {"reading", "tag", "gap"} <= set(run("schema", with_config=False)[1].split())
    code, out, _ = run("schema", "tag", with_config=False)
    assert json.loads(out)["$id"] == "urn:benchtally:schema:tag:1"
    folder = tmp_path / "schemas"
    assert run("schema", "--write", str(folder), with_config=False)[0] == 0
    assert run("schema", "--check", str(folder), with_config=False)[0] == 0
    (folder / "tag.v1.json").write_text("{}")
    code, _, err = run("schema", "--check", str(folder), with_config=False)
    assert code == 1
    assert "tag.v1.json differs" in err


def test_the_version_and_the_help_are_no_errors(run):
    assert run("--version", with_config=False)[1].startswith("benchtally ")
    code, out, _ = run("key", "--help", with_config=False)
    assert code == 0
    assert "--block" in out


def test_a_bug_of_ours_is_one_line_too(run, monkeypatch):
    def broken(_given):
        raise ZeroDivisionError("\x1b[31moops\nand more")

    monkeypatch.setattr("capture.config.load_config", broken)
    code, _, err = run("readings")
    assert code == 1
    assert len(err.splitlines()) == 1
    assert "internal error: ZeroDivisionError" in err


# ── hostile text ─────────────────────────────────────────────────────────────────────────────

HOSTILE = "\x1b[31m\x9b2J\x07\u202ebad\x7f"


def test_terminal_escapes_of_an_instrument_never_reach_the_output(run, journal, draft):
    store = Store(journal)
    store.append(
        [
            draft(
                shown_unit=HOSTILE[:16],
                conditions={"display": "[red]bad[/red]"},
                raw={"encoding": "ascii", "data": HOSTILE},
            )
        ]
    )
    store.close()
    for arguments in (("readings",), ("readings", "--json"), ("readings", "--json", "--last", "1")):
        code, out, _ = run(*arguments)
        assert code == 0
        assert "\u202e" not in out
        assert all(character.isprintable() for line in out.splitlines() for character in line)


def test_hostile_json_still_says_what_it_said(run, journal, draft):
    store = Store(journal)
    store.append([draft(shown_unit=HOSTILE[:16], conditions={"unit": "µΩ"})])
    store.close()
    (line,) = run("readings", "--json")[1].splitlines()
    assert json.loads(line)["shown_unit"] == HOSTILE[:16]
    assert json.loads(line)["conditions"] == {"unit": "µΩ"}
    assert "µΩ" in line


@pytest.mark.parametrize(
    "payload",
    [
        b"\x1b[31m",
        b"\xff\xfe",
        b'{"state": "\\u001b[31m", "reason": "\\u009b2J"}',
        b'"\\ud800"',
        b'{"state": "\\udfff", "instrument": "\\u202e"}',
        b"[1, 2]",
        b"null",
        b"{}",
        b'{"time": 1}',
        '{"state": "\u009b31m"}'.encode(),
        b"NaN",
        b"[" * 100_000,
    ],
)
@pytest.mark.parametrize(
    "topic",
    [
        "benchtally/v1/s/b/reading/i/q",
        "benchtally/v1/s/b/tag/i",
        "benchtally/v1/s/b/state",
        "other/\x1b[31m/\x9btopic",
    ],
)
@pytest.mark.parametrize("as_json", [True, False])
def test_hostile_traffic_is_one_printable_line(capsys, topic, payload, as_json):
    _show(Message(topic, payload, retained=False), as_json=as_json)
    out = capsys.readouterr().out
    assert out.endswith("\n")
    assert out[:-1].isprintable()
    out.encode()


def test_text_from_outside_is_made_printable():
    assert clean(HOSTILE).isprintable()
    assert clean("842.1 mΩ") == "842.1 mΩ"
    assert line_of("a/b", {"x": "[red]y[/red]"}) == 'a/b: {"x": "[red]y[/red]"}'


def test_markup_in_a_machines_name_or_a_role_is_text(run, journal):
    code, out, _ = run("key", "resistance", "5 Ω", "--operator", "[red]winder[/red]:boom:")
    assert code == 0
    assert "[red]winder[/red]:boom:" in out
    assert "[red]winder[/red]" in run("readings")[1].replace("\n", "")


def child(*arguments, **environment):
    return subprocess.run(
        [sys.executable, "-P", "-m", "capture.cli", *arguments],
        capture_output=True,
        timeout=60,
        check=False,
        env={**os.environ, **environment},
    )


def test_a_real_process_ends_with_the_same_codes(config):
    done = child("key", "resistance", "\x1b[31m5", *OPERATOR, "--config", str(config))
    assert done.returncode == 2
    assert b"\x1b" not in done.stderr
    assert b"Traceback" not in done.stderr
    done = child("readings", "--config", str(config))
    assert done.returncode == 1


def test_a_terminal_that_cannot_show_the_ohm_sign_does_not_make_a_stored_value_a_failure(
    config, journal
):
    """What is stored is stored; a poor terminal gets a poorer text."""
    done = child(
        "key",
        "resistance",
        "5 Ohm",
        "--operator",
        "W\N{GREEK CAPITAL LETTER OMEGA}",
        "--config",
        str(config),
        PYTHONIOENCODING="ascii",
    )
    assert done.returncode == 0, done.stderr
    assert len(stored(journal)) == 1
    done = child("readings", "--config", str(config), PYTHONIOENCODING="ascii")
    assert done.returncode == 0, done.stderr
