"""The command line: listing, and one clear line for wrong usage."""

import json
import socket

import pytest

from simulators import catalogue
from simulators.__main__ import main
from simulators.settings import SettingsError, describe


def test_list_names_every_kind_and_option(capsys):
    assert main(["--list"]) == 0
    text = capsys.readouterr().out
    for kind in catalogue.KINDS.values():
        assert f"{kind.name}: {kind.description}" in text
        for name, _default, explanation in describe(kind.settings):
            assert f"  {name}=" in text
            assert explanation
    assert main(["--list", "--json"]) == 0
    assert {each["kind"] for each in json.loads(capsys.readouterr().out)} == set(catalogue.KINDS)


@pytest.mark.parametrize("name", list(catalogue.KINDS))
def test_every_kind_is_made_from_its_own_defaults(name):
    """What --list shows as default can be given as an option."""
    shown = {each: default for each, default, _ in describe(catalogue.KINDS[name].settings)}
    instrument = catalogue.make(name, shown)
    instrument.spoken(0.0)
    instrument.received(b"junk\xff\x00\n", 0.0)
    answer = instrument.command("help", 0.0)
    assert answer.startswith("ok: help; ")


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["dance"],
        ["talk-only", "-o", "colour=red"],
        ["talk-only", "-o", "colour"],
        ["talk-only", "--rate", "fast"],
        ["talk-only", "--rate", "nan"],
        ["talk-only", "--rate", "-1"],
        ["talk-only", "-o", "comma=perhaps"],
        ["talk-only", "-o", "terminator=nul"],
        ["talk-only", "--fault", "dance"],
        ["scpi-resistance", "-o", "phases=1/2"],
        ["scpi-resistance", "-o", "pair=U-X"],
        ["scpi-resistance", "-o", "connection=ring"],
        ["scpi-resistance", "--rate", "0"],
    ],
)
def test_wrong_usage_is_one_line(arguments, capsys):
    assert main(arguments) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith("simulators: ")
    assert captured.err.count("\n") == 1


def test_taken_port_is_one_line(capsys, tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        assert main(["talk-only", "--tcp", str(taken.getsockname()[1])]) == 1
    file = tmp_path / "file"
    file.write_text("mine")
    assert main(["talk-only", "--pty", str(file)]) == 1
    assert file.read_text() == "mine"
    assert main(["talk-only", "--pty", str(tmp_path / "no" / "folder")]) == 1
    assert capsys.readouterr().err.count("\n") == 3


def test_settings_error_is_a_value_error():
    with pytest.raises(SettingsError, match="unknown kind 'dance'; there are: "):
        catalogue.make("dance", {})
