"""A consumer that keeps little of each message, so that it can listen for hours, and asks for holes.

paho by hand. Of each entry it keeps its id, a digest of its bytes, when it first came, and how often;
of each instrument the sequence numbers that came.
"""

import hashlib
import json
import threading
import time
from collections import defaultdict
from dataclasses import dataclass

import harness
import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties


@dataclass(slots=True)
class Arrival:
    """What came under one id."""

    place: int
    digest: bytes
    count: int = 1
    same: bool = True


class Recorder:
    """Records what comes; its session is kept by the broker while it is away."""

    def __init__(self, port, client_id="historian"):
        self.arrivals = {}
        self.sequences = defaultdict(set)
        self.newest = defaultdict(int)
        self.states = {}
        self.heads = []
        self.answers = {}
        self.messages = 0
        self._port, self._client_id = port, client_id
        self._client = None
        self._changed = threading.Condition()
        self._gate = threading.Event()
        self._gate.set()
        self.come()

    # ── there, slow, away ────────────────────────────────────────────────────────────────────

    def come(self):
        """Connect, taking up the session that the broker kept."""
        subscribed = threading.Event()
        client = mqtt.Client(
            mqtt.CallbackAPIVersion.VERSION2, self._client_id, protocol=mqtt.MQTTv5
        )
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 7200
        client.reconnect_delay_set(1, 1)
        client.on_connect = lambda *_: client.subscribe(f"{harness.ROOT}/#", qos=1)
        client.on_subscribe = lambda *_: subscribed.set()
        client.on_message = self._take
        client.connect("127.0.0.1", self._port, 60, clean_start=False, properties=properties)
        client.loop_start()
        self._client = client
        assert subscribed.wait(harness.LONG), "the broker did not take the subscription"

    def go(self):
        """Disconnect; the broker keeps what comes meanwhile."""
        self._client.disconnect()
        self._client.loop_stop()

    def stall(self):
        """Take nothing more off the connection, until `go_on`."""
        self._gate.clear()

    def go_on(self):
        self._gate.set()

    def end(self):
        self._gate.set()
        self.go()

    # ── what came ────────────────────────────────────────────────────────────────────────────

    def wait(self, holds, seconds):
        """Wait until `holds()`, looked at under the lock; tell whether it came true in time."""
        with self._changed:
            return self._changed.wait_for(holds, seconds)

    def missing(self, ids):
        """Give those of `ids` that did not come."""
        with self._changed:
            return [each for each in ids if each not in self.arrivals]

    def wait_for_ids(self, ids, seconds):
        """Wait until all of `ids` have come; give those that did not."""
        end = time.monotonic() + seconds
        left = self.missing(ids)
        while left and time.monotonic() < end:
            with self._changed:
                self._changed.wait(0.2)
            left = self.missing(left)
        return left

    def holes(self):
        """Give the (instrument, first, last) that are missing between sequence numbers that came."""
        found = []
        with self._changed:
            for instrument, came in self.sequences.items():
                there = sorted(came)
                for one, two in zip([0, *there], there, strict=False):
                    if two > one + 1:
                        found.append((instrument, one + 1, two - 1))
        return found

    def ask_again(self, request, instrument, first, last):
        """Ask the bench to send readings again."""
        asked = {"id": request, "instrument": instrument, "first": first, "last": last}
        self._client.publish(f"{harness.ROOT}/resend", json.dumps(asked), qos=1)

    def _take(self, _client, _data, message):
        self._gate.wait(120)
        kind = message.topic.removeprefix(f"{harness.ROOT}/")
        with self._changed:
            self.messages += 1
            if kind == "resend":
                pass
            elif kind == "resent":
                answer = json.loads(message.payload)
                self.answers[answer["request"]] = answer
            elif kind.endswith("state"):
                state = self.states[kind] = json.loads(message.payload)
                if kind == "state" and "head" in state:
                    self.heads.append(state["head"])
            else:
                self._take_entry(message.payload)
            self._changed.notify_all()

    def _take_entry(self, payload):
        entry = json.loads(payload)
        digest = hashlib.sha256(payload).digest()
        arrival = self.arrivals.get(entry["id"])
        if arrival is None:
            self.arrivals[entry["id"]] = Arrival(len(self.arrivals), digest)
        else:
            arrival.count += 1
            arrival.same = arrival.same and arrival.digest == digest
        if "sequence" in entry:
            self.sequences[entry["instrument"]].add(entry["sequence"])
            self.newest[entry["instrument"]] = max(
                self.newest[entry["instrument"]], entry["sequence"]
            )
