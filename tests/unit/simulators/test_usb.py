"""Simulated USBTMC devices as the real pyusb sees them; a small host of its own is below.

Codes and layouts: USBTMC 1.0 and USB488 1.0 (2003-04-14), tables cited from memory.
"""

import errno

import pytest
import usb.core
import usb.util
from usb_host import OUT, bench, clear, recover

from simulators.talk_only import TalkOnlyMeter, TalkOnlySettings
from simulators.usb import BULK_IN, BULK_OUT, INTERRUPT_IN
from simulators.usb_time import MadeUpTime


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
