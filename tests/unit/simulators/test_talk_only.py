"""The talk-only meter and the counter stream, with made-up times."""

import pytest

from simulators.counter import CounterSettings, CounterStream
from simulators.talk_only import TalkOnlyMeter, TalkOnlySettings


def talker(**changes):
    return TalkOnlyMeter(TalkOnlySettings(**{"noise": 0.0, **changes}))


def test_line_by_default():
    assert talker().spoken(0.0) == b" 512.4 MOhm\r\n"


def test_pace():
    meter = talker(rate=2.0)
    assert meter.spoken(10.0) != b""
    assert meter.wake_at() == 10.5
    assert meter.spoken(10.4) == b""
    assert meter.spoken(10.5) != b""
    assert meter.spoken(15.6).count(b"\n") == 1  # held up: what was missed is not made up
    assert meter.wake_at() == 16.0


def test_decimal_comma_unit_and_terminator():
    meter = talker(comma=True, unit="GΩ", terminator="cr", width=0, decimals=2, value=1.5)
    assert meter.spoken(0.0).decode() == "1,50 GΩ\r"


def test_press_gives_one_line_each():
    meter = talker(rate=0.0)
    assert meter.spoken(0.0) == b""
    assert meter.wake_at() is None
    meter.command("press", 1.0)
    meter.command("press", 1.0)
    assert meter.wake_at() is not None
    assert meter.spoken(1.0).count(b"\n") == 2
    assert meter.spoken(2.0) == b""


@pytest.mark.parametrize(
    ("command", "line"),
    [
        ("value 9000", b">5.50 GOhm\r\n"),
        ("over", b">5.50 GOhm\r\n"),
        ("open", b"OL\r\n"),
        ("none", b"---\r\n"),
        ("show  1.2.3 hello", b"1.2.3 hello\r\n"),
        ("value 10", b"  10.0 MOhm\r\n"),
    ],
)
def test_what_it_shows(command, line):
    meter = talker()
    assert meter.command(command, 0.0).startswith("ok: ")
    assert meter.spoken(0.0) == line


def test_lines_in_turn():
    meter = talker(lines="1 A|OL|2 A")
    assert [meter.spoken(float(now)) for now in range(4)] == [
        b"1 A\r\n", b"OL\r\n", b"2 A\r\n", b"1 A\r\n",
    ]  # fmt: skip


def test_hold_and_run():
    meter = talker()
    meter.command("hold", 0.0)
    assert meter.spoken(5.0) == b""
    meter.command("run", 6.0)
    assert meter.spoken(6.0) != b""


def test_it_never_listens():
    assert talker().received(b"*IDN?\n", 0.0) == b""


def numbers(data):
    return [int(line.split()[1]) for line in data.decode().splitlines()]


def test_counter_counts_without_gaps_whatever_the_pace_of_asking():
    stream = CounterStream(CounterSettings(rate=1000.0, count=2500))
    found = []
    now = 5.0
    while stream.wake_at() is not None:
        data = stream.spoken(now)
        assert data.count(b"\n") <= 256
        found += numbers(data)
        assert len(found) <= (now - 5.0) * 1000 + 1
        now += 0.0373
    assert found == list(range(1, 2501))
    assert stream.spoken(now + 100) == b""
    assert stream.command("count", now) == "ok: 2500"


def test_counter_catches_up_in_bursts():
    stream = CounterStream(CounterSettings(rate=1000.0, burst=100))
    stream.spoken(0.0)
    assert numbers(stream.spoken(0.25)) == list(range(1, 101))
    assert stream.wake_at() <= 0.25  # at once again
    assert numbers(stream.spoken(0.25)) == list(range(101, 201))
    assert numbers(stream.spoken(0.25)) == list(range(201, 251))
    assert stream.wake_at() > 0.25


def test_counter_that_is_not_to_catch_up_sends_a_burst_and_goes_on_at_its_rate():
    stream = CounterStream(CounterSettings(rate=1000.0, burst=100, catch_up=False))
    stream.spoken(0.0)
    assert numbers(stream.spoken(0.05)) == list(
        range(1, 51)
    )  # no longer than a burst is no hold-up
    assert numbers(stream.spoken(0.1)) == list(range(51, 101))
    assert numbers(stream.spoken(9.0)) == list(range(101, 201))
    assert stream.wake_at() > 9.0
    assert numbers(stream.spoken(9.01)) == list(range(201, 211))


def test_counter_wakes_no_finer_than_two_milliseconds():
    stream = CounterStream(CounterSettings(rate=50_000.0))
    stream.spoken(0.0)
    assert stream.wake_at() == pytest.approx(0.002)


def test_counter_waits_for_the_hand():
    stream = CounterStream(CounterSettings(rate=10.0, autostart=False))
    assert stream.wake_at() is None
    assert stream.spoken(9.0) == b""
    stream.command("start", 9.0)
    assert stream.spoken(10.0) == b""  # its clock begins at the first look
    assert numbers(stream.spoken(10.5)) == [1, 2, 3, 4, 5]
    assert stream.command("stop", 10.5) == "ok: stopped at 5"
    assert stream.spoken(20.0) == b""
    stream.command("start", 30.0)
    stream.spoken(30.0)
    assert numbers(stream.spoken(30.1)) == [6]


@pytest.mark.parametrize(
    "wrong", [{"rate": 0.0}, {"burst": 0}, {"count": -1}, {"form": "no number"}]
)
def test_counter_refuses_nonsense(wrong):
    with pytest.raises(ValueError, match=r"rate|form"):
        CounterStream(CounterSettings(**wrong))
