"""One MQTT connection: a paho client that is used once and then discarded.

Strategy, from what paho does: its callbacks only record here; nothing is published before CONNACK
or after a loss (paho would keep and re-send it behind our back); the caller keeps no more in
flight than the broker allows, because paho does not read Receive Maximum; a refused PUBACK is seen
by its reason code, because paho counts it as delivered; and a new connection gets a new client, so
that nothing of an old one is sent again out of order.
"""

import contextlib
import socket
from collections import deque
from dataclasses import dataclass
from typing import Any, Literal

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from capture.errors import PublishError

Version = Literal["5", "3.1.1"]

_CONNECT_TIMEOUT = 5.0
_UNSUPPORTED_VERSION = 0x84
_NO_SUBSCRIBERS = 0x10
_MOST_PACKETS = 100  # read in one go, so that a flood of acknowledgements cannot starve the rest


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """A PUBACK. ``refused`` holds the broker's reason where it did not take the message."""

    mid: int
    refused: str | None
    nobody_listens: bool


class Connection:
    """A connection being made, in use, or over."""

    def __init__(
        self,
        *,
        host: str,
        port: int,
        version: Version,
        client_id: str,
        keepalive_s: int,
        will_topic: str,
        will: bytes,
        username: str = "",
        password: str = "",
    ) -> None:
        self.version = version
        self.accepted = False
        self.over: str | None = None
        self.version_refused = False
        self.receive_maximum = 65535
        self.acknowledged: deque[Acknowledgement] = deque()
        self._where = f"{host}:{port}"
        self._address = (host, port)
        self._keepalive = keepalive_s
        self._client = self._make_client(client_id)
        self._client.will_set(will_topic, will, qos=1, retain=True)
        if username:
            self._client.username_pw_set(username, password or None)

    def begin(self) -> None:
        """Connect the socket and send CONNECT; the broker's answer comes by `service`.

        Raises:
            PublishError: no connection; says why.
        """
        host, port = self._address
        try:
            if self.version == "5":
                self._client.connect(host, port, self._keepalive, clean_start=True)
            else:
                self._client.connect(host, port, self._keepalive)
        except (OSError, ValueError) as error:
            text = getattr(error, "strerror", None) or str(error) or type(error).__name__
            raise PublishError(f"broker {self._where}: {text}") from error
        connected = self._client.socket()
        if isinstance(connected, socket.socket):
            with contextlib.suppress(OSError):
                # Small messages that wait for each other's acknowledgement crawl otherwise.
                connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def fileno(self) -> int | None:
        """Give the socket to wait on; None once the connection is over."""
        connected = self._client.socket()
        return None if connected is None else connected.fileno()

    def wants_write(self) -> bool:
        """Tell whether bytes wait for the socket to take them."""
        return bool(self._client.want_write())

    def service(self, *, readable: bool, writable: bool, misc: bool) -> None:
        """Move bytes and, with ``misc``, see to the keep-alive; then look at the public members."""
        if readable:
            self._check(self._client.loop_read(_MOST_PACKETS))
        if writable and self.over is None:
            self._check(self._client.loop_write())
        if misc and self.over is None:
            self._check(self._client.loop_misc())

    def not_answered(self) -> None:
        """Take the connection for over: the broker never said whether it accepts us.

        Some brokers leave a CONNECT of a version they cannot read without any answer.
        """
        self.version_refused = self.version == "5"
        self.over = self.over or f"broker {self._where}: does not answer CONNECT"

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> int:
        """Hand over one message at QoS 1; give its number for matching the acknowledgement.

        Raises:
            PublishError: the connection is over.
        """
        info = self._client.publish(topic, payload, qos=1, retain=retain)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self.over = self.over or f"broker {self._where}: {mqtt.error_string(info.rc)}"
            raise PublishError(self.over)
        return info.mid

    def end(self, *, politely: bool) -> None:
        """End the connection and forget everything.

        Politely means with DISCONNECT, after which the broker keeps the will to itself. Otherwise
        the socket is just closed, and the broker tells everybody that we are offline.
        """
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
        self.over = self.over or "ended"

    # ── paho ─────────────────────────────────────────────────────────────────────────────────

    def _make_client(self, client_id: str) -> mqtt.Client:
        if self.version == "5":
            client = mqtt.Client(
                CallbackAPIVersion.VERSION2, client_id, protocol=MQTTProtocolVersion.MQTTv5
            )
        else:
            client = mqtt.Client(
                CallbackAPIVersion.VERSION2,
                client_id,
                clean_session=True,
                protocol=MQTTProtocolVersion.MQTTv311,
            )
        client.connect_timeout = _CONNECT_TIMEOUT
        # The caller keeps the window; paho must not add a queue of its own behind it.
        client.max_inflight_messages_set(65535)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        return client

    def _check(self, code: MQTTErrorCode) -> None:
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS and self.over is None:
            self.over = f"broker {self._where}: {mqtt.error_string(code).rstrip('.').lower()}"

    # Callbacks run inside `service` and only record: an exception in one would be lost in paho.

    def _on_connect(
        self,
        _client: mqtt.Client,
        _data: Any,
        _flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self.version_refused = reason.value == _UNSUPPORTED_VERSION
            self.over = f"broker {self._where} refused us: {reason}"
            return
        self.accepted = True
        self.receive_maximum = int(getattr(properties, "ReceiveMaximum", 65535))

    def _on_disconnect(
        self,
        _client: mqtt.Client,
        _data: Any,
        _flags: mqtt.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        why = str(reason)
        if not self.accepted and self.over is None:
            # A broker that does not know MQTT 5 may just hang up.
            self.version_refused = self.version == "5"
            why = "hung up before it accepted us"
        self.over = self.over or f"broker {self._where}: {why}"

    def _on_publish(
        self,
        _client: mqtt.Client,
        _data: Any,
        mid: int,
        reason: ReasonCode,
        _properties: Properties,
    ) -> None:
        refused = str(reason) if reason.is_failure else None
        nobody = reason.packetType == PacketTypes.PUBACK and reason.value == _NO_SUBSCRIBERS
        self.acknowledged.append(Acknowledgement(mid, refused, nobody))
