"""Text from outside is printed as text, whatever it holds; and real processes end with the codes."""

import json
import os
import subprocess
import sys

import pytest
from stored_by_command import OPERATOR, stored

from capture.cli.follow import _show, line_of
from capture.display import clean
from capture.journal import Store
from capture.publish.subscriber import Message

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
