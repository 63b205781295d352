"""The historian's end of MQTT: one slot's session. Nothing is acknowledged before it is stored.

MQTT 5 only: the session outlives the connection for as long as the broker is told, Receive Maximum
bounds what may be unacknowledged, Maximum Packet Size what may come at all. Driven by its caller,
as the publisher's connection is, and over the same client: paho's callbacks only record, and its
packets share system calls.
"""

import json
import select
import ssl
from collections import deque
from collections.abc import Iterable
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from capture.errors import PublishError
from capture.historian.intake import FILTERS
from capture.historian.settings import BrokerSource
from capture.historian.words import ANSWERS, STATES
from capture.publish.arrivals import Received
from capture.publish.broker import GONE, Broker, hang_up
from capture.publish.topics import ROOT
from capture.publish.wire import LAST_WORDS, Client

_MOST_PACKETS = 500  # at a turn, so that a flood cannot starve the rest
_MOST_HELD = 64 << 20  # bytes of messages beyond which no more are read: they wait at the broker
_BATCH = 16 << 20  # bytes of messages that are stored at once
_UNSPECIFIED = 0x80  # MQTT 5.0, 2.4


class Listener:
    """One connection of one slot."""

    def __init__(
        self,
        broker: BrokerSource,
        client_id: str,
        group: str,
        most: int,
        password: str,
        tls: ssl.SSLContext | None,
        *,
        hears_states: bool = False,
    ) -> None:
        """Take the slot's client id, the group that shares the stream, the most unacknowledged.

        One that ``hears_states`` gets what benches say of themselves; one of a group is enough.
        """
        self.received: deque[Received] = deque()
        self.accepted = self.subscribed = False
        self.session_present = False
        self.over: str | None = None
        self.deaf = ""
        """Why the broker does not give us what benches say besides entries; empty where it does."""
        self.dropped = 0
        """Messages at QoS 0 that found no room in ``received``; benches send none such."""
        self._bytes = 0
        self._hears_states = hears_states
        self._group = group
        self._source, self._most = broker, most
        self._broker = Broker(
            broker.host, broker.port, broker.keepalive_s, broker.username, password, tls
        )
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            client_id,
            protocol=MQTTProtocolVersion.MQTTv5,
            manual_ack=True,
        )
        # Requests go one after the other: paho does not look at the broker's Receive Maximum.
        self._client.max_inflight_messages_set(1)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message

    def begin(self) -> None:
        """Connect, taking up the slot's session.

        Raises:
            PublishError: no connection; says why.
        """
        source = self._source
        properties: Any = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # paho's
        properties.SessionExpiryInterval = source.session_expiry_s
        properties.ReceiveMaximum = self._most
        properties.MaximumPacketSize = source.max_packet
        self._broker.connect(self._client, clean_start=False, properties=properties)
        self._client.loop_write()

    def turn(self, longest: float) -> bool:
        """Wait no longer than so many seconds and move what there is; True where bytes had come."""
        client = self._client
        connected = client.socket()
        if self.over is not None:
            return False
        if connected is None:
            self.over = GONE
            return False
        # Twice what may be unacknowledged, as those at QoS 0 may fill half of it: only a broker
        # that passes over Receive Maximum sends more. It waits; nothing is lost, or held in memory.
        full = len(self.received) > 2 * self._most or self._bytes > _MOST_HELD
        waiting = client.pending() and not full
        reads = [] if full else [connected]
        writes = [connected] if client.want_write() else []
        readable, writable, _ = select.select(reads, writes, [], 0 if waiting else longest)
        try:
            if readable or waiting:
                self._read()
            if writable and self.over is None:
                self._check(client.loop_write())
            if self.over is None:
                self._check(client.loop_misc())
        except Exception as error:  # noqa: BLE001 - paho raises all sorts on bytes that are no MQTT
            self._is_over(self._broker.says(f"sent what is not MQTT ({error!r})"))
        return bool(readable or waiting)

    def _read(self) -> None:
        """Take what has come: plain messages many at a time, the rest packet by packet by paho."""
        end = len(self.received) + _MOST_PACKETS
        for _ in range(_MOST_PACKETS):
            found = self._client.take_publishes(end - len(self.received))
            self._bytes += sum(len(each.payload) for each in found)
            self.received += found
            if len(self.received) >= end or self._bytes > _MOST_HELD:
                return
            code = self._client.loop_read()
            self._check(code)
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS or not self._client.pending():
                return

    def take(self, most: int) -> list[Received]:
        """Give up to so many messages, and not many more bytes than may be stored at once."""
        taken: list[Received] = []
        size = 0
        while self.received and len(taken) < most and size < _BATCH:
            taken.append(self.received.popleft())
            size += len(taken[-1].payload)
        self._bytes -= size
        return taken

    def acknowledge(self, messages: Iterable[Received]) -> None:
        """Tell the broker that messages are stored.

        Raises:
            PublishError: the connection is over.
        """
        self._refuse_when_over()
        self._client.confirm(each.mid for each in messages if each.mid is not None)

    def ask_again(self, site: str, bench: str, request: dict[str, Any]) -> None:
        """Ask a bench what it has, or to send entries again.

        Raises:
            PublishError: the connection is over.
        """
        self._refuse_when_over()
        self._client.publish(f"{ROOT}/{site}/{bench}/resend", json.dumps(request), qos=1)

    def end(self, *, politely: bool) -> None:
        """End the connection; the broker keeps the session, and what is not acknowledged."""
        if politely and self.over is None:
            # Whoever takes over the slot at once would cut off what the broker has not read.
            self._client.see_off(LAST_WORDS)
        hang_up(self._client)
        self._is_over("ended")

    def _refuse_when_over(self) -> None:
        if self.over is not None or self._client.socket() is None:
            raise PublishError(self.over or GONE)

    def _is_over(self, why: str) -> None:
        """Keep the first reason: what comes after it follows from it."""
        if self.over is None:
            self.over = why

    def _check(self, code: MQTTErrorCode) -> None:
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS and self.over is None:
            self.over = self._broker.failed(code)

    def _on_connect(
        self,
        client: mqtt.Client,
        _data: Any,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self.over = self._broker.refused(reason, properties)
            return
        if not getattr(properties, "SharedSubscriptionAvailable", 1):
            self.over = self._broker.says("has no shared subscriptions")
            return
        self.accepted, self.session_present = True, flags.session_present
        shared = [(f"$share/{self._group}/{each}", 1) for each in (*FILTERS, ANSWERS)]
        # Not shared, so that the broker gives the newest of each bench at once. A bench says one
        # in half a minute and only where there are new entries: beside those, few are kept for us.
        client.subscribe([*shared, (STATES, 1)] if self._hears_states else shared)

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _data: Any,
        _mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        refused = [str(reason) for reason in reasons[: len(FILTERS)] if reason.is_failure]
        if refused:
            self.over = self._broker.says(f"refuses the subscription: {refused[0]}")
        # Entries are stored all the same; that nothing is known of what is missing is told.
        refused = [str(reason) for reason in reasons[len(FILTERS) :] if reason.is_failure]
        if refused:
            self.deaf = self._broker.says(f"refuses `state` or `resent`: {refused[0]}")
        self.subscribed = True

    def _on_disconnect(
        self,
        _client: mqtt.Client,
        _data: Any,
        flags: mqtt.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        # Of a connection that is lost without a word, paho gives a reason that says nothing.
        said = flags.is_disconnect_packet_from_server or reason.value != _UNSPECIFIED
        why = self._broker.says(reason) if said else GONE
        self._is_over(why)

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        if not message.qos and len(self.received) >= self._most:
            self.dropped += 1  # nothing bounds how many of these come
            return
        payload = bytes(message.payload)
        self._bytes += len(payload)
        self.received.append(Received(message.topic, payload, message.mid if message.qos else None))
