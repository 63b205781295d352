"""A TCP proxy that does to connections what networks do to them: drop, refuse, swallow, delay.

One thread moves the bytes. What other threads ask for is done by it at its next turn, so that no
socket is touched from two sides.
"""

import contextlib
import queue
import selectors
import socket
import struct
import threading
import time
from collections import deque

import harness

_MOST_HELD = 1 << 16  # bytes that wait for a slow side, after which nothing more is read for it
_RESET = struct.pack("ii", 1, 0)  # SO_LINGER of 0 s: closing sends RST, as a dying host does not


class _Way:
    """Bytes going one way: read from `source`, held for a while, written to `sink`."""

    def __init__(self, source, sink):
        self.source, self.sink = source, sink
        self.held = deque()
        self.size = 0
        self.ended = False
        self.passed = 0

    def wants_read(self):
        return not self.ended and self.size < _MOST_HELD

    def due(self):
        return self.held[0][0] if self.held else None


class _Pair:
    """A client's connection and ours to the broker."""

    def __init__(self, client, broker):
        self.ways = (_Way(client, broker), _Way(broker, client))
        self.vanishing = False  # bytes are read and thrown away, and nobody is told


class Proxy:
    """Listens on a port of its own and passes on to `target`; faults are asked for by its methods."""

    def __init__(self, target):
        self.port = harness.free_port()
        self._target = target
        self._pairs = []
        self._delay = 0.0
        self._listener = None
        self._asked = queue.SimpleQueue()
        self._wake, self._woken = socket.socketpair()
        self._woken.setblocking(False)
        self._stopping = False
        self._listen()
        self._thread = threading.Thread(target=self._run, name="proxy")
        self._thread.start()

    # ── what can be asked for ────────────────────────────────────────────────────────────────

    def drop(self):
        """End all connections at once, without a word of MQTT."""
        self._ask(self._drop_all)

    def refuse(self):
        """End all connections and take no more until `accept`."""
        self._ask(self._close_listener)
        self._ask(self._drop_all)

    def accept(self):
        """Take connections again."""
        self._ask(self._listen)

    def vanish(self):
        """Let all bytes of the connections there are now vanish, both ways; new ones are whole."""
        self._ask(self._vanish_all)

    def delay(self, seconds):
        """Pass every byte on so much later; 0 ends it."""
        self._ask(lambda: setattr(self, "_delay", seconds))

    def connections(self):
        """Count the connections that pass bytes."""
        found = []
        self._ask(lambda: found.append(sum(not pair.vanishing for pair in self._pairs)))
        return found[0]

    def end(self):
        self._stopping = True
        self._wake.send(b"x")
        self._thread.join(harness.LONG)
        for each in (self._wake, self._woken):
            each.close()

    def _ask(self, act):
        done = threading.Event()
        self._asked.put((act, done))
        self._wake.send(b"x")
        assert done.wait(harness.LONG), "the proxy does nothing any more"

    # ── the thread ───────────────────────────────────────────────────────────────────────────

    def _run(self):
        try:
            while not self._stopping:
                self._obey()
                self._turn()
        finally:
            self._close_listener()
            self._drop_all()

    def _obey(self):
        with contextlib.suppress(BlockingIOError):
            self._woken.recv(4096)
        while not self._asked.empty():
            act, done = self._asked.get()
            act()
            done.set()

    def _turn(self):
        now = time.monotonic()
        wanted = {self._woken: selectors.EVENT_READ}
        if self._listener is not None:
            wanted[self._listener] = selectors.EVENT_READ
        times = []
        for pair in self._pairs:
            for way in pair.ways:
                if way.wants_read():
                    wanted[way.source] = wanted.get(way.source, 0) | selectors.EVENT_READ
                if way.held and way.due() <= now:
                    wanted[way.sink] = wanted.get(way.sink, 0) | selectors.EVENT_WRITE
                elif way.held:
                    times.append(way.due() - now)
        with selectors.DefaultSelector() as selector:
            for each, events in wanted.items():
                selector.register(each, events)
            ready = {key.fileobj: events for key, events in selector.select(min(times, default=1))}
        if self._listener in ready:
            self._admit()
        for pair in list(self._pairs):
            self._move(pair, ready)

    def _move(self, pair, ready):
        now = time.monotonic()
        try:
            for way in pair.ways:
                if way.wants_read() and ready.get(way.source, 0) & selectors.EVENT_READ:
                    data = way.source.recv(_MOST_HELD)
                    way.ended = not data
                    if data and not pair.vanishing:
                        way.held.append((now + self._delay, data))
                        way.size += len(data)
                self._write(way, now)
                if way.ended and not way.held:
                    self._close(pair)
                    return
        except OSError:
            self._close(pair)

    @staticmethod
    def _write(way, now):
        while way.held and way.held[0][0] <= now:
            due, data = way.held.popleft()
            try:
                sent = way.sink.send(data)
            except BlockingIOError:
                sent = 0
            way.size -= sent
            way.passed += sent
            if sent < len(data):
                way.held.appendleft((due, data[sent:]))
                return

    def _admit(self):
        client, _ = self._listener.accept()
        try:
            broker = socket.create_connection(("127.0.0.1", self._target), 1)
        except OSError:
            client.close()
            return
        for each in (client, broker):
            each.setblocking(False)
            each.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._pairs.append(_Pair(client, broker))

    def _listen(self):
        if self._listener is None:
            self._listener = socket.create_server(("127.0.0.1", self.port))

    def _close_listener(self):
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def _vanish_all(self):
        for pair in self._pairs:
            pair.vanishing = True
            for way in pair.ways:
                way.held.clear()
                way.size = 0

    def _drop_all(self):
        for pair in list(self._pairs):
            for way in pair.ways:
                with contextlib.suppress(OSError):
                    way.source.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
            self._close(pair)

    def _close(self, pair):
        self._pairs.remove(pair)
        for way in pair.ways:
            way.source.close()
