"""The historian's end of MQTT: one slot's session. Nothing is acknowledged before it is stored.

MQTT 5 only: the session outlives the connection for as long as the broker is told, Receive Maximum
bounds what may be unacknowledged, Maximum Packet Size what may come at all. Driven by its caller,
as the publisher's connection is: paho's callbacks only record.
"""

import contextlib
import json
import select
import socket
import ssl
from collections import deque
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from capture.errors import PublishError
from capture.historian.intake import FILTERS
from capture.historian.settings import BrokerSource
from capture.publish.topics import ROOT

_MOST_PACKETS = 500
_CONNECT_TIMEOUT = 5.0


@dataclass(frozen=True, slots=True)
class Received:
    """One message, as it came."""

    topic: str
    payload: bytes
    mid: int
    qos: int


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
    ) -> None:
        """Take the slot's client id, the group that shares the stream, the most unacknowledged."""
        self.received: deque[Received] = deque()
        self.accepted = self.subscribed = False
        self.session_present = False
        self.over: str | None = None
        self._group = group
        self._broker, self._most = broker, most
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id,
            protocol=MQTTProtocolVersion.MQTTv5,
            manual_ack=True,
        )
        self._client.connect_timeout = _CONNECT_TIMEOUT
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message
        if broker.username:
            self._client.username_pw_set(broker.username, password or None)
        if tls is not None:
            self._client.tls_set_context(tls)

    def begin(self) -> None:
        """Connect, taking up the slot's session.

        Raises:
            PublishError: no connection; says why.
        """
        broker = self._broker
        properties: Any = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # paho's
        properties.SessionExpiryInterval = broker.session_expiry_s
        properties.ReceiveMaximum = self._most
        properties.MaximumPacketSize = broker.max_packet
        try:
            self._client.connect(
                broker.host, broker.port, broker.keepalive_s,
                clean_start=False, properties=properties,
            )  # fmt: skip
        except (OSError, ValueError) as error:
            text = getattr(error, "strerror", None) or str(error) or type(error).__name__
            raise PublishError(f"broker {broker.host}:{broker.port}: {text}") from error
        connected = self._client.socket()
        if isinstance(connected, socket.socket):
            with contextlib.suppress(OSError):
                connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def turn(self, longest: float) -> bool:
        """Wait no longer than so many seconds and move what there is; True where bytes had come."""
        connected = self._client.socket()
        if connected is None:
            self.over = self.over or "the connection to the broker is gone"
            return False
        waiting = isinstance(connected, ssl.SSLSocket) and connected.pending() > 0
        writes = [connected] if self._client.want_write() else []
        readable, writable, _ = select.select([connected], writes, [], 0 if waiting else longest)
        try:
            if readable or waiting:
                self._check(self._client.loop_read(_MOST_PACKETS))
            if writable and self.over is None:
                self._check(self._client.loop_write())
            if self.over is None:
                self._check(self._client.loop_misc())
        except Exception as error:  # noqa: BLE001 - paho raises all sorts on bytes that are no MQTT
            self.over = self.over or f"the broker sent what is not MQTT ({error!r})"
        return bool(readable or waiting)

    def acknowledge(self, message: Received) -> None:
        """Tell the broker that a message is stored."""
        self._client.ack(message.mid, message.qos)

    def ask_again(self, site: str, bench: str, request: dict[str, Any]) -> None:
        """Ask a bench to send readings again."""
        self._client.publish(f"{ROOT}/{site}/{bench}/resend", json.dumps(request), qos=1)

    def end(self, *, politely: bool) -> None:
        """End the connection; the broker keeps the session, and what is not acknowledged."""
        if politely:
            with contextlib.suppress(OSError, ValueError):
                self._client.disconnect()
                for _ in range(_MOST_PACKETS):
                    if self._client.socket() is None or not self._client.want_write():
                        break
                    self._client.loop_write()
        connected = self._client.socket()
        if connected is not None:
            with contextlib.suppress(OSError):
                connected.close()

    def _check(self, code: MQTTErrorCode) -> None:
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS and self.over is None:
            self.over = f"broker: {mqtt.error_string(code).rstrip('.').lower()}"

    def _on_connect(
        self,
        client: mqtt.Client,
        _data: Any,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self.over = f"the broker refused us: {reason}"
            return
        if not getattr(properties, "SharedSubscriptionAvailable", 1):
            self.over = "the broker has no shared subscriptions"
            return
        self.accepted, self.session_present = True, flags.session_present
        client.subscribe([(f"$share/{self._group}/{each}", 1) for each in FILTERS])

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _data: Any,
        _mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        refused = [str(reason) for reason in reasons if reason.is_failure]
        if refused:
            self.over = f"the broker refuses the subscription: {refused[0]}"
        self.subscribed = True

    def _on_disconnect(
        self,
        _client: mqtt.Client,
        _data: Any,
        _flags: mqtt.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self.over = self.over or f"broker: {reason}"

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self.received.append(
            Received(message.topic, bytes(message.payload), message.mid, message.qos)
        )
