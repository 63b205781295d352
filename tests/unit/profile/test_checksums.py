"""Checksums agree with published values."""

import pytest

from capture.driver import CHECKSUMS

CHECK = b"123456789"

# Catalogue of parametrised CRC algorithms (RevEng), field "check": the CRC of the nine characters
# "123456789". CRC-16/CCITT-FALSE is an alias there of CRC-16/IBM-3740.
PUBLISHED = {
    "crc-16-arc": 0xBB3D,
    "crc-16-modbus": 0x4B37,
    "crc-16-xmodem": 0x31C3,
    "crc-16-ccitt-false": 0x29B1,
}

# By hand: 0x31 + 0x32 + … + 0x39 = 9 · 0x35 = 0x1DD; its low byte is 0xDD and 0x100 - 0xDD = 0x23.
# Exclusive or: nine times 0x30 leaves 0x30, and 1 ^ 2 ^ … ^ 9 = 1.
BY_HAND = {"sum": 0xDD, "lrc": 0x23, "xor": 0x31}


@pytest.mark.parametrize(("name", "value"), [*PUBLISHED.items(), *BY_HAND.items()])
def test_check_value(name, value):
    """The checksum of 123456789 is the published one."""
    assert CHECKSUMS[name].compute(CHECK) == value


def test_every_checksum_has_a_check_value():
    """None is left untested when one is added."""
    assert set(CHECKSUMS) == {*PUBLISHED, *BY_HAND}


def test_exclusive_or_of_a_well_known_sentence():
    """NMEA 0183: the example GGA sentence that manuals print ends in *47 (from memory)."""
    sentence = b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert CHECKSUMS["xor"].compute(sentence) == 0x47


def test_longitudinal_redundancy_check_of_a_well_known_record():
    """Intel HEX: the record :0300300002337A1E, printed in its descriptions, ends in 1E (memory)."""
    assert CHECKSUMS["lrc"].compute(bytes.fromhex("0300300002337A")) == 0x1E


def test_modbus_request_of_the_specification_form():
    """A MODBUS RTU request 01 03 00 00 00 0A is followed by C5 CD, low byte first (from memory)."""
    value = CHECKSUMS["crc-16-modbus"].compute(bytes.fromhex("01 03 00 00 00 0A"))
    assert value.to_bytes(2, "little") == bytes.fromhex("C5 CD")


@pytest.mark.parametrize("name", sorted(CHECKSUMS))
def test_size_holds_every_value(name):
    """No value needs more bytes than the checksum says it has."""
    known = CHECKSUMS[name]
    for length in range(300):
        assert known.compute(bytes([length % 256]) * length) < 256**known.size
