"""A host for the simulated USBTMC device, written from the specification."""

import usb.core
import usb.util

from simulators.scpi_resistance import ScpiResistanceMeter, ScpiResistanceSettings
from simulators.usb import BULK_IN, BULK_OUT, SimulatedBus, UsbPlug
from simulators.usb_time import MadeUpTime
from simulators.usbtmc import UsbtmcDevice

OUT, IN = 1, 2


class Host:
    """The least of a USBTMC host, over pyusb."""

    def __init__(self, found):
        self.found = found
        self.tag = 0

    def header(self, kind, size, attributes=0, character=0):
        self.tag = self.tag % 255 + 1
        self.sent_tag = self.tag
        return (
            bytes([kind, self.tag, self.tag ^ 0xFF, 0])
            + size.to_bytes(4, "little")
            + bytes([attributes, character, 0, 0])
        )

    def write(self, data, *, end=True):
        transfer = self.header(OUT, len(data), int(end)) + data
        self.found.write(BULK_OUT, transfer + bytes(-len(transfer) % 4))

    def request(self, size=1000, character=None):
        ask = (2, character) if character is not None else (0, 0)
        self.found.write(BULK_OUT, self.header(IN, size, *ask))

    def transfer(self, room=4096, wait=20_000):
        return bytes(self.found.read(BULK_IN, room, wait))

    def read(self, size=1000):
        """Return a whole message, part by part, checking every header."""
        message = b""
        while True:
            self.request(size)
            data = self.transfer()
            assert data[:4] == bytes([IN, self.tag, self.tag ^ 0xFF, 0])
            length = int.from_bytes(data[4:8], "little")
            assert length <= size
            message += data[12 : 12 + length]
            if data[8] & 1:
                return message

    def ask(self, text, **how):
        self.write(text.encode(), **how)
        return self.read().decode()

    def control(self, request, value=0, length=1, index=0, kind=0xA1):
        return bytes(self.found.ctrl_transfer(kind, request, value, index, length))


def bench(departures=None, *, instrument=None, clock=None, plug=None, **how):
    if instrument is None:
        instrument = ScpiResistanceMeter(ScpiResistanceSettings(pair="U-V", noise=0.0))
    device = UsbtmcDevice(instrument, departures, **how)
    plug = UsbPlug(device, **(plug or {}))
    bus = SimulatedBus(plug, clock=clock if clock is not None else MadeUpTime())
    found = usb.core.find(backend=bus, idVendor=0x1209)
    return Host(found), device, bus, plug


def recover(host):
    """Abort Bulk-IN with its drain, as USBTMC §4.2.1.4 and §4.2.1.5 have it."""
    answer = host.control(3, value=host.sent_tag, length=2, index=BULK_IN, kind=0xA2)
    assert answer == bytes([1, host.sent_tag])
    status = host.control(4, length=8, index=BULK_IN, kind=0xA2)
    assert status[:2] == bytes([2, 1])  # pending: read on until a short packet
    assert len(host.transfer()) < 512
    assert host.control(4, length=8, index=BULK_IN, kind=0xA2)[0] == 1


def clear(host):
    assert host.control(5) == b"\x01"
    status = host.control(6, length=2)
    if status[0] == 2:
        assert status[1] & 1
        host.transfer()
        status = host.control(6, length=2)
    assert status[0] == 1
    host.found.clear_halt(BULK_OUT)
