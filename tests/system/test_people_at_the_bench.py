"""What a person does and sees: keying, tagging, following, starting and stopping."""

import itertools
import json
import os
import signal
import sqlite3
import time

import harness
import jsonschema
import pytest
from delivering import hold

pytestmark = pytest.mark.takes(18)

BLOCK = """\
U-V  112.6 µs
V-U  112.4 µs
V-W  121.7 µs
W-V  121.9 µs
W-U  112.9 µs
U-W  112.8 µs
"""
OPERATOR = ("--operator", "technician")
WHO = (*OPERATOR, "--machine", "fan-07")
NOTICED = 2.0
"""Seconds that a foreign entry may take to a subscriber; the design says 0.25 to be noticed, the
rest is left to a busy machine. That one may stall at any moment, so the quickest of several counts."""


def keyed(rig, *more):
    arguments = ("key", "pulse_time", "--instrument", "pulse", "--law", "period", *WHO)
    return rig.command(*arguments, *more, "--json")


def test_keyed_without_a_daemon(rig, broker, subscriber):
    """Values keyed while nothing runs are stored at once, and delivered by the next daemon."""
    rig.configure(broker.port)
    rig.command("machine", "add", "fan-07", *OPERATOR)
    said = json.loads(keyed(rig, "87.42 µs", "--point", "U-V"))
    assert (said["value"], said["unit"], said["sequence"]) == (87.42e-6, "s", 1)
    block = rig.command(
        "key", "pulse_time", "--block", "--instrument", "pulse", *WHO, "--json", given=BLOCK
    )
    assert [json.loads(line)["sequence"] for line in block.splitlines()] == [2, 3, 4, 5, 6, 7]
    rig.command("tag", "pulse:1", *WHO, "--point", "V-W")
    assert len(rig.entries()) == 9  # with the machine's
    daemon = rig.daemon()
    rig.check_delivery(subscriber)
    assert daemon.stop() == 0, daemon.said()
    points = [
        (each.json()["tag"]["test_point"]["pair"], each.json()["tag"]["test_point"]["direction"])
        for each in subscriber.entries()[1:7]
    ]
    pairs, ways = ("U-V", "V-W", "W-U"), ("forward", "reverse")
    assert points == list(itertools.product(pairs, ways))


def test_keyed_and_tagged_beside_a_running_daemon(rig, broker, subscriber):
    """The daemon notices what other programs append, and publishes it among its own."""
    _counter, lines = rig.counter("line", 50)
    rig.configure(broker.port, lines)
    rig.command("machine", "add", "fan-07", *OPERATOR)
    daemon = rig.daemon()
    subscriber.wait_for(harness.is_reading("line"), "a reading")
    said = json.loads(keyed(rig, "87.42 µs", "--point", "V-U", "--note", "warm"))
    took = []

    def came(ids):
        began = time.monotonic()
        subscriber.wait_for_ids(ids)
        took.append(time.monotonic() - began)

    came([said["id"]])
    reading = subscriber.wait_for(harness.is_reading("pulse"), "the keyed value").json()
    assert reading["id"] == said["id"]
    assert reading["source"]["kind"] == "keyed"
    assert reading["source"]["operator"] == "technician"
    assert reading["conditions"] == {"law": "period"}
    assert reading["tag"]["note"] == "warm"
    assert reading["tag"]["test_point"]["direction"] == "reverse"
    rig.command("key", "pulse_time", "--block", "--instrument", "pulse", *WHO, given=BLOCK)
    came([rig.entries()[-1].id])
    rig.command("tag", "line:1", *WHO, "--point", "U-V")
    rig.command("tag", "line:1", *WHO, "--point", "V-W")
    tags = [each for each in rig.entries() if each.kind == "tag"]
    came([each.id for each in tags])
    assert min(took) < NOTICED, took
    assert tags[1].json()["supersedes"] == tags[0].id
    document = json.loads((harness.REPOSITORY / "schemas" / "tag.v1.json").read_text("utf-8"))
    for message in subscriber.entries():
        if message.topic == f"{harness.ROOT}/tag/line":
            jsonschema.Draft202012Validator(document).validate(message.json())
    listed = [json.loads(each) for each in rig.command("readings", "--json").splitlines()]
    first = next(each for each in listed if each["instrument"] == "line")
    assert first["tag"]["test_point"]["pair"] == "V-W"
    assert daemon.stop() == 0, daemon.said()
    rig.check_delivery(subscriber)


def test_keying_while_readings_pour_in(rig, broker, subscriber):
    """Several writers at once: nobody is refused, no number is given twice."""
    counter, lines = rig.counter("line", 1000)
    rig.configure(broker.port, lines)
    rig.command("machine", "add", "fan-07", *OPERATOR)
    daemon = rig.daemon()
    rig.wait_for_length(500)
    keyers = [
        rig.child(
            *harness.PYTHON, "-m", "capture.cli", "key", "pulse_time", f"{number}.5 µs", *WHO,
            "--instrument", "pulse", "--config", rig.config,
        )
        for number in range(80, 86)
    ]  # fmt: skip
    assert [each.wait() for each in keyers] == [0] * 6, [each.said() for each in keyers]
    rig.wait_for_length(rig.length() + 500)
    hold(rig, counter)
    rig.stop(daemon, subscriber)
    pulses = [each for each in rig.entries() if each.instrument == "pulse"]
    assert [each.sequence for each in pulses] == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize(
    ("value", "why"),
    [
        ("87.42", "has no unit"),
        ("87.42 mOhm", "pulse_time is in s"),
        ("eighty", "accepted forms"),
        ("87.42 \x1b[31m µs", "unit"),
        ("87,420 µs", "decimal comma or a thousands separator"),
    ],
)
def test_a_bad_value_is_refused(rig, value, why):
    """A refusal says why on one printable line and stores nothing."""
    rig.configure(1883)
    said = rig.command("key", "pulse_time", value, *WHO, code=2)
    assert why in said
    assert said.count("\n") == 1
    assert said.rstrip("\n").isprintable()
    assert rig.length() == 0


def test_a_bad_line_refuses_the_whole_block(rig):
    """One line that cannot be taken, and nothing of the block is stored."""
    rig.configure(1883)
    bad = BLOCK.replace("121.9 µs", "121.9 mm")
    said = rig.command("key", "pulse_time", "--block", *WHO, given=bad, code=2)
    assert "4" in said
    assert rig.length() == 0


def test_follow_shows_the_traffic(rig, broker, subscriber):
    """`follow --json` prints each message with its topic, and ends after so many."""
    _counter, lines = rig.counter("line", 20)
    rig.configure(broker.port, lines)
    daemon = rig.daemon()
    subscriber.wait_for(harness.is_reading("line"), "a reading")
    printed = [
        json.loads(line) for line in rig.command("follow", "--json", "--count", "12").splitlines()
    ]
    assert len(printed) == 12
    shown = [(line["topic"], line["payload"]) for line in printed]

    def all_came():
        sent = [(each.topic, each.json()) for each in list(subscriber.messages)]
        return all(each in sent for each in shown)

    harness.wait_until(all_came, "what was shown to come to the subscriber, too")
    assert {"state"} < {line["topic"].rpartition("/")[2] for line in printed}
    assert "line" in rig.command("follow", "--count", "4")
    assert daemon.stop() == 0


def test_follow_ends_by_ctrl_c(rig, broker, subscriber):
    """Ctrl-C is how a person ends it: exit code 0 and nothing but messages printed."""
    rig.configure(broker.port)
    daemon = rig.daemon()
    subscriber.wait_for(harness.is_state("state", "online"), "the bench")
    follow = rig.child(
        *harness.PYTHON, "-m", "capture.cli", "follow", "--json", "--config", rig.config
    )
    harness.wait_until(lambda: "online" in follow.said(), "the retained state")
    follow.signal_all(signal.SIGINT)
    assert follow.wait() == 0, follow.said()
    assert [json.loads(line)["topic"] for line in follow.said().splitlines()]
    assert daemon.stop() == 0


@pytest.mark.parametrize("command", [("readings",), ("tag", "line:1", *WHO)])
def test_no_journal_yet(rig, command):
    """Asking for what was never stored says that there is no journal yet, and makes none."""
    rig.configure(1883)
    assert "no journal yet" in rig.command(*command, code=1)
    assert not rig.journal.exists()


def test_follow_without_a_broker(rig):
    """No broker is one line that says where and what to do."""
    port = harness.free_port()
    rig.configure(port)
    said = rig.command("follow", code=1)
    assert f"127.0.0.1:{port}" in said
    assert said.count("\n") == 1


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_stops_cleanly(rig, broker, subscriber, number):
    """The first signal, to the program or to its whole session, ends it with exit code 0."""
    _counter, lines = rig.counter("line", 200)
    rig.configure(broker.port, lines)
    daemon = rig.daemon(fresh=True)
    subscriber.wait_for(harness.is_reading("line"), "a reading")
    if number == signal.SIGINT:
        daemon.signal_all(number)  # Ctrl-C reaches the publisher as well
    else:
        daemon.signal(number)
    assert daemon.wait() == 0, daemon.said()
    subscriber.wait_for(harness.is_state("state", "offline"), "the last word")
    rig.check_delivery(subscriber)


def test_a_second_signal_forces(rig, broker, subscriber):
    """Where a stop takes long, a second signal ends the daemon at once, and nothing is lost."""
    _counter, lines = rig.counter("line", 200)
    rig.configure(broker.port, lines)
    daemon = rig.daemon(fresh=True)
    subscriber.wait_for(harness.is_reading("line"), "a reading")
    os.kill(daemon.publisher(), signal.SIGSTOP)
    daemon.signal(signal.SIGTERM)
    harness.wait_until(
        lambda: any(e["state"] == "stopped" for e in daemon.events("instrument.state")),
        "intake stopped",
    )
    assert daemon.running()
    daemon.signal(signal.SIGTERM)
    assert daemon.wait() == -signal.SIGTERM, (
        "by the signal itself, not by a stop that came to its end"
    )
    daemon.signal_all(signal.SIGKILL)  # the publisher that stands still
    again = rig.daemon()
    rig.wait_for_length(rig.length() + 50)
    assert again.stop() == 0, again.said()
    rig.check_delivery(subscriber)


def test_two_daemons_on_one_journal(rig, broker, subscriber):
    """The second is refused with one line, and the first goes on undisturbed."""
    _counter, lines = rig.counter("line", 50)
    rig.configure(broker.port, lines)
    first = rig.daemon()
    subscriber.wait_for(harness.is_reading("line"), "a reading")
    said = rig.command("run", code=1)
    assert said.splitlines()[-1] == (
        f"benchtally: {rig.journal}: process {first.pid} runs a daemon on this journal; end it first"
    )
    since = subscriber.count()
    subscriber.wait_for(harness.is_reading("line"), "more readings", since=since)
    assert first.stop() == 0


def test_a_file_that_is_no_journal(rig):
    """A foreign file in the journal's place is refused in words and left as it was."""
    rig.configure(1883)
    rig.journal.write_bytes(b"notes of the night shift\n" * 400)
    before = rig.journal.read_bytes()
    said = rig.command("run", code=1)
    assert str(rig.journal) in said
    assert rig.journal.read_bytes() == before
    rig.journal.unlink()
    with sqlite3.connect(rig.journal) as other:
        other.execute("CREATE TABLE shopping (item TEXT)")
    other.close()
    assert "another program" in rig.command("run", code=1)


def test_a_broken_configuration(rig):
    """One line a fault, with file, key path, what was found and what is expected."""
    rig.config.write_text(
        'site = "Saw Mill"\nbench = "bench-1"\n[broker]\nport = 99999\ncolour = "red"\n'
        '[instruments.ohm]\ndriver = "no-such"\n[instruments.ohm.link]\nkind = "serial"\n',
        "utf-8",
    )
    said = rig.command("run", code=2).splitlines()
    assert len(said) == 4, said
    assert all(line.startswith(f"benchtally: {rig.config}: ") for line in said)
    for part in ("site", "broker.port", "broker.colour", "instruments.ohm.link.port"):
        assert any(part in line for line in said), (part, said)
    rig.configure(1883, rig.instrument("ohm", "no-such", {"kind": "serial", "port": "x"}, {}))
    said = rig.command("run", code=2)
    assert "ascii-meter" in said
    assert "scpi-meter" in said


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (("run", "--colour", "red"), "--colour"),
        (("key", "--operator"), "--operator"),
        (("key", "resistance", "1 Ohm"), "operator"),
        (("sing",), "sing"),
        (("readings", "--last", "none"), "--last"),
    ],
)
def test_wrong_usage(rig, arguments, part):
    """Wrong usage is one line that names what is wrong and where to look, with exit code 2."""
    done = rig.bare(*arguments)
    assert done.returncode == 2, done.stderr
    assert done.stderr.count("\n") == 1, done.stderr
    assert part in done.stderr
    assert "internal error" not in done.stderr
    assert "--help" in done.stderr
