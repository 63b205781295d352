"""The ascii-meter with every built-in profile: what must hold for any bytes, however cut."""

import functools
import itertools
from decimal import Decimal

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from capture.driver import (
    Indication,
    Malformed,
    Send,
    Status,
    built_in_profiles,
    load_profile,
    unit_of,
)
from drivers.ascii_meter.driver import ID, PACKAGE, AsciiMeterOptions, make
from drivers.ascii_meter.packed import check_of

STREAM = False

#: Lines as the families send them, and how many values each has.
SAMPLES = {
    "resistance-lines": ((b"R 842.1 mOhm\r\n", 1), (b"R OL\r\n", 1)),
    "resistance-lines-comma": ((b"R 842,1 mOhm\r\n", 1), (b"R OL\r\n", 1)),
    "insulation-lines": ((b" 512.4 MOhm\r\n", 1), (b">5.50 GOhm LIVE!\r\n", 1)),
    "insulation-lines-crc": ((b" 512.4 MOhm*B0E5\r\n", 1), (b">5.50 GOhm*B2D3\r\n", 1)),
    "insulation-series": ((b"00:00:15 500 V 512.4 MOhm\r\n", 2), (b"LIVE 34 V\r\n", 1)),
    "stored-results": ((b"0001,2026-03-14 08:00:00,U-V,0.8242 Ohm\r\n", 1),),
    "resistance-columns": ((b"  842.13 mOhm   R3  STAB\r\n", 1),),
    "resistance-block-check": ((b"\x02R  842.13 mOhm\x03D", 1),),
    "multimeter-lines": ((b"DCV  -12.043 V\r\n", 1), (b"OHM    OL   kOhm\r\n", 1)),
    "climate-lines": ((b"T= 23.4 C  RH= 41.5 %\r\n", 2),),
    "thermometer-lines": ((b"T  21.4 C\r\n", 1), (b"T  38.9 C MAX BATT\r\n", 1)),
    "resistance-current-lines": ((b"R=  842.13 mOhm  I=  9.998 A  STABLE\r\n", 1),),
    "insulation-results": (
        (b"0012;2026-03-14 08:00:00;512 V;671,3 MOhm;762,7 nA;60 s\r\n", 3),
        (b"0014;2026-03-14 08:15:00;87 V;BREAKDOWN;---;4 s\r\n", 3),
    ),
    "packed-ohmmeter": ((bytes.fromhex("00 01 00 06 4A 8C FD 3C"), 1),),
}
# Junk that cannot be a part of any of these lines, ended as a line where there are lines.
JUNK = st.binary(max_size=60).map(lambda data: bytes(byte | 0x80 for byte in data))
# Places to cut at, 0 to 400: two bytes each, as one string of bytes is drawn quicker than a list. Most lie
# beyond the end, so there are cases without a cut as well.
CUTS = st.binary(min_size=8, max_size=20).map(
    lambda data: [int.from_bytes(pair) % 401 for pair in zip(data[::2], data[1::2], strict=False)]
)

profiles = pytest.mark.parametrize("profile", sorted(SAMPLES))
MANY = settings(max_examples=2000, deadline=None)
#: Fourteen profiles share the examples of a test that runs for each of them.
SHARE = settings(max_examples=200, deadline=None)


@functools.cache
def loaded(profile):
    return load_profile(profile, PACKAGE, ID)


def started(profile, quiet=5.0):
    driver = make(AsciiMeterOptions(profile=profile))
    list(driver.outgoing(0.0))
    return driver, quiet


def run(driver, now, stream, places, *, pause=0.0):
    places = sorted({0, len(stream), *(place for place in places if place < len(stream))})
    events = []
    for start, end in itertools.pairwise(places):
        driver.receive(stream[start:end], STREAM, now)
        now += pause
        list(driver.outgoing(now))
        events += drained(driver)
    list(driver.outgoing(now + 1.0))
    return events + drained(driver)


def drained(driver):
    found = []
    while (event := driver.next_event()) is not None:
        found.append(event)
    return found


def sound(indication):
    """An indication that can be a reading: its unit is the quantity's, its number is exact."""
    assert indication.unit == (unit_of(indication.quantity) or indication.unit)
    assert (indication.value is None) <= (indication.status is not Status.OK)
    if indication.value is not None:
        assert indication.value.is_finite()
        assert abs(indication.value) < Decimal("1e31")
    assert indication.digits
    assert indication.raw


def end_of(profile):
    if profile == "packed-ohmmeter":
        return b""
    return b"\x03\x00" if profile == "resistance-block-check" else b"\r\n"


def test_every_built_in_profile_has_samples():
    """A profile that is added is tested here, too; the polled one sends the same lines."""
    assert set(SAMPLES) | {"stored-results-polled"} == set(built_in_profiles(PACKAGE))


@profiles
@given(st.data(), JUNK, JUNK, CUTS)
@SHARE
def test_good_lines_survive_any_cutting_and_junk_around_them(profile, data, before, after, places):
    """Junk before, between and after costs itself; every line that was sent whole is read."""
    chosen = data.draw(st.lists(st.sampled_from(SAMPLES[profile]), min_size=2, max_size=5))
    driver, now = started(profile)
    end = end_of(profile)
    good = b"".join(line for line, _ in chosen)
    stream = (before + end if before else b"") + good + (after + end if after else b"")
    events = run(driver, now, stream, places)
    shown = [event for event in events if isinstance(event, Indication)]
    for indication in shown:
        sound(indication)
    sent = sum(count for _, count in chosen)
    if profile == "packed-ohmmeter" and (before or after):
        # Nothing but a one-byte check parts junk from such frames: one in 256 that straddles the
        # two looks whole and stands in place of one that was sent. It costs that one and no more.
        lines = {line for line, _ in chosen}
        as_sent = [each for each in shown if each.raw in lines]
        # Where the seam of two frames that follow each other checks as well, somebody who came out of
        # step stays out of step: nothing in the bytes tells which of the readings is right.
        astray = any(
            isinstance(event, Indication) and event.raw not in lines
            for skipped in range(1, len(chosen[0][0]))
            for event in run(*started(profile), good[skipped:], [])
        )
        if not astray:
            assert len(as_sent) >= sent - 1
            assert len(shown) - len(as_sent) <= 1
    else:
        assert len(shown) == sent


@profiles
@given(st.data(), st.integers(0, 39), st.binary(min_size=1, max_size=3), CUTS)
@SHARE
def test_junk_inside_a_line_costs_that_line_only(profile, data, place, dirt, places):
    """The lines around a line with junk inside are read."""
    line, count = data.draw(st.sampled_from(SAMPLES[profile]))
    broken = line[: place % (len(line) - 2) + 1]
    broken += bytes(byte | 0x80 for byte in dirt) + line[len(broken) :]
    stream = line * 2 + broken + line * 2
    packed = loaded(profile).packed
    if packed is not None:
        # One check byte agrees by chance once in 256 times: then there is nothing to be noticed.
        agrees, junk = check_of(packed), 2 * len(line) + place % (len(line) - 2) + 1
        starts = range(junk - packed.length + 1, junk + len(dirt))
        assume(not any(agrees(stream[at : at + packed.length]) for at in starts))
    driver, now = started(profile)
    events = run(driver, now, stream, places)
    shown = [event for event in events if isinstance(event, Indication)]
    assert len(shown) == 4 * count
    assert [event for event in events if isinstance(event, Malformed)]


@profiles
@given(st.binary(max_size=400), CUTS, st.floats(0, 0.3))
@SHARE
def test_random_bytes_never_raise(profile, noise, places, pause):
    """Noise gives events at most, and what comes of it can be stored."""
    driver, now = started(profile)
    for event in run(driver, now, noise, places, pause=pause):
        if isinstance(event, Indication):
            sound(event)


@given(
    st.sampled_from(sorted(SAMPLES)),
    st.text(st.sampled_from("0123456789.,:<>+-OLRTH= kMGmµΩVA%*\x02\x03\r\n"), max_size=200),
    CUTS,
)
@MANY
def test_likely_bytes_never_raise(profile, text, places):
    """Bytes that such lines are made of, in any order."""
    driver, now = started(profile)
    for event in run(driver, now, text.encode("latin-1", "replace"), places):
        if isinstance(event, Indication):
            sound(event)


@given(st.sampled_from(["mOhm", "Ohm", "kOhm", "MOhm"]), st.decimals(0, 9999, places=3), CUTS)
@MANY
def test_a_value_is_exact_in_every_range(unit, value, places):
    """The number in the base unit is the number shown times its prefix, without rounding."""
    scale = {"mOhm": -3, "Ohm": 0, "kOhm": 3, "MOhm": 6}[unit]
    driver, now = started("resistance-lines")
    (event,) = run(driver, now, f"R {value} {unit}\r\n".encode(), places)
    assert event.value == value.scaleb(scale)
    assert (event.digits, event.shown_unit) == (str(value), unit)


@given(st.integers(0, 5999), st.integers(0, 59), st.booleans(), CUTS)
@MANY
def test_elapsed_time_is_read_exactly(minutes, seconds, hours, places):
    """m:ss and h:mm:ss are the same time."""
    written = (
        f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"
    )
    driver, now = started("insulation-series")
    events = run(driver, now, f"{written} 500 V 512.4 MOhm\r\n".encode(), places)
    assert [event.elapsed for event in events] == [minutes * 60 + seconds] * 2


@given(
    st.binary(min_size=1, max_size=20),
    CUTS,
)
@MANY
def test_the_end_of_a_line_that_was_joined_is_never_a_value(picks, places):
    """A port that is opened in the middle of a line gives its first value from the next line."""
    lines = [(b"R 842.1 mOhm\r\n", b"R 1.204 kOhm\r\n", b"R OL\r\n")[pick % 3] for pick in picks]
    stream = b"42.1 mOhm\r\n" + b"".join(lines)
    driver, _ = started("resistance-lines")
    events = run(driver, 0.01, stream, places)
    assert len([event for event in events if isinstance(event, Indication)]) == len(lines)


@given(st.lists(st.sampled_from([b"R 1.5 Ohm\r", b"R OL\r", b"noise\r", b"D\r"]), max_size=8), CUTS)
@MANY
def test_a_polled_meter_is_never_given_two_values_for_one_question(tmp_path_factory, lines, places):
    """However many lines come after one poll, one is its answer."""
    driver = make(AsciiMeterOptions(profile=str(polled(tmp_path_factory))))
    sent = [action for action in driver.outgoing(0.0) if isinstance(action, Send)]
    assert len(sent) == 1
    stream = b"".join(lines)
    places = sorted({0, len(stream), *(place for place in places if place < len(stream))})
    for start, end in itertools.pairwise(places):
        driver.receive(stream[start:end], STREAM, 0.1)
    assert len([e for e in drained(driver) if isinstance(e, Indication)]) <= 1


def polled(factory):
    path = factory.getbasetemp() / "polled.toml"
    if not path.exists():
        path.write_text(
            'schema_version = 1\nname = "polled"\nsummary = "polled"\ndriver = "ascii-meter"\n'
            '[framing]\nterminator = "\\r"\necho = true\n[poll]\nmessage = "D\\r"\n[[lines]]\n'
            "pattern = 'R (?P<value>[0-9.]+|OL)( (?P<unit>Ohm))?'\nquantity = \"resistance\"\n"
        )
    return path
