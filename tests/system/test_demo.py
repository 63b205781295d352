"""`benchtally demo --once`: ends by itself with 0, and with 1 where a stage did not happen."""

import contextlib
import json
import os
import re
import shutil
import signal
from pathlib import Path

import harness
import pytest
from rig import Rig

DEMO = (*harness.PYTHON, "-m", "capture.cli", "demo", "--once", "--dir")

# The demo looks for mosquitto beyond PATH, where Debian puts it; this is a host that has none.
NO_MOSQUITTO = """\
import shutil
which = shutil.which
shutil.which = lambda name, *a, **k: None if name == "mosquitto" else which(name, *a, **k)
from capture.cli.main import main
main()
"""
WITHOUT_MOSQUITTO = (*harness.PYTHON, "-c", NO_MOSQUITTO, "demo", "--once", "--dir")

LIMIT = 240.0
"""Seconds until a test gives up: four demonstrations run at once on whatever there is, which takes
half a minute on two quiet processors, and two and a half on half of one.
"""

pytestmark = [pytest.mark.takes(60), pytest.mark.timeout(2 * LIMIT)]


def children(pid):
    """Give (process id, command line) of all that a process started and that still runs."""
    found = []
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        try:
            parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            line = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode()
        except OSError:
            continue
        if parent == pid:
            found += [(int(entry.name), line), *children(int(entry.name))]
    return found


def child_of(demo, *words):
    """Wait for the demo's child whose command line has all these words; give its process id."""

    def running():
        assert demo.running(), demo.said()
        return next(
            (pid for pid, line in children(demo.pid) if all(word in line for word in words)), None
        )

    return harness.wait_until(running, f"a child with {words}", LIMIT)


VICTIMS = {
    "simulator": (("simulators", "scpi-resistance"), "the simulated scpi-resistance went away"),
    "daemon": (("capture.cli", "run"), "the daemon ended with exit code -9"),
}


@pytest.fixture(scope="module")
def demos(tmp_path_factory):
    """Run all demonstrations of these tests: what can be side by side is, since they mostly wait.

    The one at the other broker is a second run in a copy of the first one's folder as well.
    """
    rig = Rig(tmp_path_factory.mktemp("demos"))
    try:
        elsewhere = {"BENCHTALLY_BROKER__PORT": str(harness.free_port())}
        made = {
            "mosquitto": rig.child(*DEMO, rig.folder / "mosquitto"),
            "elsewhere": rig.child(*DEMO, rig.folder / "elsewhere", environment=elsewhere),
            **{name: rig.child(*DEMO, rig.folder / name) for name in VICTIMS},
        }
        found = {name: child_of(made[name], *words) for name, (words, _) in VICTIMS.items()}
        for name, pid in found.items():
            said = made[name].said
            harness.wait_until(lambda said=said: "leads off" in said(), "a first pair", LIMIT)
            os.kill(pid, signal.SIGKILL)
        made["mosquitto"].wait(LIMIT)
        shutil.copytree(rig.folder / "mosquitto", rig.folder / "amqtt")
        made["amqtt"] = rig.child(*WITHOUT_MOSQUITTO, rig.folder / "amqtt")
        for demo in made.values():
            demo.wait(LIMIT)
        yield rig, made
    finally:
        rig.close()
    assert not rig.tracebacks()


@pytest.mark.parametrize("broker", ["mosquitto", "amqtt"])
def test_once(demos, broker):
    """With either broker it shows all of it, leaves the journal, and ends with 0."""
    rig, made = demos
    said = made[broker].said()
    assert made[broker].wait() == 0, said
    assert f"broker ({broker}" in said
    for stage in ("resistance unbalance", "insulation resistance after 60 s", "pulse deviation"):
        assert stage in said
    assert "/jobs/" in said.splitlines()[-1]
    readings = readings_of(rig, broker)
    if broker == "amqtt":
        before = {each["id"] for each in readings_of(rig, "mosquitto")}
        assert len(before) > 20
        readings = [each for each in readings if each["id"] not in before]
    counted = re.search(r"(\d+) readings in the journal, (\d+) at the subscriber", said)
    assert counted, said
    assert counted[1] == counted[2]
    assert 20 < int(counted[1]) <= len(readings)  # the daemon goes on until it is stopped
    assert len([each for each in readings if each["quantity"] == "pulse_time"]) == 6
    assert {each["source"]["kind"] for each in readings} == {"polled", "streamed", "keyed"}
    assert {each["status"] for each in readings} >= {"ok", "above-range"}
    entries = harness.journal_entries(rig.folder / broker / "sawmill.journal")
    assert harness.chain_holds(entries)
    assert harness.sequence_gaps(entries) == 0


def readings_of(rig, name):
    config = rig.folder / name / "benchtally.toml"
    listed = rig.bare("readings", "--json", "--config", config)
    return [json.loads(line) for line in listed.stdout.splitlines()]


def test_nothing_stays_behind(demos):
    """Whatever a demonstration started has ended with it, also where it failed."""
    rig, _made = demos
    folder = str(rig.folder).encode()
    lines = []
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            lines.append(entry.read_bytes())
    assert not [line for line in lines if folder in line]


def test_again_in_the_same_folder(demos):
    """A second run goes on with the journal that is there."""
    rig, _made = demos
    before = harness.journal_entries(rig.folder / "mosquitto" / "sawmill.journal")
    entries = harness.journal_entries(rig.folder / "amqtt" / "sawmill.journal")
    assert len(entries) > len(before)
    assert entries[: len(before)] == before
    assert harness.sequence_gaps(entries) == 0


def test_a_broker_that_does_not_start(rig):
    """A mosquitto that ends at once ends the demo with 1 and the reason."""
    programs = rig.folder / "bin"
    programs.mkdir()
    fake = programs / "mosquitto"
    fake.write_text("#!/bin/sh\nexit 3\n", "utf-8")
    fake.chmod(0o755)
    path = f"{programs}:{os.environ['PATH']}"
    demo = rig.child(*DEMO, rig.folder / "demo", environment={"PATH": path})
    assert demo.wait(LIMIT) == 1, demo.said()
    assert "the broker ended at once (exit code 3)" in demo.said()


def test_readings_that_go_elsewhere(demos):
    """Readings that do not reach this broker end the demo with 1."""
    _rig, made = demos
    said = made["elsewhere"].said()
    assert made["elsewhere"].wait() == 1, said
    assert "did not arrive at the broker" in said.splitlines()[-1]


@pytest.mark.parametrize("victim", VICTIMS)
def test_a_part_that_dies(demos, victim):
    """A part killed on the way ends the demo with 1 and one line that names it."""
    rig, made = demos
    said = made[victim].said()
    assert made[victim].wait() == 1, said
    last = said.splitlines()[-1]
    assert last.startswith("benchtally: "), said
    assert VICTIMS[victim][1] in last
    # Nor is there a link left to a line whose number may be anybody's by now.
    assert not [each for each in (rig.folder / victim).iterdir() if each.is_symlink()]
