"""Departures of the simulated device from the specification, each by itself."""

import errno

import pytest
import usb.core
import usb.util
from usb_host import IN, bench, clear, recover

from simulators.usb import BULK_IN
from simulators.usbtmc_rules import Departures

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
