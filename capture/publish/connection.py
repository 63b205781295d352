"""One MQTT connection: a paho client that is used once and then discarded.

Strategy, from what paho does: its callbacks only record here; nothing is published before CONNACK
or after a loss (paho would keep and re-send it behind our back); the caller keeps no more in
flight than the broker allows, because paho does not read Receive Maximum, and nothing larger,
because it does not read Maximum Packet Size either; a refused PUBACK is seen by its reason code,
because paho counts it as delivered; whatever paho raises ends the connection and nothing else; and
a new connection gets a new client, so that nothing of an old one is sent again out of order.
"""

import ssl
from collections import deque
from typing import Any, Literal, NamedTuple

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import CallbackAPIVersion, LogLevel, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from capture.errors import PublishError
from capture.publish import endings
from capture.publish.broker import Broker, hang_up
from capture.publish.packed import PackedProperties
from capture.publish.refusals import NO_SUBSCRIBERS, NOT_LET_IN, PACKET_TOO_LARGE
from capture.publish.refusals import UNSUPPORTED_VERSION as _UNSUPPORTED_VERSION
from capture.publish.wire import LAST_WORDS, Client

Version = Literal["5", "3.1.1"]

_WITH_WILL = 0x04  # MQTT 5.0, 3.14.2.1: Disconnect with Will Message
_MOST_PACKETS = 100  # read in one go, so that a flood of acknowledgements cannot starve the rest
_MOST_INCOMING = 32  # messages to us that wait; more than that are dropped
_LARGEST_INCOMING = 4096  # bytes of a packet that a broker of MQTT 5 may send us
_LARGEST_PAYLOAD = 268_435_455 - 70_000  # what the length of a packet can say, less its header


class UnfitError(PublishError):
    """A message that this connection can never carry; others can go. ``code`` says why."""

    def __init__(self, code: int, text: str) -> None:
        super().__init__(text)
        self.code = code


class Acknowledgement(NamedTuple):
    """A PUBACK. ``refused`` holds the broker's reason where it did not take the message."""

    mid: int
    code: int
    refused: str | None

    @property
    def nobody_listens(self) -> bool:
        """Whether the broker says that it had nobody to give the message to."""
        return self.code == NO_SUBSCRIBERS


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
        will_topic: str = "",
        will: bytes = b"",
        retains_will: bool = True,
        username: str = "",
        password: str = "",
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self.version = version
        self.accepted = False
        self.over: str | None = None
        self.over_code = 0
        """Reason code of the broker's DISCONNECT; 0 where there was none."""
        self.version_refused = False
        self.not_let_in = False
        self.receive_maximum = 65535
        self.maximum_packet_size: int | None = None
        self.acknowledged: deque[Acknowledgement] = deque()
        self.incoming: deque[mqtt.MQTTMessage] = deque()
        self.dropped = 0
        """Messages to us that found no room in ``incoming``."""
        self._retains = True
        self._paho_says = ""
        self._broker = Broker(host, port, keepalive_s, username, password, tls)
        self._client = self._make_client(client_id)
        if will_topic:
            self._client.will_set(will_topic, will, qos=1, retain=retains_will)

    def begin(self) -> None:
        """Connect the socket and send CONNECT; the broker's answer comes by `service`.

        Raises:
            PublishError: no connection; says why.
        """
        if self.version != "5":
            self._broker.connect(self._client)
            return
        properties: Any = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # paho's
        properties.MaximumPacketSize = _LARGEST_INCOMING
        properties.ReceiveMaximum = _MOST_INCOMING
        self._broker.connect(self._client, clean_start=True, properties=properties)

    def fileno(self) -> int | None:
        """Give the socket to wait on; None once the connection is over."""
        connected = self._client.socket()
        return None if connected is None else connected.fileno()

    def has_read(self) -> bool:
        """Tell whether bytes were read from the socket already and wait in memory."""
        return self._client.pending()

    def wants_write(self) -> bool:
        """Tell whether bytes wait for the socket to take them."""
        return self._client.want_write()

    def service(self, *, readable: bool, writable: bool, misc: bool) -> None:
        """Move bytes and, with ``misc``, see to the keep-alive; then look at the public members."""
        try:
            if readable:
                self._check(self._client.loop_read(_MOST_PACKETS))
            if writable and self.over is None:
                self._check(self._client.loop_write())
            if misc and self.over is None:
                self._check(self._client.loop_misc())
        except Exception as error:  # noqa: BLE001 - paho raises all sorts on bytes that are no MQTT
            structlog.get_logger().warning("broker.not_understood", error=repr(error))
            self.over = self.over or self._broker.says(f"sent what is not MQTT ({error!r})")

    def send_now(self) -> None:
        """Send what waits, as far as the socket takes it."""
        if self.over is None and self.wants_write():
            self.service(readable=False, writable=True, misc=False)

    def not_answered(self) -> None:
        """Take the connection for over: the broker never said whether it accepts us.

        Some brokers leave a CONNECT of a version they cannot read without any answer.
        """
        self.version_refused = self.version == "5"
        self.over = self.over or self._broker.says("does not answer CONNECT")

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: Literal[0, 1] = 1,
        retain: bool = False,
        properties: PackedProperties | None = None,
    ) -> int:
        """Hand over one message; give its number for matching the acknowledgement.

        One at QoS 0 is not kept for later either, but nothing says that it has arrived.

        Raises:
            UnfitError: the message is too large for this broker, or its topic is none.
            PublishError: there is no connection now; nothing was kept for later.
        """
        if not self.accepted or self.over is not None:
            raise PublishError(self.over or self._broker.says("has not accepted us yet"))
        five = self.version == "5"
        encoded = topic.encode()
        packed = b"" if not five else b"\0" if properties is None else properties.pack()
        self._refuse_too_large(len(encoded) + len(payload) + len(packed))
        if qos:
            mid = self._client.put(encoded, payload, packed, retain=retain and self._retains)
            if mid is not None:
                return mid
        try:
            info = self._client.publish(
                topic,
                payload,
                qos=qos,
                retain=retain and self._retains,
                properties=properties if five else None,
            )
        except ValueError as error:
            raise UnfitError(0x90, f"topic {topic!r}: {error}") from error
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self.over = self._broker.failed(info.rc)
            raise PublishError(self.over)
        return info.mid

    def subscribe(self, topic: str) -> None:
        """Ask for messages on a topic; they come into ``incoming``. A refusal is only logged."""
        self._client.subscribe(topic, qos=1)

    def end(self, *, politely: bool, with_will: bool = False) -> None:
        """End the connection and forget everything.

        Politely means with DISCONNECT, after which the broker keeps the will to itself, unless it
        is to publish it all the same, which MQTT 5 alone can say (`with_will`). Otherwise the
        socket is just closed, and the broker tells everybody that we are offline.
        """
        if politely:
            reason = None
            if with_will and self.version == "5":
                reason = ReasonCode(PacketTypes.DISCONNECT, identifier=_WITH_WILL)
            self._client.see_off(LAST_WORDS, reason)
        hang_up(self._client)
        self.over = self.over or "ended"

    def _refuse_too_large(self, size: int) -> None:
        """Refuse a packet whose topic, payload and properties take up ``size`` bytes."""
        # Fixed header with a length of up to four bytes, length of the topic, packet identifier.
        whole = size + 1 + 4 + 2 + 2
        largest = self.maximum_packet_size or _LARGEST_PAYLOAD
        if whole > largest:
            raise UnfitError(
                PACKET_TOO_LARGE, f"{whole} bytes, and the broker takes packets of {largest} only"
            )

    # ── paho ─────────────────────────────────────────────────────────────────────────────────

    def _make_client(self, client_id: str) -> Client:
        if self.version == "5":
            client = Client(
                CallbackAPIVersion.VERSION2, client_id, protocol=MQTTProtocolVersion.MQTTv5
            )
        else:
            client = Client(
                CallbackAPIVersion.VERSION2,
                client_id,
                clean_session=True,
                protocol=MQTTProtocolVersion.MQTTv311,
                # Else paho answers a refused version by a connection of its own, in MQTT 3.1.
                reconnect_on_failure=False,
            )
        # The caller keeps the window; paho must not add a queue of its own behind it. 0 is without
        # bound: with any other, paho goes through all that is in flight at each acknowledgement.
        client.max_inflight_messages_set(0)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_log = self._on_log
        return client

    def _check(self, code: MQTTErrorCode) -> None:
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS and self.over is None:
            self.over = self._broker.failed(code)

    # Callbacks run inside `service` and only record: paho holds its locks meanwhile.

    def _on_connect(
        self,
        client: mqtt.Client,
        _data: Any,
        _flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self.version_refused = reason.value == _UNSUPPORTED_VERSION
            self.not_let_in = reason.value in NOT_LET_IN
            self.over = self._broker.refused(reason, properties)
            return
        if getattr(properties, "MaximumQoS", 1) < 1:
            self.over = self._broker.says("takes QoS 0 only, which confirms nothing")
            return
        client.on_log = None  # from here on it would cost every message a line of text
        self.accepted = True
        self.receive_maximum = int(getattr(properties, "ReceiveMaximum", 65535))
        self.maximum_packet_size = getattr(properties, "MaximumPacketSize", None)
        self._retains = bool(getattr(properties, "RetainAvailable", 1))

    def _on_disconnect(
        self,
        _client: mqtt.Client,
        _data: Any,
        flags: mqtt.DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if flags.is_disconnect_packet_from_server:
            self.over_code = reason.value
            why = endings.sent_away(reason, properties)
        else:
            why = endings.lost(reason, self._broker.keepalive_s)
        if not self.accepted and self.over is None:
            # A broker that does not know MQTT 5 may just hang up.
            self.version_refused = self.version == "5"
            why = "hung up before it accepted us"
            if self._paho_says:
                why += f" ({self._paho_says})"
            if self._broker.tls is not None:
                why += "; perhaps it wants another certificate of ours"
            else:
                why += "; perhaps it wants TLS: give its section tls"
        self.over = self.over or self._broker.says(why)

    def _on_publish(
        self,
        _client: mqtt.Client,
        _data: Any,
        mid: int,
        reason: ReasonCode,
        _properties: Properties,
    ) -> None:
        refused = str(reason) if reason.is_failure else None
        self.acknowledged.append(Acknowledgement(mid, reason.value, refused))

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _data: Any,
        _mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            structlog.get_logger().warning("broker.no_requests", reason=str(reasons[0]))

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        if len(self.incoming) < _MOST_INCOMING:
            self.incoming.append(message)
        else:
            self.dropped += 1

    def _on_log(self, _client: mqtt.Client, _data: Any, level: int, text: str) -> None:
        if level == LogLevel.MQTT_LOG_ERR:
            self._paho_says = text
