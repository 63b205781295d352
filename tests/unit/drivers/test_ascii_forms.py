"""What a profile can say of lines, form by form."""

from decimal import Decimal

import pytest

from capture.driver import Identified, Indication, Malformed, Send, Status
from drivers.ascii_meter.driver import AsciiMeterOptions, make

STREAM = False
HEAD = 'schema_version = 1\nname = "p"\nsummary = "p"\ndriver = "ascii-meter"\n'


@pytest.fixture
def meter(tmp_path):
    """Make a driver from the rest of a profile, started and known to be at the start of a line."""

    def make_one(text, **options):
        path = tmp_path / f"p{len(list(tmp_path.iterdir()))}.toml"
        path.write_text(HEAD + text)
        driver = make(AsciiMeterOptions(profile=str(path), **options))
        list(driver.outgoing(0.0))
        return driver

    return make_one


def told(driver, data, now=10.0):
    driver.receive(data, STREAM, now)
    events = []
    while (event := driver.next_event()) is not None:
        events.append(event)
    return events


def value(driver, data):
    (event,) = told(driver, data)
    assert isinstance(event, Indication), event
    return event


def reason(driver, data):
    (event,) = told(driver, data)
    assert isinstance(event, Malformed), event
    return event.reason


SERIES = """
[[lines]]
pattern = '(?P<elapsed>[0-9:., a-z]+) (?P<value>[0-9.]+) (?P<unit>MOhm)'
quantity = "insulation_resistance"
"""


@pytest.mark.parametrize(
    ("written", "seconds"),
    [
        ("0:15", "15"),
        ("1:02:03", "3723"),
        ("00:00:05", "5"),
        ("100:00", "6000"),
        ("0:15.5", "15.5"),
        ("15", "15"),
        ("15.25 s", "15.25"),
    ],
)
def test_elapsed_time(meter, written, seconds):
    """Clocks and plain seconds."""
    assert value(meter(SERIES), f"{written} 5 MOhm\n".encode()).elapsed == Decimal(seconds)


@pytest.mark.parametrize("written", ["0:75", "1:75:00", "1:2:3:4", "15 min", "1 5", "9" * 12])
def test_what_is_no_elapsed_time_makes_the_line_malformed(meter, written):
    """A damaged clock is not guessed at."""
    assert "elapsed" in reason(meter(SERIES), f"{written} 5 MOhm\n".encode()) or "number" in reason(
        meter(SERIES), f"{written} 5 MOhm\n".encode()
    )


def test_elapsed_minutes(meter):
    """A plain number in minutes, where the profile says so."""
    text = SERIES + 'elapsed_unit = "min"\n'
    assert value(meter(text), b"1.5 5 MOhm\n").elapsed == 90
    assert value(meter(text), b"1:30 5 MOhm\n").elapsed == 90


COLUMNS = """
[[lines]]
width = 16
columns = { value = [1, 7], unit = [8, 12], flags = [16, 16] }
skip = [[14, 14]]
quantity = "resistance"
flags = { U = "unsettled" }
"""


def test_columns(meter):
    """A value, its unit and a flag by their places; what is skipped may be anything."""
    found = value(meter(COLUMNS), b"  842.1 mOhm X U\n")
    assert (found.value, found.unit, found.status) == (Decimal("0.8421"), "Ohm", Status.UNSETTLED)
    assert value(meter(COLUMNS), b"  842.1 mOhm    \n").status is Status.OK


@pytest.mark.parametrize(
    "line",
    [
        b" 842.1 mOhm X U\n",  # a character lost: too short
        b"  842.1 mOhm X UU\n",  # too long
        b"  842.1 mOhm?X U\n",  # something between the columns
        b"        mOhm X U\n",  # no value
        b"  8 2.1 mOhm X U\n",  # a hole in the number
    ],
)
def test_a_line_of_fixed_width_that_is_damaged_is_malformed(meter, line):
    """Shifted columns would be a wrong number."""
    reason(meter(COLUMNS), line)


def test_conditions_of_a_line_are_kept_with_its_values(meter):
    """Words and numbers with their unit, beside those of profile and configuration."""
    text = """
conditions = { method = "four-wire", place = "bench" }
[[lines]]
pattern = '(?P<value>[0-9.]+) (?P<unit>Ohm) (?P<leads>[A-Z-]+) (?P<current>[0-9.]+ m?A)'
quantity = "resistance"
conditions = { leads = "", current = "A" }
"""
    found = value(meter(text, conditions={"place": "hall"}), b"1.5 Ohm U-V 100 mA\n")
    assert found.conditions == {
        "method": "four-wire",
        "place": "hall",
        "leads": "U-V",
        "current": (Decimal("0.100"), "A"),
    }


def test_a_flag_that_means_no_value_takes_the_number_away(meter):
    """A number that the instrument itself flags as over range is no reading."""
    text = """
[[lines]]
pattern = '(?P<value>[<>]?[0-9.]+) (?P<unit>[MG]Ohm) ?(?P<flags>[A-Z]*)'
quantity = "insulation_resistance"
flags = { OVR = "above-range", LIVE = "live-voltage" }
"""
    over = value(meter(text), b"9999 MOhm OVR\n")
    assert (over.value, over.status) == (None, Status.ABOVE_RANGE)
    # A bound under live voltage is no evidence of insulation.
    live = value(meter(text), b">5.5 GOhm LIVE\n")
    assert (live.value, live.bound, live.status) == (None, None, Status.LIVE_VOLTAGE)


def test_an_optional_value_may_be_left_out(meter):
    """The values that are there are read; a line without any is malformed."""
    text = """
[[lines]]
pattern = 'R(?P<r> [0-9.]+)? ?(?P<r_unit>Ohm)?,T(?P<t> [0-9.]+)? ?(?P<t_unit>C)?'
[[lines.values]]
field = "r"
quantity = "resistance"
optional = true
[[lines.values]]
field = "t"
quantity = "temperature"
units = { C = "Cel" }
optional = true
"""
    assert [each.quantity for each in told(meter(text), b"R 1.5 Ohm,T 20.5 C\n")] == [
        "resistance",
        "temperature",
    ]
    assert value(meter(text), b"R 1.5 Ohm,T \n").quantity == "resistance"
    assert reason(meter(text), b"R ,T \n") == "has no value"


def test_records_without_a_clock_are_told_apart_by_what_they_show(meter):
    """After an erased memory number 1 is another result; the same line again is the same."""
    text = """
[[lines]]
pattern = '(?P<record>[0-9]+) (?P<value>[0-9.]+) (?P<unit>Ohm)'
quantity = "resistance"
"""
    driver = meter(text)
    first, again, other = told(driver, b"0001 1.5 Ohm\n0001 1.5 Ohm\n0001 1.6 Ohm\n")
    assert first.record == again.record != other.record


def test_values_of_one_record_have_records_of_their_own(meter):
    """The journal stores a record once, so two values of one result need two names."""
    text = """
[[lines]]
pattern = '(?P<record>[0-9]+) (?P<time>[0-9:]+) (?P<a>[0-9.]+) Ohm (?P<b>[0-9.]+) V'
[[lines.values]]
field = "a"
quantity = "resistance"
unit = "Ohm"
[[lines.values]]
field = "b"
quantity = "voltage"
unit = "V"
"""
    a, b = told(meter(text), b"7 08:00 1.5 Ohm 2.5 V\n")
    assert (a.record, b.record) == ("7 08:00 1", "7 08:00 2")


def test_a_banner_identifies_the_instrument(meter):
    """What the instrument says of itself when it is switched on."""
    text = """
[identity]
banner = '(?P<model>METER [0-9]+) V(?P<firmware>[0-9.]+)'
[[lines]]
pattern = '(?P<value>[0-9.]+) (?P<unit>Ohm)'
quantity = "resistance"
"""
    (event,) = told(meter(text), b"METER 7 V1.2\r\n")
    assert event == Identified("", "METER 7", "", "1.2", b"METER 7 V1.2\r")


POLLED = """
[framing]
echo = true
prompts = ["=> "]
[poll]
message = "R?\\r"
timeout_s = 1.0
[[lines]]
pattern = '(?P<value>[0-9.]+) (?P<unit>Ohm)'
quantity = "resistance"
"""


def test_prompts_and_echoes_are_passed_over(meter):
    """The echo is no answer, and a prompt may stand before one."""
    driver = meter(POLLED)
    (found,) = told(driver, b"R?\r\n=> 1.5 Ohm\r\n=> ", now=0.1)
    assert found.value == Decimal("1.5")
    assert [type(each) for each in driver.outgoing(0.2)] == []
    (sent,) = driver.outgoing(1.0)
    assert isinstance(sent, Send)
    (found,) = told(driver, b"R?\r\n1.6 Ohm\r\n", now=1.1)
    assert found.value == Decimal("1.6")


CRC = """
[framing]
terminator = "\\n"
[checksum]
kind = "crc-16-xmodem"
form = "binary"
[[lines]]
pattern = '(?P<value>[0-9.]+) (?P<unit>Ohm)'
quantity = "resistance"
"""


def xmodem(data):
    """CRC-16/XMODEM by its definition, bit by bit: polynomial 0x1021, nothing reflected."""
    remainder = 0
    for byte in data:
        remainder ^= byte << 8
        for _ in range(8):
            remainder = (remainder << 1 ^ 0x1021 if remainder & 0x8000 else remainder << 1) & 0xFFFF
    return remainder


def test_a_binary_checksum_before_the_terminator(meter):
    """All values from 0.0 to 999.9: whatever bytes the checksum has, line ends among them."""
    driver = meter(CRC)
    lines = [f"{tenths / 10} Ohm".encode() for tenths in range(10000)]
    sent = b"".join(line + xmodem(line).to_bytes(2, "big") + b"\n" for line in lines)
    assert sum(b"\n" in xmodem(line).to_bytes(2, "big") for line in lines) > 20
    found = told(driver, sent)
    assert [each.value for each in found] == [Decimal(tenths) / 10 for tenths in range(10000)]


def test_a_checksum_may_cover_start_mark_and_terminator(meter):
    """Which part is covered is said by the profile: the sum of every byte before it."""
    text = """
[framing]
start = "$"
terminator = "#"
[checksum]
kind = "sum"
place = "after-terminator"
mark = ";"
covers_start = true
covers_mark = true
covers_terminator = true
[[lines]]
pattern = '(?P<value>[0-9.]+) (?P<unit>Ohm)'
quantity = "resistance"
"""
    body = b"$1.5 Ohm;#"
    sent = body + f"{sum(body) % 256:02X}".encode()
    assert value(meter(text), sent).value == Decimal("1.5")
    assert value(meter(text), b"noise" + sent).value == Decimal("1.5")
    assert "found 00, expected" in reason(meter(text), body + b"00")
    assert reason(meter(text), body + b"0X") == "has no checksum"


def test_code_page_of_an_old_printer_port(meter):
    """Ω is 0xEA and µ is 0xE6 in code page 437."""
    text = """
[framing]
encoding = "cp437"
[[lines]]
pattern = '(?P<value>[0-9.]+) (?P<unit>.+)'
quantity = "resistance"
"""
    assert value(meter(text), b"842.1 m\xea\r\n").value == Decimal("0.8421")
    assert value(meter(text), b"842.1 \xe6\xea\r\n").value == Decimal("0.0008421")


PACKED = """
[packed]
length = 6
start = "AA"
gap_s = 0.05
[[packed.values]]
at = 1
{}
quantity = "resistance"
unit = "Ohm"
"""


@pytest.mark.parametrize(
    ("field", "frame", "expected"),
    [
        ('size = 4\nform = "float"', "AA 3F C0 00 00 00", "1.5"),
        ('size = 4\nform = "float"\norder = "little"', "AA CD CC CC 3D 00", "0.1"),
        ('size = 4\nform = "bcd"\nexponent = -3', "AA 00 84 21 30 00", "842.130"),
        ('size = 3\nform = "bcd"\norder = "little"', "AA 30 21 84 00 00", "842130"),
        ('size = 2\nform = "signed"\nexponent = -1', "AA FF FE 00 00 00", "-0.2"),
        ('size = 2\norder = "little"\nexponent = 2', "AA 01 00 00 00 00", "100"),
        ("size = 1\nminus = { at = 5, bit = 7 }", "AA 05 00 00 00 80", "-5"),
        ("size = 1\nexponent_at = 2", "AA 05 FD 00 00 00", "0.005"),
    ],
)
def test_numbers_of_packed_frames(meter, field, frame, expected):
    """IEEE 754, BCD, signed and unsigned counts, either byte order, exact decimal scaling."""
    driver = meter(PACKED.format(field))
    found = value(driver, bytes.fromhex(frame))
    assert str(found.value) == expected or found.value == Decimal(expected)
    assert "E" not in found.digits


@pytest.mark.parametrize(
    ("field", "frame", "status"),
    [
        ('size = 4\nform = "float"', "AA 7F C0 00 00 00", Status.INVALID),
        ('size = 4\nform = "float"', "AA 7F 80 00 00 00", Status.ABOVE_RANGE),
        ('size = 4\nform = "float"', "AA FF 80 00 00 00", Status.BELOW_RANGE),
        ('size = 2\ncodes = { 0xFFFF = "above-range" }', "AA FF FF 00 00 00", Status.ABOVE_RANGE),
    ],
)
def test_numbers_that_are_none(meter, field, frame, status):
    """Not-a-number, infinities, and codes that a profile lists."""
    found = value(meter(PACKED.format(field)), bytes.fromhex(frame))
    assert (found.value, found.status) == (None, status)


def test_a_bcd_digit_that_is_none_is_malformed(meter):
    """0x0A is no decimal digit."""
    text = PACKED.format('size = 2\nform = "bcd"')
    assert "are no BCD number" in reason(meter(text), bytes.fromhex("AA 1A 00 00 00 00"))
