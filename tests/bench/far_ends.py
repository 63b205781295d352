"""What is at the other end of a link, for every kind of link: it can be plugged in and pulled out.

Each far end serves one `Counter`, an instrument whose readings are 1, 2, 3 …, so that a reading
that is lost, invented or given twice shows. One file, since it is loaded by its path, from tests
and from programs that share no package.
"""

import contextlib
import errno
import itertools
import os
import select
import socket
import struct
import sys
import threading
import tty
from collections import deque
from pathlib import Path

import serial
import serial.rfc2217

from capture.config import (
    Rfc2217Settings,
    SerialSettings,
    TcpSettings,
    UnixSettings,
    UsbtmcSettings,
)
from capture.links import KernelUsbtmcLink, UsbtmcLink, kernel_usbtmc, make_link
from simulators.usb import SimulatedBus, UsbPlug
from simulators.usbtmc import UsbtmcDevice
from simulators.usbtmc_rules import Departures, StallError

sys.path.append(str(Path(__file__).resolve().parents[1] / "system"))

from own_ports import free_port


class Counter:
    """An instrument that counts. Sans-I/O, as `simulators.instrument.Instrument` asks.

    answers: fixed answers by query. delay: seconds that every answer takes.
    """

    def __init__(self, answers=(), *, delay=0.0):
        self.answers = {b"*IDN?": b"SIMULATED,COUNTER,0,0\n", b"SYST:ERR?": b'0,"No error"\n'}
        self.answers.update(answers)
        self.delay = delay
        self.count = 0
        self.asked = []
        self._input = b""
        self._late = deque()

    def received(self, data, now):
        self._input += data
        answer = b""
        while b"\n" in self._input:
            line, _, self._input = self._input.partition(b"\n")
            self.asked.append(line)
            if line == b"FETC?":
                self.count += 1
                answer += b"%+d.0E+00\n" % self.count
            else:
                answer += self.answers.get(line, b"")
        if answer and self.delay:
            self._late.append((now + self.delay, answer))
            return b""
        return answer

    def spoken(self, now):
        if self._late and now >= self._late[0][0]:
            return self._late.popleft()[1]
        return b""

    def release(self):
        """Have every answer that is held back ready at once."""
        self._late = deque((0.0, answer) for _, answer in self._late)

    def wake_at(self):
        return self._late[0][0] if self._late else None

    def command(self, line, now):
        return f"no: {line} at {now}"

    def status_byte(self, *, message_available):
        return 0x10 if message_available else 0

    def clear_bus(self):
        self._input = b""
        self._late.clear()

    def unterminated(self):
        pass

    def interrupted(self):
        pass


class _Thread:
    """A thread that can be woken through a pipe, and that says what went wrong in it."""

    def __init__(self, name, run):
        self.asked, self._ask = os.pipe()
        self._fault = None
        self._run = run
        self._thread = threading.Thread(target=self._guarded, name=name)
        self._thread.start()

    def _guarded(self):
        try:
            self._run(self.asked)
        except Exception as error:  # noqa: BLE001 - told by end()
            self._fault = error

    def end(self):
        os.write(self._ask, b"x")
        self._thread.join(10)
        os.close(self._ask)
        os.close(self.asked)
        if self._fault is not None:
            raise self._fault
        assert not self._thread.is_alive()


class PtyEnd:
    """A pseudo-terminal under a name that stays the same."""

    kind = "serial"

    def __init__(self, folder: Path, instrument=None, **settings):
        self.instrument = instrument or Counter()
        self._path = folder / "port"
        self.settings = SerialSettings(port=str(self._path), **settings)
        self._thread = None
        self.plug()

    def make_link(self):
        return make_link(self.settings)

    def plug(self):
        self.master, self._slave = os.openpty()
        # Ready may mean "hung up", and a host that opens it then makes a plain read wait for ever.
        os.set_blocking(self.master, False)
        tty.setraw(self._slave)
        name = os.ttyname(self._slave)
        os.close(self._slave)
        fresh = self._path.with_name("port.new")
        fresh.symlink_to(name)
        fresh.replace(self._path)
        self._thread = _Thread("far end: pty", self._serve)

    def _serve(self, asked):
        # While no host has it open, a read gives EIO; then the port is asked again a little later.
        idle = None
        while True:
            ready, _, _ = select.select([asked] if idle else [asked, self.master], [], [], idle)
            idle = None
            if asked in ready:
                return
            if self.master in ready or not ready:
                try:
                    answer = self.instrument.received(os.read(self.master, 4096), 0.0)
                    os.write(self.master, answer)
                except BlockingIOError:
                    continue
                except OSError as error:
                    if error.errno != errno.EIO:
                        raise
                    idle = 0.01

    def say(self, data):
        os.write(self.master, data)

    def unplug(self):
        thread, self._thread = self._thread, None
        if thread is not None:
            thread.end()
            self._path.unlink()
            os.close(self.master)

    close = unplug


class SocketEnd:
    """A listening socket and what it accepted."""

    def __init__(self, instrument=None):
        self.instrument = instrument or Counter()
        self._thread = None
        self._lock = threading.Lock()
        self._clients = []
        self.accepted = threading.Semaphore(0)
        self.plug()

    def make_link(self):
        return make_link(self.settings)

    def plug(self):
        self._listener = self._listen()
        self._thread = _Thread(f"far end: {self.kind}", self._serve)

    def _serve(self, asked):
        while True:
            with self._lock:
                clients = list(self._clients)
            ready, _, _ = select.select([asked, self._listener, *clients], [], [], None)
            if asked in ready:
                return
            if self._listener in ready:
                client, _ = self._listener.accept()
                with self._lock:
                    self._clients.append(client)
                self._greet(client)
                self.accepted.release()
            for client in clients:
                if client in ready:
                    self._take(client)

    def _greet(self, client):
        pass

    def _take(self, client):
        try:
            data = client.recv(4096)
        except OSError:
            data = b""
        if not data:
            with self._lock:
                self._clients.remove(client)
            client.close()
            return
        with contextlib.suppress(OSError):
            self._answer(client, data)

    def _answer(self, client, data):
        client.sendall(self.instrument.received(data, 0.0))

    def say(self, data):
        with self._lock:
            for client in self._clients:
                client.sendall(data)

    def reset(self):
        """End every connection with a reset instead of a farewell."""
        with self._lock:
            for client in self._clients:
                client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.unplug()

    def unplug(self):
        thread, self._thread = self._thread, None
        if thread is not None:
            thread.end()
            for each in (*self._clients, self._listener):
                each.close()
            self._clients.clear()

    close = unplug


class TcpEnd(SocketEnd):
    """A TCP port of this host."""

    kind = "tcp"
    settings_class = TcpSettings

    def __init__(self, instrument=None, **settings):
        # Not one that the system picks: unplugged, it would give that to somebody else.
        self._port = free_port()
        super().__init__(instrument)
        self.settings = self.settings_class(host="127.0.0.1", port=self._port, **settings)

    def _listen(self):
        return socket.create_server(("127.0.0.1", self._port))


class UnixEnd(SocketEnd):
    """A Unix stream socket."""

    kind = "unix"

    def __init__(self, folder: Path, instrument=None):
        self.settings = UnixSettings(path=str(folder / "socket"))
        super().__init__(instrument)

    def _listen(self):
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        listener.bind(self.settings.path)
        listener.listen()
        return listener

    def unplug(self):
        super().unplug()
        Path(self.settings.path).unlink(missing_ok=True)

    close = unplug


class Rfc2217End(TcpEnd):
    """A serial port behind pyserial's own RFC 2217 server side.

    The port is pyserial's loop port, used for its settings and lines alone: bytes go to the
    instrument. `lines` holds (name, level) as they are set, `sizes` how often the port was set.
    """

    kind = "rfc2217"
    settings_class = Rfc2217Settings

    def __init__(self, instrument=None, **settings):
        self.lines = []
        self.baud_settings = 0
        super().__init__(instrument, **settings)

    def _greet(self, client):
        end = self

        class Recorded(serial.serial_for_url("loop://", do_not_open=True).__class__):
            def _update_dtr_state(self):
                end.lines.append(("dtr", self._dtr_state))

            def _update_rts_state(self):
                end.lines.append(("rts", self._rts_state))

        class Connection:
            def write(self, data):
                client.sendall(data)

        self.port = Recorded("loop://")
        self.lines.clear()
        self.manager = serial.rfc2217.PortManager(self.port, Connection())

    def _answer(self, client, data):
        self.baud_settings += data.count(b"\xff\xfa\x2c\x01")  # IAC SB COM-PORT SET-BAUDRATE
        for byte in self.manager.filter(data):
            answer = self.instrument.received(byte, 0.0)
            if answer:
                client.sendall(b"".join(self.manager.escape(answer)))

    def unplug(self):
        super().unplug()
        port = getattr(self, "port", None)
        if port is not None:
            port.close()

    close = unplug


class UsbEnd:
    """A simulated USBTMC device on a simulated bus."""

    kind = "usbtmc"

    def __init__(self, instrument=None, departures=None, settings=None, plug=None, **device):
        self.instrument = instrument or Counter()
        self.device = UsbtmcDevice(self.instrument, Departures(**(departures or {})), **device)
        self._plug = UsbPlug(self.device, **(plug or {}))
        self.plugged = self._plug
        self.bus = SimulatedBus(self._plug)
        self.settings = UsbtmcSettings(
            **{"device": "usb:1209:0001:SIM-0001", "io_timeout_s": 0.3} | (settings or {})
        )
        self._sockets = itertools.count(2)

    def make_link(self):
        return UsbtmcLink(self.settings, self.bus)

    def plug(self):
        self._plug.socket = next(self._sockets)
        self.bus.plug(self._plug)

    def unplug(self):
        self.bus.unplug(self._plug)

    def close(self):
        pass


class KernelNode:
    """Stands in for the system calls on /dev/usbtmcN: what Linux' driver makes of a device.

    Written from include/uapi/linux/usb/tmc.h and drivers/usb/class/usbtmc.c: a read sends a
    request and waits for the node's time-out; after one that failed, the transfer is aborted.

    lacks: ioctls that this driver or device does not have.
    """

    def __init__(self, device, *, lacks=()):
        self.device = device
        self.lacks = frozenset(lacks)
        self.present = True
        self.calls = []
        self.open_nodes = set()
        self._tag = 0
        self._status_tag = 1
        self._attributes = 0
        self.timeout = 5.0
        self.now = 0.0

    def _check(self, descriptor=None):
        if not self.present:
            raise OSError(errno.ENODEV, "No such device")
        if descriptor is not None and descriptor not in self.open_nodes:
            raise OSError(errno.EBADF, "Bad file descriptor")

    def open(self, path):
        if not self.present:
            raise FileNotFoundError(errno.ENOENT, "No such file or directory", path)
        self.open_nodes.add(7)
        return 7

    def close(self, descriptor):
        self.open_nodes.discard(descriptor)

    def _header(self, kind, size, attributes):
        self._tag = self._tag % 255 + 1
        return struct.pack("<BBBxIB3x", kind, self._tag, self._tag ^ 0xFF, size, attributes)

    def write(self, descriptor, data):
        self._check(descriptor)
        transfer = self._header(1, len(data), 1) + data
        self.device.bulk_out(transfer + bytes(-len(transfer) % 4), self.now)
        return len(data)

    def read(self, descriptor, count):
        self._check(descriptor)
        self.device.bulk_out(self._header(2, count, 0), self.now)
        until = self.now + self.timeout
        data = b""
        while True:
            self.device.work(self.now)
            part, complete = self.device.bulk_in(65536)
            data += part
            if complete:
                break
            due = self.device.wake_at()
            if due is None or due > until:
                self.now = until
                self.device.read_timed_out()
                raise TimeoutError(errno.ETIMEDOUT, "Connection timed out")
            self.now = max(self.now, due)
        size = int.from_bytes(data[4:8], "little")
        self._attributes = data[8]
        return data[12 : 12 + size]

    def ioctl(self, descriptor, request, argument):
        self._check(descriptor)
        self.calls.append((request, argument))
        if request in self.lacks:
            raise OSError(errno.ENOTTY, "Inappropriate ioctl for device")
        handler = {
            kernel_usbtmc.GET_CAPS: self._capabilities,
            kernel_usbtmc.READ_STB: self._status,
            kernel_usbtmc.MSG_IN_ATTR: lambda _argument: bytes([self._attributes]),
            kernel_usbtmc.SET_TIMEOUT: self._set_timeout,
            kernel_usbtmc.CLEAR: self._clear,
            kernel_usbtmc.ABORT_BULK_IN: self._abort,
            kernel_usbtmc.REN_CONTROL: self._remote,
        }.get(request, lambda argument: argument)
        return handler(argument)

    def _capabilities(self, _argument):
        if not self.device.usb488:
            return b"\0"
        return bytes([kernel_usbtmc.CAPABILITY_REN | kernel_usbtmc.CAPABILITY_488_2])

    def _set_timeout(self, argument):
        self.timeout = struct.unpack("=I", argument)[0] / 1000
        return argument

    def _clear(self, argument):
        self._control(5, 0, 1)
        self._drain()
        return argument

    def _abort(self, argument):
        if self._control(3, self._tag, 2)[0] != 1:
            raise OSError(errno.EPERM, "Operation not permitted")
        self._drain()
        return argument

    def _remote(self, argument):
        self._control(160, argument[0], 1)
        return argument

    def _control(self, request, value, length):
        try:
            return self.device.control(request, value, length, self.now)
        except StallError:
            raise OSError(errno.EPIPE, "Broken pipe") from None

    def _status(self, _argument):
        self.now += 0.005
        self._status_tag = self._status_tag % 126 + 2
        answer = self._control(128, self._status_tag, 3)
        packet = self.device.interrupt_in() if self.device.interrupt else answer[1:]
        return packet[1:2]

    def _drain(self):
        while self.device.bulk_in(65536)[0]:
            pass


class KernelEnd:
    """A /dev/usbtmcN that is not there: `KernelNode` instead."""

    kind = "usbtmc-kernel"

    def __init__(self, instrument=None, departures=None, settings=None, lacks=(), **device):
        self.instrument = instrument or Counter()
        self.device = UsbtmcDevice(self.instrument, Departures(**(departures or {})), **device)
        self.node = KernelNode(self.device, lacks=lacks)
        self.settings = UsbtmcSettings(**{"device": "/dev/usbtmc0"} | (settings or {}))

    def make_link(self):
        return KernelUsbtmcLink(self.settings, self.node)

    def plug(self):
        self.device.reset()
        self.node.present = True

    def unplug(self):
        self.node.present = False

    def close(self):
        pass


#: How each kind is made, by a folder for what needs one.
KINDS = {
    "serial": PtyEnd,
    "rfc2217": lambda _folder: Rfc2217End(),
    "tcp": lambda _folder: TcpEnd(),
    "unix": UnixEnd,
    "usbtmc": lambda _folder: UsbEnd(),
    "usbtmc-kernel": lambda _folder: KernelEnd(),
}
