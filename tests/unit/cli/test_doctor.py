"""`benchtally doctor`: a line for each thing, 1 where something is wrong, and nothing opened."""

import json

import pytest

from capture.doctor import examine


@pytest.fixture
def quick(monkeypatch):
    """Leave the brokers out: the system tests have real ones."""
    monkeypatch.setattr(examine.broker, "brokers", lambda config, clock: iter(()))


def test_it_says_for_each_thing_how_it_is(run, quick):
    code, out, err = run("doctor")
    assert (code, err) == (0, "")
    assert all(line.split(" ")[0] in ("ok", "look", "wrong") for line in out.splitlines())
    for what in ("configuration", "drivers", "instrument ohm-1", "disk room", "journal", "clock"):
        assert f"  {what}: " in out


def test_it_writes_nothing(run, quick, config):
    run("doctor")
    assert [path.name for path in config.parent.iterdir()] == [config.name]


def test_as_json_each_line_is_an_object(run, quick):
    code, out, _ = run("doctor", "--json")
    found = [json.loads(line) for line in out.splitlines()]
    assert code == 0
    assert all(set(each) == {"level", "what", "says", "do"} for each in found)


def test_a_wrong_configuration_is_a_finding_and_the_host_is_looked_at_all_the_same(
    run, quick, config
):
    config.write_text('site = "sawmill"\nbensh = "x"\n')
    code, out, _ = run("doctor")
    assert code == 1
    assert "wrong  configuration: " in out
    assert "bensh" in out
    assert "clock: " in out


def test_a_wrong_option_is_wrong_usage(run):
    code, _, err = run("doctor", "--no-such-option")
    assert code == 2
    assert err.count("\n") == 1
