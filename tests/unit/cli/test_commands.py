"""The commands: exit codes, one line a fault, no traceback, nothing hostile on the terminal."""

import json

import pytest
from stored_by_command import OPERATOR, stored

from capture.journal import Store

# ── tag and readings ─────────────────────────────────────────────────────────────────────────


def test_tag_ties_a_reading_and_the_listing_shows_it(run, journal):
    run("key", "resistance", "842.1 mΩ", *OPERATOR)
    for machine in ("FAN-07", "FAN-08"):
        run("machine", "add", machine, *OPERATOR)
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


def test_a_machine_that_nobody_registered_is_asked_about_as_when_keying(jobs, drafts, terminal):
    jobs.store(*drafts(1))
    tag = ("tag", "ohm-1:1", "--machine", "FAN-O7", *OPERATOR)
    said = jobs.do(*tag, code=1)
    assert said == (
        "benchtally: machine 'FAN-O7' is not registered (there is none), `benchtally machine add "
        "FAN-O7` registers it; nothing is stored: look at the label once more, and add --confirm "
        "if it stands so\n"
    )
    jobs.do("machine", "add", "FAN-07", *OPERATOR)
    assert "(there are FAN-07), `benchtally machine add" in jobs.do(*tag, "--json", code=1)
    assert "nothing is stored; tag it again" in jobs.do(*tag, code=1, given=terminal("n\n"))
    assert jobs.readings()[0].get("tag") is None
    assert "is of machine FAN-O7" in jobs.do(*tag, given=terminal("y\n"))
    jobs.do("machine", "add", "FAN-O7", *OPERATOR)
    assert "in place of" in jobs.do(*tag)


def test_what_is_confirmed_is_not_asked_about(jobs, drafts):
    jobs.store(*drafts(1))
    said = jobs.do("tag", "ohm-1:1", "--machine", "FAN-O7", "--confirm", *OPERATOR)
    assert said == "reading ohm-1:1 is of machine FAN-O7\n"


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


def test_check_shows_the_line_settings_that_the_port_will_be_opened_with(run, config):
    """Those of the profile where the configuration gives none: 9600 baud is not what it gets."""
    profile = config.parent / "slow.toml"
    profile.write_text(
        'schema_version = 1\nname = "slow"\nsummary = "slow"\ndriver = "ascii-meter"\n'
        '[link]\nbaud = 2400\ndata_bits = 7\nparity = "even"\n'
        "[[lines]]\npattern = 'R (?P<value>[0-9.]+) (?P<unit>m?Ohm)'\nquantity = \"resistance\"\n"
    )
    port = config.parent / "port"
    port.touch()  # `check` opens nothing
    config.write_text(
        f'{config.read_text()}[instruments.x]\ndriver="ascii-meter"\n'
        f'link={{kind="serial",port="{port}"}}\noptions={{profile="slow.toml"}}\n'
    )
    code, out, _ = run("check", "--json")
    rows = {row["what"]: row for row in map(json.loads, out.splitlines())}
    assert rows["instrument x"]["says"] == f"{port}, 2400 baud, 7 data bits, parity even"
    assert code == 0


@pytest.mark.parametrize("tls", ["", "[broker.tls]\n"])
def test_check_says_where_the_port_for_tls_is_used_without_it(run, config, tls):
    """A password would go there in the clear."""
    config.write_text(f"{config.read_text()}[broker]\nport = 8883\n{tls}")
    code, out, _ = run("check", "--json")
    rows = {row["what"]: row for row in map(json.loads, out.splitlines())}
    says = rows["broker"]["says"]
    assert code == 0
    if tls:
        assert says == "127.0.0.1:8883, TLS, not tried"
    else:
        assert says.endswith("without TLS, though 8883 is its port: add [broker.tls], empty or not")


def test_follow_without_a_broker_is_a_failure_with_one_line(run, config, free_port):
    port = free_port()
    config.write_text(config.read_text() + f"[broker]\nport = {port}\n")
    code, _, err = run("follow", "--count", "1")
    assert code == 1
    assert err == f"benchtally: broker 127.0.0.1:{port}: Connection refused; is it running?\n"


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
