"""The driver keeps the contract of all drivers, and some rules of its own."""

import binascii
import struct

import pytest

from capture.driver import Driver, Indication, Malformed, Status
from capture.driver.contract import DriverContract, Expected
from clamp_packets.driver import ClampOptions, ClampPackets
from clamp_packets.packets import crc

_STREAM = False  # a serial line marks no end of a message


def packet(sequence, *values):
    """Build a packet without the driver's code; crc_hqx from FFFF is the CRC meant (see below)."""
    body = bytes([1 + 6 * len(values), sequence]) + b"".join(
        struct.pack(">Bbi", *value) for value in values
    )
    return b"\x5a" + body + struct.pack(">H", binascii.crc_hqx(body, 0xFFFF))


FAN = packet(7, (1, -2, 1834), (2, -1, 3987), (3, -2, 4998))


class TestClampPackets(DriverContract):
    # An idle packet ends whatever is under way: what comes after it is a packet.
    frame_end = packet(3)
    frames = (
        (
            FAN,
            (
                Expected("current", "18.34", "A"),
                Expected("voltage", "398.7", "V"),
                Expected("frequency", "49.98", "Hz"),
            ),
        ),
        (packet(8), ()),
        (packet(9, (1, -3, -5)), (Expected("current", "-0.005", "A"),)),
        (packet(10, (1, 0, 0x7FFFFFFF)), (Expected("current", None, "A", Status.ABOVE_RANGE),)),
        (packet(11, (4, 0, -0x80000000)), (Expected("temperature", None, "Cel", Status.INVALID),)),
        (packet(12, (2, 1, 40)), (Expected("voltage", "400", "V"),)),
        # The start byte inside a packet, as a number.
        (packet(13, (3, -2, 0x5A5A)), (Expected("frequency", "231.30", "Hz"),)),
        # A kind that is not known makes the whole packet unreadable.
        (packet(14, (1, 0, 5), (99, 0, 1)), ()),
    )

    def make_driver(self) -> Driver:
        return ClampPackets(ClampOptions())


def events_of(*pieces, now=100.0):
    driver = ClampPackets(ClampOptions(conditions={"conductor": "fan 3"}))
    for piece in pieces:
        driver.receive(piece, _STREAM, now)
    found = []
    while (event := driver.next_event()) is not None:
        found.append(event)
    return driver, found


def test_the_crc_has_its_published_check_value():
    # 0x29B1 over "123456789": CRC-16/IBM-3740 in the Reveng catalogue, from memory.
    assert crc(b"123456789") == binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1


@pytest.mark.parametrize("place", range(len(FAN)))
def test_any_damaged_byte_costs_the_packet_and_gives_no_value(place):
    damaged = bytearray(FAN)
    damaged[place] ^= 0x10
    _, found = events_of(bytes(damaged), packet(8, (1, 0, 5)))
    values = [event.value for event in found if isinstance(event, Indication)]
    assert values == [5]
    assert [event for event in found if isinstance(event, Malformed)]


def test_a_hole_in_the_sequence_is_reported():
    _, found = events_of(packet(254), packet(1, (1, 0, 5)))
    assert [e.reason for e in found if isinstance(e, Malformed)] == [
        "2 packets before it are missing"
    ]


def test_a_packet_that_comes_twice_is_read_once():
    _, found = events_of(FAN, FAN)
    assert len(found) == 3


def test_values_of_one_packet_stand_together():
    _, found = events_of(FAN, packet(8, (1, 0, 5)))
    assert [event.group for event in found] == [1, 1, 1, 2]
    assert found[0].conditions == {"conductor": "fan 3"}


def test_a_packet_that_does_not_go_on_is_given_up():
    driver, found = events_of(FAN[:10])
    assert found == []
    assert driver.wake_at() == 100.5
    assert driver.outgoing(100.5) == ()
    assert driver.wake_at() is None
    driver.receive(FAN, _STREAM, 101.0)
    assert isinstance(driver.next_event(), Malformed)
    assert isinstance(driver.next_event(), Indication)
