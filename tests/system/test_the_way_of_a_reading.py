"""A reading's way from the wire through journal and broker to a subscriber."""

import itertools
import json
import os
import shutil
import time

import harness
import jsonschema
import pytest

from capture.demo.broker import Amqtt

pytestmark = pytest.mark.takes(12)

SCHEMAS = harness.REPOSITORY / "schemas"


@pytest.fixture(scope="module")
def schemas():
    """The committed schemas, read by the `jsonschema` library (JSON Schema 2020-12)."""
    made = {}
    for kind in ("reading", "tag", "gap"):
        document = json.loads((SCHEMAS / f"{kind}.v1.json").read_text("utf-8"))
        jsonschema.Draft202012Validator.check_schema(document)
        made[kind] = jsonschema.Draft202012Validator(
            document, format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
        )
    return made


@pytest.fixture
def amqtt(rig):
    """A broker that speaks MQTT 3.1.1 only, inside this process."""
    return rig.own(Amqtt(), "stop")


def check_readings(messages, schemas, instrument):
    """Every reading fits its schema, stands under its topic, and is numbered without a gap."""
    readings = [each for each in messages if harness.is_reading(instrument)(each)]
    for message in readings:
        schemas["reading"].validate(message.json())
        reading = message.json()
        assert message.topic == f"{harness.ROOT}/reading/{instrument}/{reading['quantity']}"
        assert not message.retained
    numbers = [each.json()["sequence"] for each in readings]
    assert numbers == list(range(1, len(numbers) + 1))
    return [each.json() for each in readings]


def test_scpi_meter_on_a_pseudo_terminal(rig, broker, subscriber, schemas):
    """Polled readings pass pyserial, journal and broker; open leads are a status, no number."""
    link = rig.folder / "ohm"
    meter = rig.simulate("scpi-resistance", "--pty", link, "-o", "rate=50")
    rig.configure(broker.port, rig.scpi("ohm", port=link))
    daemon = rig.daemon(fresh=True)
    subscriber.wait_for(harness.is_reading("ohm"), "a first reading")
    meter.hand("pair U-V")
    subscriber.wait_for(
        lambda m: harness.is_reading("ohm")(m) and m.json()["status"] == "ok", "a value"
    )
    since = subscriber.count()
    meter.hand("lift")
    lifted = subscriber.wait_for(
        lambda m: harness.is_reading("ohm")(m) and m.json()["status"] == "above-range",
        "an open circuit",
        since=since,
    ).json()
    assert lifted["value"] is None
    assert daemon.stop() == 0, daemon.said()
    verdict = rig.check_delivery(subscriber)
    assert verdict.duplicates == 0
    readings = check_readings(subscriber.messages, schemas, "ohm")
    value = next(each for each in readings if each["status"] == "ok")
    assert value["unit"] == "Ohm"
    assert value["value"] == float(value["digits"])
    assert value["source"]["kind"] == "polled"
    assert value["source"]["query"] == "FETC?"
    assert value["raw"]["data"].strip() == value["digits"]


def test_scpi_meter_over_tcp(rig, broker, subscriber, schemas):
    """The same meter at a TCP port gives the same kind of readings."""
    meter = rig.simulate("scpi-resistance", "--tcp", "0", "-o", "rate=50")
    port = int(meter.ready["tcp"].rpartition(":")[2])
    rig.configure(broker.port, rig.scpi("ohm", host="127.0.0.1", port=port))
    meter.hand("pair U-V")
    daemon = rig.daemon()
    subscriber.wait_for(
        lambda m: harness.is_reading("ohm")(m) and m.json()["status"] == "ok", "a value"
    )
    assert daemon.stop() == 0
    rig.check_delivery(subscriber)
    readings = check_readings(subscriber.messages, schemas, "ohm")
    assert readings[0]["source"]["link"] == f"127.0.0.1:{port}"


def test_falls_back_to_the_older_mqtt(rig, amqtt, schemas):
    """A broker that refuses MQTT 5 gets the same payloads by MQTT 3.1.1."""
    link = rig.folder / "ohm"
    meter = rig.simulate("scpi-resistance", "--pty", link, "-o", "rate=50")
    meter.hand("pair U-V")
    subscriber = rig.subscriber(amqtt, version=4)
    rig.configure(amqtt.port, rig.scpi("ohm", port=link))
    daemon = rig.daemon()
    subscriber.wait_for(harness.is_reading("ohm"), "a reading")
    assert daemon.wait_for("broker.connected")["version"] == "3.1.1"
    assert daemon.stop() == 0
    rig.check_delivery(subscriber)
    check_readings(subscriber.messages, schemas, "ohm")
    subscriber.wait_for(harness.is_state("state", "offline"), "the last word")


def test_a_line_meter_fed_by_programs_that_are_not_ours(rig, broker, subscriber, schemas):
    """A shell's printf behind socat is a meter like any other, in its own order and digits."""
    socat = shutil.which("socat")
    assert socat, "this test needs socat; `make test` installs Debian's"
    link = rig.folder / "line"
    go = rig.folder / "go"
    os.mkfifo(go)
    feed = rig.folder / "feed.sh"
    feed.write_text(
        f"read start <{go}\n"
        "n=0\n"
        "while [ $n -lt 200 ]; do n=$((n+1)); printf 'R %d.5 mOhm\\r\\n' $n; done\n"
        "printf 'R OL\\r\\n'\n"
        "read stop\n",
        "utf-8",
    )
    rig.child(socat, f"pty,raw,echo=0,link={link}", f"exec:sh {feed},pty,raw,echo=0")
    harness.wait_until(link.exists, "socat made its port")
    rig.configure(broker.port, rig.lines("line", port=link))
    daemon = rig.daemon()
    subscriber.wait_for(harness.is_state("instrument/line/state", "running"), "an open port")
    # Half a second of silence: only what comes after it is surely the start of a line.
    began = time.monotonic()
    harness.wait_until(lambda: time.monotonic() > began + 0.5, "a quiet start")
    go.write_text("go\n", "utf-8")
    subscriber.wait_for(
        lambda m: harness.is_reading("line")(m) and m.json()["status"] == "above-range", "the end"
    )
    assert daemon.stop() == 0
    rig.check_delivery(subscriber)
    readings = check_readings(subscriber.messages, schemas, "line")
    assert [each["digits"] for each in readings[:-1]] == [f"{n}.5" for n in range(1, 201)]
    # 1 mΩ is 10⁻³ Ω (SI prefix): the nearest double of each exact decimal.
    assert [each["value"] for each in readings[:-1]] == [float(f"{n}.5e-3") for n in range(1, 201)]
    assert len(readings) == 201


def test_ids_rise_and_times_are_utc(rig, broker, subscriber):
    """Ids are UUIDv7 (RFC 9562) in rising order, and times carry the UTC mark."""
    _counter, lines = rig.counter("line", 200)
    rig.configure(broker.port, lines)
    rig.daemon()
    rig.wait_for_length(90)
    entries = [each for each in rig.entries() if each.kind == "reading"]
    assert all(each.id[14] == "7" and each.id[19] in "89ab" for each in entries)
    assert all(one.id < two.id for one, two in itertools.pairwise(entries))
    assert all(each.json()["time"].endswith("Z") for each in entries)


@pytest.mark.parametrize("process", ["process", "thread"])
def test_states_tell_who_is_there(rig, broker, subscriber, process):
    """`state` and each instrument's state are retained; a clean stop says offline."""
    _counter, lines = rig.counter("line", 20)
    rig.configure(broker.port, lines)
    daemon = rig.daemon(environment={"BENCHTALLY_BROKER__PROCESS": process})
    subscriber.wait_for(harness.is_reading("line"), "a reading")
    late = rig.subscriber(broker, client_id="late")
    late.wait_for(harness.is_state("state", "online"), "the bench's retained state")
    late.wait_for(harness.is_state("instrument/line/state", "running"), "the line's state")
    assert all(each.retained for each in late.messages if each.topic.endswith("/state"))
    assert daemon.stop() == 0, daemon.said()
    late.wait_for(harness.is_state("state", "offline"), "the last word")
    late.wait_for(harness.is_state("instrument/line/state", "stopped"), "the line's last word")
    rig.check_delivery(subscriber)
