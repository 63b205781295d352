"""Insulation tester, pulse tester, stored results, packed frames and checksummed lines."""

import struct

import pytest

from simulators.checksums import crc16, lrc8, sum8, xor8
from simulators.insulation_tester import InsulationTester, InsulationTesterSettings
from simulators.packed_stream import PackedStream, PackedStreamSettings
from simulators.pulse_tester import PulseTester, PulseTesterSettings
from simulators.specimen import ThreePhase
from simulators.stored_results import StoredResultsMeter, StoredResultsSettings
from simulators.talk_only import CheckedLinesSettings, TalkOnlyMeter


def insulation(**changes):
    return InsulationTester(InsulationTesterSettings(**{"noise": 0.0, **changes}))


def test_insulation_series_is_one_line_a_second_to_the_end():
    device = insulation()
    assert device.spoken(0.0) == b""
    assert device.wake_at() is None
    assert device.command("press", 10.0) == "ok: test begun"
    lines = []
    while (due := device.wake_at()) is not None:
        lines += device.spoken(due).decode().splitlines()
    assert len(lines) == 60
    assert lines[0].startswith("00:00:01 316 V ")  # 500 V (1 - 1/e)
    # R(60 s) is the setting, R(30 s) is less by 2^-0.45.
    assert lines[59] == "00:01:00 500 V 850.0 MOhm"
    assert lines[29] == f"00:00:30 500 V {850 * 2**-0.45:.1f} MOhm"


def test_polarization_index_is_ten_to_the_exponent():
    """IEEE 43: PI is the resistance at 10 min over that at 1 min."""
    specimen = ThreePhase(absorption=0.5)
    ratio = specimen.insulation_ohms(600) / specimen.insulation_ohms(60)
    assert ratio == pytest.approx(10**0.5)


def test_a_late_look_leaves_nothing_out():
    device = insulation()
    device.command("press", 0.0)
    assert device.spoken(7.0).count(b"\r\n") == 7
    assert device.command("press", 7.5) == "ok: test ended"
    assert device.spoken(99.0) == b""


@pytest.mark.parametrize(
    ("ohms", "shown"),
    [
        (950.0, "950.0 Ohm"),
        (12_340.0, "12.34 kOhm"),
        (999_960.0, "1.000 MOhm"),
        (5.5e9, "5.500 GOhm"),
        (3e11, ">200.0 GOhm"),
    ],
)
def test_prefix_follows_the_size(ohms, shown):
    device = insulation(insulation=ohms, duration=60.0)
    device.command("press", 0.0)
    assert device.spoken(60.0).decode().splitlines()[-1] == f"00:01:00 500 V {shown}"


def test_insulation_by_hand():
    device = insulation(clock="seconds", form="{ohms};{time}")
    device.command("lift", 0.0)
    device.command("press", 0.0)
    assert device.spoken(1.0) == b">200.0 GOhm;1 s\r\n"
    assert device.command("live 230", 1.0).startswith("no: a test is running")
    device.command("breakdown", 1.5)
    assert device.spoken(9.0) == b"BREAKDOWN;2 s\r\n"
    assert device.wake_at() is None
    device.command("live 230", 9.0)
    assert device.spoken(9.0) == b"LIVE 230 V\r\n"
    assert device.command("breakdown", 9.0).startswith("no: ")


def test_no_byte_starts_a_test():
    device = insulation()
    for data in (b"READ?\n", b"INIT\n", bytes(range(256))):
        assert device.received(data, 0.0) == b""
    assert device.wake_at() is None


def test_pulse_tester_shows_but_never_sends():
    device = PulseTester(PulseTesterSettings(noise=0.0))
    assert device.command("display", 0.0) == "ok: ---"
    device.command("pairs U-V V-W", 0.0)
    assert device.command("pulse", 0.0) == "ok: pulsed"
    # T = 2 pi sqrt(L C), damping is negligible: L 62.3 and 62.5 mH, C 4.7 nF.
    assert device.command("display", 0.0) == "ok: 107.52 us  107.69 us  +0.2 %"
    assert device.received(b"*IDN?\nFETC?\n", 1.0) == b""
    assert device.spoken(9.0) == b""
    assert device.wake_at() is None


@pytest.mark.parametrize(
    ("law", "shown"),
    [("time-constant", "75.59 ms"), ("rise", "1.25 ms")],  # L/R; 0.02 A/V times L
)
def test_pulse_laws(law, shown):
    device = PulseTester(PulseTesterSettings(noise=0.0, law=law))
    device.command("pairs U-V V-W", 0.0)
    device.command("pulse", 0.0)
    assert shown in device.command("display", 0.0)


def test_pulse_on_an_open_pair():
    device = PulseTester(PulseTesterSettings(connection="open"))
    device.command("pairs U1-U2 U1-V1", 0.0)
    device.command("pulse", 0.0)
    assert device.command("display", 0.0) == "ok: OPEN"
    assert device.command("pairs U1-U2", 0.0).startswith("no: ")


def test_ring_follows_the_textbook():
    """f = sqrt(1/(LC) - (R/2L)^2) / 2 pi; 10 mH, 100 nF, 40 Ohm ring at 5022.845 Hz (computed)."""
    specimen = ThreePhase((40.0,) * 3, (0.01,) * 3, "open", farads=100e-9)
    pair = ("U1", "U2")
    period, _ = specimen.pulse_time(pair, pair, "period")
    assert 1 / period == pytest.approx(5022.845, rel=1e-6)
    tau, _ = specimen.pulse_time(pair, pair, "time-constant")
    assert tau == pytest.approx(0.25e-3)


def stored(**changes):
    return StoredResultsMeter(StoredResultsSettings(**{"noise": 0.0, "stored": 3, **changes}))


def test_dump_has_the_instruments_own_times():
    device = stored()
    device.spoken(100.0)
    assert device.command("dump", 100.0) == "ok: sending 3 results"
    assert device.wake_at() is not None
    assert device.spoken(100.0).decode().splitlines() == [
        "BEGIN 3",
        "0001,2026-03-14 07:57:00,U-V,0.8242 Ohm",
        "0002,2026-03-14 07:58:00,V-W,0.8250 Ohm",
        "0003,2026-03-14 07:59:00,U-V,0.8242 Ohm",
        "END 3",
    ]
    assert device.spoken(101.0) == b""


def test_store_takes_the_clock_along():
    device = stored(stored=0, frame=False)
    device.spoken(100.0)
    assert device.command("store", 101.0).startswith("no: the leads are lifted")
    device.command("pair W-U", 101.0)
    device.command("store", 175.0)
    device.command("dump", 175.0)
    assert device.spoken(175.0) == b"0001,2026-03-14 08:01:15,W-U,0.8254 Ohm\r\n"
    device.command("clock 1999-01-01T00:00:00", 180.0)
    device.command("store", 181.0)
    assert "1999-01-01 00:00:01" in device.command("display", 181.0)


def test_dump_twice_in_any_order_has_the_same_lines():
    def lines(**changes):
        device = stored(stored=20, frame=False, **changes)
        device.command("dump", 0.0)
        return device.spoken(0.0).decode().splitlines()

    oldest = lines()
    assert lines(order="newest") == oldest[::-1]
    shuffled = lines(order="shuffled", twice=True)
    assert len(shuffled) == 40
    assert shuffled[:20] == shuffled[20:] != oldest
    assert sorted(shuffled[:20]) == oldest


def test_dump_on_request_in_any_chunks():
    device = stored(request="DUMP\r")
    assert device.received(b"xxDU", 0.0) == b""
    assert device.received(b"MP\rDU", 0.0).startswith(b"BEGIN 3\r\n")
    assert device.received(b"MP\r", 0.0).startswith(b"BEGIN 3\r\n")
    assert stored().received(b"DUMP\r", 0.0) == b""


def test_packed_frame_byte_by_byte():
    device = PackedStream(PackedStreamSettings(noise=0.0, torn=False))
    frame = device.spoken(0.0)
    # 412.3 mOhm is 412300 counts of 10^-3: 0x00064A8C.
    body = bytes([0, 1, 0x00, 0x06, 0x4A, 0x8C, 0xFD])
    assert frame == body + bytes([0x01 ^ 0x06 ^ 0x4A ^ 0x8C ^ 0xFD])


def test_packed_little_end_first_and_crc():
    device = PackedStream(
        PackedStreamSettings(noise=0.0, torn=False, order="little", checksum="crc-16-modbus")
    )
    frame = device.spoken(0.0)
    assert struct.unpack("<i", frame[2:6]) == (412300,)
    # A CRC with its own low byte first behind it leaves 0, a property of reflected CRCs.
    assert crc16(frame, 0xFFFF) == 0


def test_packed_stream_is_torn_once_and_paced_by_gaps():
    device = PackedStream(PackedStreamSettings(rate=10.0))
    assert len(device.spoken(0.0)) == 4
    assert device.wake_at() == pytest.approx(0.1)
    assert device.spoken(0.05) == b""
    assert len(device.spoken(5.03)) == 8  # held up: one frame, never two in a row
    assert device.wake_at() == pytest.approx(5.1)


def test_packed_status_and_range():
    device = PackedStream(PackedStreamSettings(noise=0.0, torn=False))
    device.command("status 128", 0.0)
    device.command("value 1e9", 0.0)
    frame = device.spoken(0.0)
    assert frame[0] == 128 | 1
    assert struct.unpack(">i", frame[2:6]) == (2**31 - 1,)
    assert device.command("display", 0.0) == "ok: OL"
    assert device.command("status 256", 0.0).startswith("no: ")


CHECK = b"123456789"


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        # Catalogue of parametrised CRC algorithms (RevEng), check of "123456789"; from memory,
        # the second one also at vayce.app/tools/checksum-calculator/crc-16-modbus.
        (crc16(CHECK, 0x0000), 0xBB3D),
        (crc16(CHECK, 0xFFFF), 0x4B37),
        # A MODBUS request that reads registers 40108 to 40110 of slave 17, as LRC and as CRC
        # (sent low byte first: 76 87); bbs.21ic.com/icview-162927-1-1.html.
        (lrc8(bytes.fromhex("11 03 00 6B 00 03")), 0x7E),
        (crc16(bytes.fromhex("11 03 00 6B 00 03"), 0xFFFF), 0x8776),
        # A drive's manual: 01 03 02 01 00 01 has LRC F8 (manualarchiveguide.com, page 261).
        (lrc8(bytes.fromhex("01 03 02 01 00 01")), 0xF8),
        # NMEA 0183 sentence that ends in *28; www.tigoe.net, November 2007.
        (xor8(b"GPRMC,155123.000,A,4043.8432,N,07359.7653,W,0.15,83.25,200407,,"), 0x28),
        # 0x31 + ... + 0x39 = 0x1DD by hand.
        (sum8(CHECK), 0xDD),
    ],
)
def test_checksums_by_published_values(value, expected):
    assert value == expected


@pytest.mark.parametrize(
    ("checksum", "line"),
    [("xor", b"R=1*5E"), ("lrc", b"R=1*40"), ("sum", b"R=1*C0")],  # 52 3D 31 by hand
)
def test_checked_lines(checksum, line):
    settings = CheckedLinesSettings(checksum=checksum, lines="R=1")
    assert TalkOnlyMeter(settings).spoken(0.0) == line + b"\r\n"


def test_checked_line_with_crc():
    settings = CheckedLinesSettings(lines="123456789", mark=" ")
    assert TalkOnlyMeter(settings).spoken(0.0) == b"123456789 4B37\r\n"
