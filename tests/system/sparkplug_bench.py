"""An edge node on a journal of its own at a real broker, and a host that hears it all."""

import contextlib
import json
import os
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import harness
import paho.mqtt.client as mqtt
from paho.mqtt.subscribeoptions import SubscribeOptions
from sparkplug_reader import read_payload

from capture.clock import SystemClock
from capture.journal import Store
from capture.model import Keyed, ReadingDraft, Streamed, new_id
from capture.publish.making import make_pump
from capture.publish.settings import PublisherSettings, SparkplugSettings

GROUP, NODE, HOST = "sawmill", "bench-1", "plant-host"
START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
START_MS = round(START.timestamp() * 1000)


@dataclass
class Heard:
    """One message as a host gets it."""

    kind: str
    device: str
    raw: bytes
    qos: int
    retained: bool
    at: float
    payload: dict = field(init=False)

    def __post_init__(self):
        self.payload = read_payload(self.raw)

    @property
    def seq(self):
        return self.payload.get("seq")

    @property
    def metrics(self):
        return self.payload["metrics"]

    def metric(self, name):
        return next(each for each in self.metrics if each.get("name") == name)

    def value(self, name):
        return self.metric(name)["double_value"]


def samples(heard, *, historical):
    """Give (device, value, time) of all values in data, resolved by the births before them."""
    found = []
    for each in heard:
        if each.kind == "DDATA":
            found += [
                (each.device, metric.get("double_value"), metric["timestamp"])
                for metric in each.metrics
                if bool(metric.get("is_historical")) is historical
            ]
    return found


class HostApplication:
    """Hears everything of the namespace; says that it is there, and commands."""

    def __init__(self, port, host=HOST):
        self.heard = []
        self._changed = threading.Condition()
        self._topic = f"spBv1.0/STATE/{host}"
        subscribed = threading.Event()
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.on_subscribe = lambda *_: subscribed.set()
        self._client.on_message = self._take
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe("spBv1.0/#", options=SubscribeOptions(1, retainAsPublished=True))
        assert subscribed.wait(harness.LONG)

    def _take(self, _client, _data, message):
        if "/STATE/" in message.topic or "/NCMD/" in message.topic:
            return
        _, group, kind, node, *device = message.topic.split("/")
        assert (group, node) == (GROUP, NODE)
        device = "/".join(device)
        found = Heard(kind, device, message.payload, message.qos, message.retain, time.monotonic())
        with self._changed:
            self.heard.append(found)
            self._changed.notify_all()

    def wait(self, what, condition, seconds=harness.LONG):
        """Wait until `condition(heard)` is true; give what it gave."""
        end = time.monotonic() + seconds
        with self._changed:
            while not (found := condition(self.heard)):
                left = end - time.monotonic()
                assert left > 0, (
                    f"{what}: heard {[(each.kind, each.device) for each in self.heard]}"
                )
                self._changed.wait(left)
        return found

    def wait_for(self, kind, device="", count=1):
        def enough(heard):
            found = [each for each in heard if (each.kind, each.device) == (kind, device)]
            return found[count - 1] if len(found) >= count else None

        return self.wait(f"{count} {kind} of {device or 'the node'}", enough)

    def say_state(self, *, online, timestamp, payload=None):
        said = (
            json.dumps({"online": online, "timestamp": timestamp}) if payload is None else payload
        )
        self._client.publish(self._topic, said, qos=1, retain=True).wait_for_publish(harness.LONG)

    def command(self, payload, kind="NCMD"):
        self._client.publish(f"spBv1.0/{GROUP}/{kind}/{NODE}", payload, qos=1)

    def end(self):
        self._client.disconnect()
        self._client.loop_stop()


class Edge:
    """An edge node: a journal and a pump in a thread, which is told of instruments by hand."""

    def __init__(self, folder, port, *, host="", version="5", **options):
        self.folder, self.host = folder, host
        self.store = Store(folder / "bench.journal")
        self._moment = START
        self.reports = []
        self.settings = PublisherSettings(
            name="plant", journal=folder / "bench.journal", cursor=folder / "cursor",
            letters=folder / "letters", site=GROUP, bench=NODE, host="127.0.0.1", port=port,
            version=version, client_id="edge", username="", password="", password_file=None,
            tls=None, keepalive_s=20, window=20, cloudevents=False, dead_letters=10, retry_s=1,
            sparkplug=SparkplugSettings(group=GROUP, node=NODE, primary_host=host),
            **{"max_rate": 0} | options,
        )  # fmt: skip
        self._feed = self._thread = None

    def start(self, *running):
        """Start it; it knows from its first moment of the instruments that are running."""
        read_end, self._feed = os.pipe()
        for each in running:
            self.state(each, "running")
        pump = make_pump(self.settings, read_end, SystemClock(), self.reports.append)

        def run():
            try:
                pump.run()
            finally:
                os.close(read_end)

        self._thread = threading.Thread(target=run, name="edge")
        self._thread.start()

    def state(self, instrument, state):
        line = json.dumps({"instrument": instrument, "state": state})
        os.write(self._feed, f"{line}\n".encode())

    def read(self, instrument, *values, quantity="resistance", unit="Ohm", keyed=False, **members):
        """Commit readings, a second apart; give their ids."""
        drafts = []
        for value in values:
            self._moment += timedelta(seconds=1)
            source = Streamed(driver="ascii-meter", driver_version="1", link="memory")
            if keyed:
                source = Keyed(operator="technician", typed="110 us")
            drafts.append(
                ReadingDraft(
                    **{
                        "id": new_id(), "site": GROUP, "bench": NODE, "instrument": instrument,
                        "time": self._moment, "quantity": quantity, "unit": unit, "value": value,
                        "digits": str(value), "shown_unit": unit, "status": "ok", "source": source,
                    } | members
                )
            )  # fmt: skip
        self.store.append(drafts)
        if self._feed is not None:
            with contextlib.suppress(OSError):
                os.write(self._feed, b"\n")
        return [str(each.id) for each in drafts]

    def delivered(self):
        """The entry up to which the node holds all for handed over, as it last reported."""
        return self.reports[-1].delivered if self.reports else 0

    def stop(self):
        if self._feed is not None:
            os.close(self._feed)
            self._thread.join(15)
            assert not self._thread.is_alive()
            self._feed = None

    def end(self):
        self.stop()
        self.store.close()
