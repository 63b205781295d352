"""A paho client whose packets share system calls.

paho reads a packet by three calls of `recv`, the first two for one byte each, and sends every
packet by itself: at ten thousand messages a second, two fifths of all that a publisher does. This
client's socket reads what is there in one go and hands it out from memory, and gathers what
`loop_write` sends. Whatever paho does beyond that stays paho's.

What is gathered is on its way when `loop_write` returns, or still here, and then `want_write` says
so. The usual loop of select, `loop_read` and `loop_write` needs to know one thing more only: bytes
may wait in memory (`pending`).
"""

import contextlib
import select
import socket
import ssl
import time
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from capture.publish.arrivals import (
    Received,
    acknowledgements,
    cut_acknowledgements,
    cut_publishes,
)
from capture.publish.departures import is_plain_topic, publish_packet
from capture.publish.refusals import NO_SUBSCRIBERS

_Found = TypeVar("_Found")

#: Seconds for the broker to read what left before a connection is closed politely.
LAST_WORDS = 1.0
_READ = 65536
_QUICK: int | None = getattr(socket, "TCP_QUICKACK", None)  # Linux only
_MOST_GATHERED = 65536  # bytes that wait for the socket; past that paho keeps its packets itself

_SUCCESS = MQTTErrorCode.MQTT_ERR_SUCCESS
_REASONS = {
    reason: ReasonCode(PacketTypes.PUBACK, identifier=reason) for reason in (0, NO_SUBSCRIBERS)
}
# What paho keeps of a message until it is acknowledged; it asks such a thing for no more than this.
_GATHERED = mqtt.MQTTMessage()
_GATHERED.qos = 1
_NO_PROPERTIES = Properties(PacketTypes.PUBACK)  # type: ignore[no-untyped-call] # paho's


class Wire:
    """A socket, or a TLS connection on one, with memory in both directions. Used by one thread."""

    def __init__(self, inner: socket.socket) -> None:
        self._inner = inner
        self._read = b""
        self._at = 0
        self._gathered = bytearray()
        self._lost: OSError | None = None
        self.patience = 0.0
        self._confirm_at_once()

    def recv(self, size: int) -> bytes:
        """Give up to ``size`` bytes; none at the end of the stream.

        Raises:
            OSError: as the socket's own; BlockingIOError or ssl.SSLWantReadError where nothing is
                there now.
        """
        at = self._at
        data = self._read[at : at + size]
        if data:
            self._at = at + len(data)
            return data
        self._read, self._at = b"", 0
        try:
            read = self._inner.recv(max(size, _READ))
        except (BlockingIOError, ssl.SSLWantReadError):
            if self._lost is not None:
                raise self._lost from None
            raise
        self._read, self._at = read, min(size, len(read))
        return read[:size]

    def read_ahead(self) -> None:
        """Read what is there, where nothing is in memory. What goes wrong, the next `recv` says."""
        if self._at < len(self._read) or self._lost is not None:
            return
        try:
            self._read, self._at = self._inner.recv(_READ), 0
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return  # TLS may have to write before it can read: that is no loss
        except OSError as error:
            self._lost = error

    def take(self, cut: Callable[[bytes, int], tuple[_Found, int]]) -> _Found:
        """Have ``cut`` take what it wants of the bytes read ahead.

        It is given bytes and where those begin that nobody has had, and says what it found and
        where the rest begins.
        """
        found, self._at = cut(self._read, self._at)
        return found

    def pending(self) -> bool:
        """Tell whether `recv` has something to say that select does not know of."""
        inner = self._inner
        inside = isinstance(inner, ssl.SSLSocket) and inner.pending() > 0
        return inside or self._at < len(self._read) or self._lost is not None

    def send(self, data: bytes | bytearray) -> int:
        """Take ``data`` whole; it goes with the next `flush`.

        Raises:
            BlockingIOError: enough waits already.
        """
        if len(self._gathered) >= _MOST_GATHERED:
            self.flush()
            if len(self._gathered) >= _MOST_GATHERED:
                raise BlockingIOError
        self._gathered += data
        return len(data)

    def add(self, data: bytes) -> None:
        """Take ``data`` whole, however much waits: for what the peer itself has bounded."""
        self._gathered += data

    @property
    def gathered(self) -> int:
        """Bytes that the socket has not taken yet."""
        return len(self._gathered)

    def flush(self) -> None:
        """Send what was gathered, as far as the socket takes it.

        Where the connection is lost, `recv` says so, after it has given what had come before: an
        acknowledgement that was on its way tells which message the peer hung up on.
        """
        if not self._gathered:
            return
        while self._gathered:
            try:
                sent = self._inner.send(self._gathered)
            except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
                return
            except OSError as error:
                self._lost = error
                self._gathered.clear()
                return
            del self._gathered[:sent]
        self._confirm_at_once()

    def _confirm_at_once(self) -> None:
        """Have the kernel confirm what came without waiting for something of ours to go with it.

        A broker that gathers its small answers (Nagle's way, RFC 1122 §4.2.3.4) holds the next ones
        back until then. Sending makes the kernel forget the wish, so it is said after each time.
        """
        if _QUICK is not None:
            with contextlib.suppress(OSError):
                self._inner.setsockopt(socket.IPPROTO_TCP, _QUICK, 1)

    def setblocking(self, flag: bool) -> None:  # noqa: FBT001 - the socket's own
        """Have calls wait, or not."""
        self._inner.setblocking(flag)

    def fileno(self) -> int:
        """Give what select waits on."""
        return self._inner.fileno()

    def close(self) -> None:
        """Send what is left, if that can be done at once, and close.

        With `patience`, wait so many seconds for the peer to close as well: a socket that is closed
        while something has come that nobody read takes back what the peer has not read yet.
        """
        self.flush()
        if self.patience and self._lost is None:
            with contextlib.suppress(OSError):
                self._see_off(time.monotonic() + self.patience)
        self._inner.close()

    def _see_off(self, end: float) -> None:
        """Send what is left, say that this was all, and wait until the peer says so too."""
        self._wait_until(end)
        while self._gathered:
            del self._gathered[: self._inner.send(self._gathered)]
            self._wait_until(end)
        self._inner.shutdown(socket.SHUT_WR)
        while self._inner.recv(_READ):
            self._wait_until(end)

    def _wait_until(self, end: float) -> None:
        # Each call waits anew: a peer that goes on talking would keep us here for ever.
        left = end - time.monotonic()
        if left <= 0:
            raise TimeoutError
        self._inner.settimeout(left)


class Client(mqtt.Client):
    """A client for a loop of one's own; see paho's for what it takes."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        # Whoever sets this promises to call `loop_write`; else paho does, once for every packet.
        self.on_socket_register_write = _nothing

    def want_write(self) -> bool:
        """Tell whether something waits to be sent."""
        wire = self.socket()
        return super().want_write() or (isinstance(wire, Wire) and wire.gathered > 0)

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """Take what has come: plain acknowledgements many at a time, the rest as paho does."""
        wire = self.socket()
        if isinstance(wire, Wire):
            wire.read_ahead()
            code = self._take_acknowledgements(wire)
            if code is not None:
                return code
        return super().loop_read(max_packets)

    def loop_write(self) -> MQTTErrorCode:
        """Send what waits, as far as the socket takes it."""
        wire = self.socket()
        code = _SUCCESS
        # Where all that waits is gathered already, paho has nothing to add.
        if not isinstance(wire, Wire) or super().want_write():
            code = super().loop_write()
            wire = self.socket()
        if isinstance(wire, Wire):
            wire.flush()
        return code

    def put(self, topic: bytes, payload: bytes, properties: bytes, *, retain: bool) -> int | None:
        """Gather one message at QoS 1; give its packet identifier, which `on_publish` tells of.

        None, and nothing done, where it has to go by `publish`: what paho holds back is not
        overtaken, what the socket does not take waits there, and what is wrong is said there.
        ``properties`` are packed, with their length; in MQTT 3.1.1 there are none. The client must
        be for one connection: nothing is kept that could be sent again on another.
        """
        wire = self.socket()
        if not isinstance(wire, Wire) or super().want_write() or not is_plain_topic(topic):
            return None
        try:
            mutex, waiting, mid = self._out_message_mutex, self._out_messages, self._mid_generate()
            counted = self._inflight_messages + 1
        except AttributeError:
            return None  # not public
        with mutex:
            if mid in waiting:
                return None
            try:
                wire.send(publish_packet(topic, payload, properties, mid, retain=retain))
            except BlockingIOError:
                return None
            waiting[mid] = _GATHERED
            self._inflight_messages = counted
        return mid

    def pending(self) -> bool:
        """Tell whether something was read that `loop_read` has not been given yet."""
        wire = self.socket()
        return isinstance(wire, Wire) and wire.pending()

    def take_publishes(self, most: int) -> list[Received]:
        """Give messages of MQTT 5 at QoS 1 that are plain and in memory, in order, up to ``most``.

        They pass paho by: it counts none of them, calls nobody and acknowledges nothing. None comes
        where it is in the middle of a packet, or one that is for paho to read comes first.
        """
        wire = self.socket()
        if not isinstance(wire, Wire) or self._protocol != MQTTProtocolVersion.MQTTv5:
            return []
        if not self._is_between_packets:
            return []
        return wire.take(lambda data, at: cut_publishes(data, at, most))

    def confirm(self, mids: Iterable[int]) -> None:
        """Acknowledge messages at QoS 1; it leaves with the next `loop_write`.

        Without a socket nothing is done: the broker sends them again.
        """
        wire = self.socket()
        if isinstance(wire, Wire):
            wire.add(acknowledgements(mids))

    def see_off(self, patience: float, reason: ReasonCode | None = None) -> None:
        """Say DISCONNECT, and close when the broker has read it, or after so many seconds."""
        connected = self.socket()
        if not isinstance(connected, Wire):
            return
        wire: Wire = connected
        where, end = wire.fileno(), time.monotonic() + patience
        wire.patience = patience
        with contextlib.suppress(OSError, ValueError):
            self.disconnect(reason)
            self.loop_write()
            # Behind more than the socket takes it is still paho's.
            while self.socket() is wire and (left := end - time.monotonic()) > 0:
                select.select([], [where], [], left)
                # Closing waits as well, and both together no longer than was said.
                wire.patience = max(0.0, end - time.monotonic())
                self.loop_write()

    @property
    def _is_between_packets(self) -> bool:
        # Not public. Should paho keep it elsewhere, it reads all itself, as before.
        try:
            return bool(self._in_packet["command"] == 0)
        except (AttributeError, LookupError, TypeError):
            return False

    def _take_acknowledgements(self, wire: Wire) -> MQTTErrorCode | None:
        """Give what came of it where they were all that was in memory; None where paho is to go on.

        paho's own way makes the tables of all properties and reason codes that there are.
        """
        try:
            mutex, waiting, tell = self._out_message_mutex, self._out_messages, self._do_on_publish
        except AttributeError:
            return None  # not public, either
        if not waiting or not self._is_between_packets:
            return None
        five = self._protocol == MQTTProtocolVersion.MQTTv5
        taken = wire.take(lambda data, at: cut_acknowledgements(data, at, reasons=five))
        with mutex:
            for mid, reason in taken:
                code = tell(mid, _REASONS[reason], _NO_PROPERTIES) if mid in waiting else _SUCCESS
                if code != _SUCCESS:
                    return code
        return _SUCCESS if taken and not wire.pending() else None

    def _create_socket(self) -> Any:
        # Not public. Should paho stop asking for it, each packet costs its calls again, no more.
        inner = super()._create_socket()
        with contextlib.suppress(OSError):
            # Small messages that wait for each other's acknowledgement crawl otherwise.
            inner.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # type: ignore[attr-defined]
        return Wire(inner)  # type: ignore[arg-type] # neither web sockets nor Unix sockets are used


def _nothing(*_: Any) -> None:
    pass
