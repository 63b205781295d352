"""Simulated USBTMC devices as the real pyusb sees them; a small host of its own is below.

Codes and layouts: USBTMC 1.0 and USB488 1.0 (2003-04-14), tables cited from memory.
"""

import errno
import threading

import pytest
import usb.core
import usb.util

from simulators.scpi_resistance import ScpiResistanceMeter, ScpiResistanceSettings
from simulators.talk_only import TalkOnlyMeter, TalkOnlySettings
from simulators.usb import BULK_IN, BULK_OUT, INTERRUPT_IN, MadeUpTime, SimulatedBus, UsbPlug
from simulators.usbtmc import Departures, UsbtmcDevice

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


def test_descriptors_and_strings():
    host, _device, _bus, _plug = bench()
    found = host.found
    assert found.serial_number == "SIM-0001"
    assert found.product == "Simulated instrument"
    assert found.bDeviceClass == 0
    interface = found.get_active_configuration()[(0, 0)]
    # USBTMC table 43: class 0xFE, subclass 3; protocol 1 is USB488.
    assert (
        interface.bInterfaceClass,
        interface.bInterfaceSubClass,
        interface.bInterfaceProtocol,
    ) == (0xFE, 3, 1)
    assert [each.bEndpointAddress for each in interface] == [BULK_OUT, BULK_IN, INTERRUPT_IN]


def test_plain_usbtmc_has_no_subclass():
    host, _device, _bus, _plug = bench(usb488=False)
    interface = host.found.get_active_configuration()[(0, 0)]
    assert interface.bInterfaceProtocol == 0
    assert interface.bNumEndpoints == 2
    with pytest.raises(usb.core.USBError) as caught:
        host.control(128, value=2, length=3)
    assert caught.value.errno == errno.EPIPE


def test_query():
    host, device, _bus, _plug = bench()
    assert host.ask("*IDN?") == "BENCHTALLY,SIMULATED RESISTANCE METER,SIM-0001,1.0\n"
    assert device.complaints == []


def test_fresh_reading_takes_its_time():
    clock = MadeUpTime()
    host, device, _bus, _plug = bench(clock=clock)
    host.ask("*OPC?")
    clock.seconds = 100.0
    assert float(host.ask("READ?")) == pytest.approx(0.8242, rel=1e-5)
    assert clock.seconds == pytest.approx(100.2)
    assert device.complaints == []


@pytest.mark.parametrize("size", [1, 7, 52, 500, 1012, 4000])
@pytest.mark.parametrize("packet", [64, 512])
def test_long_answers_in_parts(size, packet):
    host, device, _bus, _plug = bench(packet=packet)
    host.write(b"*RST;SAMP:COUN 40;:READ?")
    answer = host.read(size)
    assert len(answer.split(b",")) == 40
    assert answer.endswith(b"\n")
    assert device.complaints == []


def test_message_in_several_transfers():
    host, device, _bus, _plug = bench()
    host.write(b"*ID", end=False)
    host.write(b"N", end=False)
    host.write(b"?")
    assert host.read().startswith(b"BENCHTALLY,")
    assert device.complaints == []


def test_termination_character_ends_a_transfer():
    """USBTMC table 4 and 9: TermCharEnabled in the request, bit 1 in the answer."""
    host, _device, _bus, _plug = bench()
    host.write(b"*IDN?")
    host.request(character=ord(","))
    data = host.transfer()
    assert data[12 : 12 + data[4]] == b"BENCHTALLY,"
    assert data[8] == 2


def test_blocks_with_line_feeds_are_one_message():
    host, _device, _bus, _plug = bench()
    host.write(b"*RST;FORM REAL,64;:SAMP:COUN 30;:READ?")
    answer = host.read(100)
    assert answer[:5] == b"#3240"
    assert len(answer) == 5 + 240 + 1


def test_capabilities():
    host, _device, _bus, _plug = bench()
    answer = host.control(7, length=24)
    assert answer[0] == 1
    assert answer[2:4] == answer[12:14] == b"\x00\x01"
    assert answer[14] & 4  # IEEE 488.2
    assert answer[15] & 8  # SCPI


def test_status_byte_comes_on_the_interrupt_endpoint():
    """USB488 §4.3.1: the third byte is 0, the packet is [0x80 | bTag, status byte]."""
    host, _device, _bus, _plug = bench()
    host.write(b"NONSENSE")
    assert host.control(128, value=5, length=3) == bytes([1, 5, 0])
    assert bytes(host.found.read(INTERRUPT_IN, 2, 100)) == bytes([0x85, 4])


def test_status_byte_without_interrupt_endpoint():
    host, _device, _bus, _plug = bench(interrupt=False)
    host.write(b"NONSENSE")
    assert host.control(128, value=6, length=3) == bytes([1, 6, 4])
    host.write(b"*IDN?")
    assert host.control(128, value=7, length=3)[2] & 16  # MAV


def test_service_request():
    """USB488 §3.4.1: [0x81, status byte]."""
    host, _device, _bus, _plug = bench()
    host.write(b"*SRE 4")
    with pytest.raises(usb.core.USBTimeoutError):
        host.found.read(INTERRUPT_IN, 2, 50)
    host.write(b"NONSENSE")
    assert bytes(host.found.read(INTERRUPT_IN, 2, 50)) == bytes([0x81, 0x44])


def test_status_tag_must_be_in_range():
    host, device, _bus, _plug = bench()
    assert host.control(128, value=1, length=3)[0] == 0x80
    assert device.complaints


def test_read_without_a_query_times_out_and_is_noted():
    host, _device, _bus, _plug = bench()
    host.request()
    with pytest.raises(usb.core.USBTimeoutError) as caught:
        host.transfer(wait=100)
    assert (caught.value.errno, caught.value.backend_error_code) == (errno.ETIMEDOUT, -7)
    recover(host)
    assert host.ask("SYST:ERR?") == '-420,"Query UNTERMINATED"\n'


def test_unread_answer_is_interrupted():
    host, _device, _bus, _plug = bench()
    host.write(b"*IDN?")
    assert host.ask("SYST:ERR?") == '-410,"Query INTERRUPTED"\n'


def recover(host):
    """Abort Bulk-IN with its drain, as USBTMC §4.2.1.4 and §4.2.1.5 have it."""
    answer = host.control(3, value=host.sent_tag, length=2, index=BULK_IN, kind=0xA2)
    assert answer == bytes([1, host.sent_tag])
    status = host.control(4, length=8, index=BULK_IN, kind=0xA2)
    assert status[:2] == bytes([2, 1])  # pending: read on until a short packet
    assert len(host.transfer()) < 512
    assert host.control(4, length=8, index=BULK_IN, kind=0xA2)[0] == 1


def test_abort_in_the_middle_of_an_answer():
    host, device, _bus, _plug = bench()
    host.write(b"*IDN?")
    host.request(size=10)
    recover(host)
    assert host.ask("*OPC?") == "1\n"
    assert device.complaints == []


@pytest.mark.parametrize(("size", "left"), [(2, b"2 A\r\n"), (1000, b"2 A\r\n")])
def test_abort_drops_the_answer_that_was_begun_and_no_other(size, left):
    """Begun in part or in whole: the next message is the one after it."""
    meter = TalkOnlyMeter(TalkOnlySettings(lines="1 A|2 A|3 A", rate=0.0))
    host, device, bus, plug = bench(instrument=meter)
    for _ in range(2):
        bus.command(plug, "press")
        device.work(0.0)
    host.request(size)
    recover(host)
    assert host.read() == left


def test_abort_with_nothing_to_abort_fails():
    host, _device, _bus, _plug = bench()
    assert host.control(3, value=9, length=2, index=BULK_IN, kind=0xA2)[0] == 0x80
    assert host.control(1, value=9, length=2, index=BULK_OUT, kind=0xA2)[0] == 0x80


def test_abort_with_another_tag():
    host, _device, _bus, _plug = bench()
    host.write(b"*IDN?")
    host.request()
    answer = host.control(3, value=200, length=2, index=BULK_IN, kind=0xA2)
    assert answer == bytes([0x81, host.sent_tag])


def test_abort_bulk_out():
    host, device, _bus, _plug = bench()
    host.write(b"*ESE 3;", end=False)
    answer = host.control(1, value=host.sent_tag, length=2, index=BULK_OUT, kind=0xA2)
    assert answer[0] == 1
    assert host.control(2, length=8, index=BULK_OUT, kind=0xA2)[0] == 1
    host.found.clear_halt(BULK_OUT)
    assert host.ask("*ESE?") == "0\n"
    assert device.complaints == []


def clear(host):
    assert host.control(5) == b"\x01"
    status = host.control(6, length=2)
    if status[0] == 2:
        assert status[1] & 1
        host.transfer()
        status = host.control(6, length=2)
    assert status[0] == 1
    host.found.clear_halt(BULK_OUT)


@pytest.mark.parametrize("under_way", [False, True])
def test_clear(under_way):
    host, device, _bus, _plug = bench()
    host.write(b"*IDN?")
    if under_way:
        host.request()
    clear(host)
    assert host.ask("SYST:ERR?") == '0,"No error"\n'
    assert device.complaints == []


@pytest.mark.parametrize(
    "header",
    [
        b"\x01\x00\xff\x00",  # bTag 0
        b"\x01\x05\x05\x00",  # the inverse is none
        b"\x09\x05\xfa\x00",  # no such MsgID
    ],
)
def test_bad_header_halts_bulk_out(header):
    host, device, _bus, _plug = bench()
    host.found.write(BULK_OUT, header + (4).to_bytes(4, "little") + b"\x01\0\0\0" + b"*CLS")
    with pytest.raises(usb.core.USBError) as caught:
        host.write(b"*IDN?")
    assert (caught.value.errno, caught.value.backend_error_code) == (errno.EPIPE, -9)
    assert len(device.complaints) == 1
    host.found.clear_halt(BULK_OUT)
    assert host.ask("*OPC?") == "1\n"


@pytest.mark.parametrize(
    ("what", "complaint"),
    [
        ("padding", "not padded"),
        ("short", "ends before its TransferSize"),
        ("tag", "used twice"),
        ("halt", "not halted"),
        ("early", "before the answer"),
    ],
)
def test_what_a_host_does_wrong_is_noted(what, complaint):
    host, device, _bus, _plug = bench()
    if what == "padding":
        host.found.write(BULK_OUT, host.header(OUT, 5, 1) + b"*IDN?")
    elif what == "short":
        host.found.write(BULK_OUT, host.header(OUT, 100, 1) + b"*IDN?")
    elif what == "tag":
        host.write(b"*CLS")
        host.tag -= 1
        host.write(b"*CLS")
    elif what == "halt":
        host.found.clear_halt(BULK_IN)
    else:
        host.write(b"*IDN?")
        host.request()
        host.request()
    assert len(device.complaints) == 1
    assert complaint in device.complaints[0]


def test_buffer_smaller_than_a_packet_overflows():
    host, _device, _bus, _plug = bench(packet=64)
    host.write(b"*IDN?")
    host.request()
    with pytest.raises(usb.core.USBError) as caught:
        host.transfer(room=20)
    assert caught.value.errno == errno.EOVERFLOW


# Departures from the specification ---------------------------------------------------------------

IDENTITY = b"BENCHTALLY,SIMULATED RESISTANCE METER,SIM-0001,1.0\n"


def answer_to(departures, size=1000, **how):
    host, _device, _bus, _plug = bench(Departures(**departures), **how)
    host.write(b"*IDN?")
    host.request(size)
    return host, host.transfer()


def test_departure_raw_continuation_and_restart():
    host, first = answer_to({"raw_continuation": True}, size=20)
    assert first[12:] == IDENTITY[:20]
    assert host.transfer() == IDENTITY[20:40]
    assert host.transfer() == IDENTITY[40:]
    host.write(b"*IDN?")
    host.request(20)
    host.transfer()
    host.request(20)
    assert host.transfer()[12:] == IDENTITY[:20]


@pytest.mark.parametrize(
    ("eom", "bits"), [("always", [1, 1]), ("never", [0, 0]), ("right", [0, 1])]
)
def test_departure_eom(eom, bits):
    host, first = answer_to({"eom": eom}, size=40)
    host.request(40)
    assert [first[8] & 1, host.transfer()[8] & 1] == bits


@pytest.mark.parametrize(
    ("departures", "declared", "sent"),
    [
        ({"cap": 10}, 10, 10),
        ({"size": "larger"}, len(IDENTITY) + 100, len(IDENTITY)),
        ({"overrun": True}, 38, 38),
    ],
)
def test_departure_sizes(departures, declared, sent):
    asked = 30 if "overrun" in departures else 1000
    _host, data = answer_to(departures, size=asked)
    assert int.from_bytes(data[4:8], "little") == declared
    assert data[12 : 12 + sent] == IDENTITY[:sent]
    assert len(data) - 12 - sent < 4  # padding only


def test_departure_wrong_id_and_tag():
    host, data = answer_to({"wrong_id": True, "wrong_tag": True})
    assert data[0] != IN
    assert data[1] != host.sent_tag
    assert data[1] ^ data[2] == 0xFF


def test_departure_header_in_a_packet_of_its_own():
    host, data = answer_to({"split_header": True})
    assert len(data) == 12
    assert host.transfer()[: len(IDENTITY)] == IDENTITY


def test_departure_no_short_packet():
    size = 64 - 12
    host, data = answer_to({"no_short_packet": True, "cap": size - 12}, packet=64)
    # 12 + 40 bytes do not fill a packet; a payload of 52 does, and then nothing ends the read.
    assert len(data) == 52
    host, _device, _bus, _plug = bench(Departures(no_short_packet=True), packet=64)
    host.write(b"*RST;SAMP:COUN 40;:READ?")
    host.request(size)
    data = host.transfer(wait=3 * 10**5)
    assert len(data) == 64


def test_whole_packets_end_with_an_empty_one():
    host, _device, _bus, _plug = bench(packet=64)
    host.write(b"*IDN?;")
    host.request(52 - 1)
    assert len(host.transfer(room=64)) == 64
    assert host.transfer() == b""


def test_departure_reported_packet_size():
    host, _device, _bus, _plug = bench(Departures(reported_packet=64))
    interface = host.found.get_active_configuration()[(0, 0)]
    assert interface[1].wMaxPacketSize == 64
    host.write(b"*RST;SAMP:COUN 40;:READ?")
    host.request(1000)
    with pytest.raises(usb.core.USBError):
        host.transfer(room=64)


def test_departure_needs_line_feed():
    host, _device, _bus, _plug = bench(Departures(needs_lf=True))
    host.write(b"*OPC?")
    host.request()
    with pytest.raises(usb.core.USBTimeoutError):
        host.transfer(wait=100)
    clear(host)
    assert host.ask("*OPC?\n") == "1\n"


@pytest.mark.parametrize(
    ("name", "request_number"), [("clear", 5), ("abort", 3), ("capabilities", 7), ("status", 128)]
)
def test_departure_stalls(name, request_number):
    host, _device, _bus, _plug = bench(Departures(stalls=name))
    with pytest.raises(usb.core.USBError) as caught:
        host.control(request_number, value=2, length=8)
    assert caught.value.errno == errno.EPIPE
    assert host.ask("*OPC?") == "1\n"


def test_unknown_stall_is_refused():
    with pytest.raises(ValueError, match="stalls=dance"):
        bench(Departures(stalls="clear+dance"))


@pytest.mark.parametrize("way", ["abort", "clear"])
def test_departure_dead_after_timeout(way):
    host, _device, _bus, _plug = bench(Departures(dead_after_timeout=True))
    host.request()
    with pytest.raises(usb.core.USBTimeoutError):
        host.transfer(wait=100)
    tag = host.sent_tag
    host.write(b"*OPC?")
    host.request()
    with pytest.raises(usb.core.USBTimeoutError):
        host.transfer(wait=100)
    host.sent_tag = tag
    recover(host) if way == "abort" else clear(host)
    assert host.ask("*OPC?") == "1\n"


def test_departure_dead_until_the_drain_is_read():
    host, _device, _bus, _plug = bench(Departures(dead_after_timeout=True))
    host.request()
    with pytest.raises(usb.core.USBTimeoutError):
        host.transfer(wait=100)
    host.control(3, value=host.sent_tag, length=2, index=BULK_IN, kind=0xA2)
    host.write(b"*OPC?")  # without the drain: lost
    assert host.transfer() == b""
    with pytest.raises(usb.core.USBTimeoutError):
        host.transfer(wait=100)
    assert host.ask("*OPC?") == "1\n"


def test_departure_halt_upsets():
    host, _device, _bus, _plug = bench(Departures(halt_upsets=True))
    host.found.clear_halt(BULK_IN)
    host.write(b"*OPC?")
    host.request()
    with pytest.raises(usb.core.USBTimeoutError):
        host.transfer(wait=100)
    clear(host)
    assert host.ask("*OPC?") == "1\n"


def test_departure_long_requests_are_not_answered():
    host, _device, _bus, _plug = bench(Departures(longest_request=51))
    host.write(b"*IDN?")
    host.request(100)
    with pytest.raises(usb.core.USBTimeoutError):
        host.transfer(wait=100)
    host.request(51)
    assert host.transfer()[12:63] == IDENTITY


def test_departure_needs_remote():
    host, _device, _bus, _plug = bench(Departures(needs_remote=True))
    host.write(b"*OPC?")
    host.request()
    with pytest.raises(usb.core.USBTimeoutError):
        host.transfer(wait=100)
    clear(host)
    assert host.control(160, value=1) == b"\x01"
    assert host.ask("*OPC?") == "1\n"


# The bus -----------------------------------------------------------------------------------------


def test_talk_only_meter_on_usb():
    meter = TalkOnlyMeter(TalkOnlySettings(noise=0.0))
    host, _device, bus, plug = bench(instrument=meter)
    assert host.read() == b" 512.4 MOhm\r\n"
    assert bus.command(plug, "show OL") == "ok: shows 'OL'"
    assert host.read() == b"OL\r\n"


@pytest.mark.parametrize("opened", [False, True])
def test_unplug_and_plug(opened):
    host, _device, bus, plug = bench()
    if opened:
        host.ask("*OPC?")
    address = host.found.address
    assert bus.command(plug, "unplug") == "ok: unplugged"
    for action in (lambda: host.write(b"*IDN?"), host.transfer, lambda: host.control(7, length=24)):
        with pytest.raises(usb.core.USBError) as caught:
            action()
        assert (caught.value.errno, caught.value.backend_error_code) == (errno.ENODEV, -4)
    assert usb.core.find(backend=bus) is None
    bus.command(plug, "plug")
    with pytest.raises(usb.core.USBError):
        host.write(b"*IDN?")  # the old device stays gone
    found = usb.core.find(backend=bus)
    assert found.address != address
    assert Host(found).ask("*OPC?") == "1\n"


def test_unplug_wakes_a_waiting_read():
    """With the real clock: the read waits for a minute, the plug is pulled at once."""
    instrument = ScpiResistanceMeter(ScpiResistanceSettings())
    plug = UsbPlug(UsbtmcDevice(instrument))
    bus = SimulatedBus(plug)
    host = Host(usb.core.find(backend=bus))
    host.request()
    caught = []

    def read():
        try:
            host.transfer(wait=60_000)
        except usb.core.USBError as error:
            caught.append(error.errno)

    reader = threading.Thread(target=read)
    reader.start()
    bus.unplug(plug)
    reader.join(10)
    assert caught == [errno.ENODEV]


def test_permission_and_busy():
    host, _device, _bus, _plug = bench(plug={"forbidden": True})
    with pytest.raises(usb.core.USBError) as caught:
        host.write(b"*IDN?")
    assert caught.value.errno == errno.EACCES
    host, _device, _bus, _plug = bench(plug={"kernel_driver": True})
    with pytest.raises(usb.core.USBError) as caught:
        host.write(b"*IDN?")
    assert caught.value.errno == errno.EBUSY
    assert host.found.is_kernel_driver_active(0)
    host.found.detach_kernel_driver(0)
    assert host.ask("*OPC?") == "1\n"


def test_strings_may_be_missing():
    host, _device, _bus, _plug = bench(plug={"no_strings": True})
    with pytest.raises(ValueError, match="no langid"):
        _ = host.found.serial_number
    host, _device, _bus, _plug = bench(plug={"serial_number": None})
    assert host.found.serial_number is None


def test_two_devices_are_told_apart():
    plugs = [
        UsbPlug(
            UsbtmcDevice(ScpiResistanceMeter(ScpiResistanceSettings())),
            socket=socket,
            serial_number=f"SIM-{socket}",
        )
        for socket in (1, 2)
    ]
    bus = SimulatedBus(*plugs, clock=MadeUpTime())
    everything = usb.core.find(find_all=True, backend=bus)
    found = {each.serial_number: each.port_numbers for each in everything}
    assert found == {"SIM-1": (1,), "SIM-2": (2,)}
