"""The historian's end of MQTT: one slot's session. Nothing is acknowledged before it is stored.

MQTT 5 only: the session outlives the connection for as long as the broker is told, Receive Maximum
bounds what may be unacknowledged, Maximum Packet Size what may come at all. Driven by its caller,
as the publisher's connection is, but not over paho: that makes 27 names of properties for each
message, and reads CloudEvents' letter by letter, which costs more than all that is done with the
message here. Packets are made and read by mqtt5, which does nothing else, so that one read of the
socket gives many messages and one write acknowledges a batch.
"""

import contextlib
import json
import ssl
from collections import deque
from collections.abc import Iterable
from typing import Any, NamedTuple

import mqtt5

from capture.clock import Clock
from capture.errors import PublishError
from capture.historian.intake import FILTERS
from capture.historian.settings import BrokerSource
from capture.historian.wire import Wire
from capture.publish.topics import ROOT

_CONNECT_TIMEOUT = 5.0
_MOST_READS = 16  # of the socket at a turn, so that a flood cannot starve the rest
_MOST_ASKED = 20  # requests of ours that are not acknowledged, where the broker takes so many
_MOST_ASKS = 1000  # that wait; a hole that is not asked for now is asked for at a later look
_LAST_WORDS = 1.0  # seconds for what must leave before the connection is closed
_SUBSCRIPTION = 1  # its packet identifier; requests have those above it
_LAST_NUMBER = 65_535
_HEADER = 5  # bytes before what the length of a packet counts
_REFUSED = 0x80  # reason codes from here on are failures (MQTT 5.0, 2.4)


class Received(NamedTuple):
    """One message, as it came. ``mid`` is None where nobody wants to hear that it is stored."""

    topic: str
    payload: bytes
    mid: int | None


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
        clock: Clock,
    ) -> None:
        """Take the slot's client id, the group that shares the stream, the most unacknowledged."""
        self.received: deque[Received] = deque()
        self.accepted = self.subscribed = False
        self.session_present = False
        self.over: str | None = None
        self.dropped = 0
        """Messages at QoS 0 that found no room in ``received``; benches send none such."""
        self._most = most
        self._broker, self._group, self._tls, self._clock = broker, group, tls, clock
        self._hello = mqtt5.ConnectPacket(
            client_id,
            username=broker.username or None,
            password=password.encode() if broker.username and password else None,
            clean_start=False,
            keep_alive=broker.keepalive_s,
            session_expiry_interval=broker.session_expiry_s,
            receive_max=most,
            max_packet_size=broker.max_packet,
        ).write()
        self._wire: Wire | None = None
        self._bytes = bytearray()
        self._keepalive = float(broker.keepalive_s)
        self._sent = self._heard = clock.monotonic()
        self._pinged = False
        self._asks: deque[tuple[str, bytes]] = deque(maxlen=_MOST_ASKS)
        self._asked: set[int] = set()
        self._most_asked = _MOST_ASKED
        self._number = _SUBSCRIPTION

    def begin(self) -> None:
        """Connect, taking up the slot's session.

        Raises:
            PublishError: no connection; says why.
        """
        broker = self._broker
        self._wire = Wire(broker.host, broker.port, self._tls, _CONNECT_TIMEOUT)
        self._send(self._hello)
        self._heard = self._sent

    def turn(self, longest: float) -> bool:
        """Wait no longer than so many seconds and move what there is; True where bytes had come."""
        wire = self._wire
        if self.over is not None:
            return False
        if wire is None:
            self.over = "the connection to the broker is gone"
            return False
        came = False
        try:
            came = wire.wait(longest)
            if came:
                self._read(wire)
            self._show_life()
        except PublishError as error:
            self._is_over(str(error))
        return came

    def acknowledge(self, messages: Iterable[Received]) -> None:
        """Tell the broker that messages are stored.

        Raises:
            PublishError: the connection is over.
        """
        numbers = [each.mid for each in messages if each.mid is not None]
        self._send(b"".join([mqtt5.PubAckPacket(number).write() for number in numbers]))

    def ask_again(self, site: str, bench: str, request: dict[str, Any]) -> None:
        """Ask a bench to send readings again.

        Raises:
            PublishError: the connection is over.
        """
        self._asks.append((f"{ROOT}/{site}/{bench}/resend", json.dumps(request).encode()))
        self._ask()

    def end(self, *, politely: bool) -> None:
        """End the connection; the broker keeps the session, and what is not acknowledged."""
        wire, self._wire = self._wire, None
        if wire is None:
            return
        if politely and self.over is None:
            with contextlib.suppress(PublishError):
                wire.write(mqtt5.DisconnectPacket().write())
                wire.drain(_LAST_WORDS)
                # Whoever takes over the slot at once would cut off what the broker has not read.
                wire.see_off(_LAST_WORDS)
        wire.close()

    def _is_over(self, why: str) -> None:
        """Keep the first reason: what comes after it follows from it."""
        if self.over is None:
            self.over = why

    # ── bytes and time ───────────────────────────────────────────────────────────────────────

    def _send(self, data: bytes) -> None:
        if self._wire is None:
            raise PublishError(self.over or "the connection to the broker is gone")
        self._wire.write(data)
        self._sent = self._clock.monotonic()

    def _read(self, wire: Wire) -> None:
        """Read what has come, and act on it; of a flood only the first part."""
        for _ in range(_MOST_READS):
            data = wire.read()
            if not data:
                return
            self._heard, self._pinged = self._clock.monotonic(), False
            self._bytes += data
            self._act()
            if self.over is not None:
                return
            if len(self._bytes) > self._broker.max_packet + _HEADER:
                raise PublishError("the broker sent a larger packet than we take")

    def _act(self) -> None:
        """Act on each packet that is whole; the bytes of the next one stay."""
        done = 0
        with memoryview(self._bytes) as view:
            try:
                while self.over is None:
                    try:
                        packet, length = mqtt5.read(view[done:])
                    except IndexError:
                        break  # not whole yet
                    done += length
                    if isinstance(packet, mqtt5.PublishPacket):
                        self._keep(Received(packet.topic, packet.payload, packet.packet_id))
                    else:
                        self._hear(packet)
            except (KeyboardInterrupt, PublishError):
                raise
            # What is no UTF-8 comes as a panic of Rust's, which is no Exception.
            except BaseException as error:  # noqa: BLE001 - of bytes that are no MQTT anything comes
                self.over = f"the broker sent what is not MQTT 5 ({error!r})"
        del self._bytes[:done]

    def _keep(self, message: Received) -> None:
        """Keep a message, unless nothing bounds its kind and there are too many already."""
        if message.mid is None and len(self.received) >= self._most:
            self.dropped += 1
        else:
            self.received.append(message)

    def _show_life(self) -> None:
        """Ask for an answer when nothing was said for half the time that is allowed."""
        if not self._keepalive:
            return
        now = self._clock.monotonic()
        if self._pinged and now - self._heard >= 2 * self._keepalive:
            raise PublishError("the broker does not answer")
        if not self._pinged and now - min(self._sent, self._heard) >= self._keepalive / 2:
            self._send(mqtt5.PingReqPacket().write())
            self._pinged = True

    # ── packets ──────────────────────────────────────────────────────────────────────────────

    def _hear(self, packet: mqtt5.Packet) -> None:
        """Act on a packet that is no message."""
        match packet:
            case mqtt5.ConnAckPacket():
                self._on_connack(packet)
            case mqtt5.SubAckPacket():
                self._on_suback(packet)
            case mqtt5.PubAckPacket():
                self._asked.discard(packet.packet_id)
                self._ask()
            case mqtt5.DisconnectPacket():
                self.over = f"broker: {_words(packet.reason_code)}{_more(packet.reason_str)}"
            case mqtt5.PingRespPacket():
                pass  # that it came is what it says
            case _:
                self.over = f"the broker sent what no broker sends here: {type(packet).__name__}"

    def _on_connack(self, packet: mqtt5.ConnAckPacket) -> None:
        if packet.reason_code != mqtt5.ConnAckReasonCode.SUCCESS:
            why = _words(packet.reason_code)
            self.over = f"the broker refused us: {why}{_more(packet.reason_str)}"
            return
        if not packet.shared_subscription_available:
            self.over = "the broker has no shared subscriptions"
            return
        self.accepted, self.session_present = True, packet.session_present
        self._most_asked = min(_MOST_ASKED, packet.receive_max)
        if packet.server_keep_alive is not None:
            self._keepalive = float(packet.server_keep_alive)
        wanted = [
            mqtt5.TopicFilter(f"$share/{self._group}/{each}", max_qos=mqtt5.QoS.AT_LEAST_ONCE)
            for each in FILTERS
        ]
        self._send(mqtt5.SubscribePacket(_SUBSCRIPTION, wanted).write())

    def _on_suback(self, packet: mqtt5.SubAckPacket) -> None:
        refused = [code for code in packet.reason_codes if int(code) >= _REFUSED]
        if refused:
            why = f"{_words(refused[0])}{_more(packet.reason_str)}"
            self.over = f"the broker refuses the subscription: {why}"
        self.subscribed = True

    def _ask(self) -> None:
        """Send requests that wait, as far as the broker takes them."""
        while self._asks and len(self._asked) < self._most_asked:
            topic, payload = self._asks.popleft()
            self._number = max(_SUBSCRIPTION, self._number % _LAST_NUMBER) + 1
            self._asked.add(self._number)
            once = mqtt5.QoS.AT_LEAST_ONCE
            packet = mqtt5.PublishPacket(topic, payload, qos=once, packet_id=self._number)
            self._send(packet.write())


def _words(code: Any) -> str:
    """Give a reason code in words."""
    return str(code.name).replace("_", " ").lower()


def _more(text: str | None) -> str:
    """Give what the broker says of it besides."""
    return f" ({text!r})" if text else ""
