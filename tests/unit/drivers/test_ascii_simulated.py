"""The built-in profiles against simulated instruments, which share no code with the driver.

Both are sans-I/O: time is made up, nothing sleeps, no port is opened.
"""

from datetime import UTC, datetime
from decimal import Decimal

import pytest

from capture.driver import Indication, Malformed, Send, Status
from capture.journal.store import Store
from capture.model import new_id
from capture.runtime.drafting import Drafter, Provenance
from capture.runtime.session import Captured
from drivers.ascii_meter.driver import AsciiMeterOptions, make
from simulators import catalogue
from simulators.faults import Damaged

STREAM = False  # a stream link never marks the end of a message


class Bench:
    """A simulated instrument on a driver, with time that jumps to whatever is due next."""

    def __init__(self, profile, kind, faults=(), **options):
        inner = catalogue.make(kind, {name: str(each) for name, each in options.items()})
        self.instrument = Damaged(inner, list(faults), 3)
        self.driver = make(AsciiMeterOptions(profile=profile))
        self.now = 100.0
        self.events = []
        self.sent = []
        self.turn()
        self.now += 1.0

    def run(self, seconds):
        """Let both work for so long; give what the driver said."""
        before = len(self.events)
        end = self.now + seconds
        while self.now < end:
            self.turn()
            due = [each for each in (self.instrument.wake_at(), self.driver.wake_at()) if each]
            later = [each for each in due if each > self.now]
            self.now = min([*later, end, self.now + 0.25])
        self.turn()
        return self.events[before:]

    def turn(self):
        for action in self.driver.outgoing(self.now):
            if isinstance(action, Send):
                self.sent.append(action.data)
                self.receive(self.instrument.received(action.data, self.now))
        self.receive(self.instrument.spoken(self.now))
        while (event := self.driver.next_event()) is not None:
            self.events.append(event)

    def receive(self, data):
        if data:
            self.driver.receive(data, STREAM, self.now)

    def values(self, quantity=None):
        return [
            event
            for event in self.events
            if isinstance(event, Indication) and quantity in (None, event.quantity)
        ]

    def hand(self, line):
        return self.instrument.command(line, self.now)


def drafter():
    return Drafter(
        Provenance(
            site="sawmill",
            bench="bench-1",
            instrument="tester",
            driver="ascii-meter",
            driver_version="1",
            profile=None,
            link="memory",
            session=new_id(),
        )
    )


def drafts(indications, made=None):
    made = made or drafter()
    moment = datetime(2026, 3, 14, 8, 0, tzinfo=UTC)
    return [made.draft(Captured(each, moment, None, None)) for each in indications]


def test_an_insulation_test_is_one_timed_series():
    """Sixty lines give sixty resistances and voltages, each in its place of one series."""
    bench = Bench("insulation-series", "insulation-tester")
    bench.hand("press")
    bench.run(62)
    ohms, volts = bench.values("insulation_resistance"), bench.values("test_voltage")
    assert [each.elapsed for each in ohms] == [Decimal(second) for second in range(1, 61)]
    assert len(volts) == 60
    assert [each.group for each in ohms] == [each.group for each in volts]
    assert len({each.group for each in ohms}) == 60
    assert all(each.unit == "Ohm" and 1e7 < each.value < 1e9 for each in ohms)
    # The simulated winding is specified to have 850 MOhm after one minute; its noise is 0.3 %.
    assert float(ohms[-1].value) == pytest.approx(850e6, rel=0.02)
    assert float(volts[-1].value) == pytest.approx(500, abs=1)
    placed = drafts(bench.values())
    assert len({draft.series.id for draft in placed}) == 1
    assert [draft.series.elapsed for draft in placed[::2]] == [float(s) for s in range(1, 61)]


def test_a_second_test_is_a_second_series():
    """The instrument's count starts again: another series."""
    bench = Bench("insulation-series", "insulation-tester", duration=5)
    for _ in range(2):
        bench.hand("press")
        bench.run(7)
    series = [draft.series.id for draft in drafts(bench.values())]
    assert len(series) == 20
    assert len(set(series)) == 2


def test_a_test_that_counts_plain_seconds_is_the_same_series():
    """``15 s`` instead of ``00:00:15``."""
    bench = Bench("insulation-series", "insulation-tester", clock="seconds", rate=2, duration=3)
    bench.hand("press")
    bench.run(5)
    elapsed = [each.elapsed for each in bench.values("insulation_resistance")]
    assert elapsed == [Decimal(tenth) / 10 for tenth in (5, 10, 15, 20, 25, 30)]


def test_lifted_leads_live_voltage_and_breakdown_keep_their_meaning():
    """A bound is a bound, a breakdown has no value, live voltage is no insulation."""
    bench = Bench("insulation-series", "insulation-tester")
    bench.hand("live 34")
    bench.run(1)
    (live,) = bench.values()
    assert (live.quantity, live.value, live.status) == ("voltage", 34, Status.LIVE_VOLTAGE)
    bench.hand("press")
    bench.hand("lift")
    bench.run(1)
    lifted = bench.values("insulation_resistance")[-1]
    assert (lifted.value, lifted.status) == (None, Status.ABOVE_RANGE)
    assert lifted.bound.value == Decimal("200e9")
    bench.hand("breakdown")
    bench.run(1)
    broken = bench.values("insulation_resistance")[-1]
    assert (broken.value, broken.status) == (None, Status.BREAKDOWN)
    assert not [event for event in bench.events if isinstance(event, Malformed)]
    drafts(bench.values())  # each can be stored


@pytest.mark.parametrize("order", ["oldest", "newest", "shuffled"])
def test_a_dump_sent_twice_in_any_order_is_stored_once(order, tmp_path):
    """Six results, sent twice by themselves and once more: six readings."""
    bench = Bench("stored-results", "stored-results", order=order, stored=6, twice="yes")
    bench.hand("dump")
    bench.run(1)
    bench.hand("dump")
    bench.run(1)
    shown = bench.values("resistance")
    assert len(shown) == 24
    assert len({each.record for each in shown}) == 6
    assert all(each.instrument_time.startswith("2026-03-14 0") for each in shown)
    assert {each.conditions["leads"] for each in shown} == {"U-V", "V-W"}
    store = Store(tmp_path / "j.journal")
    try:
        stored = store.append(drafts(shown))
        assert len([each for each in stored if each.sequence is not None]) == 6
        again = store.append(drafts(shown))
        assert not [each for each in again if each.sequence is not None]
    finally:
        store.close()
    assert not [event for event in bench.events if isinstance(event, Malformed)]


def test_results_of_an_erased_memory_are_new_results(tmp_path):
    """Numbering begins anew after the memory was erased; the results are not the old ones."""
    bench = Bench("stored-results", "stored-results")
    bench.hand("pair U-V")
    records = []
    for _ in range(2):
        for _ in range(3):
            bench.run(60)
            assert bench.hand("store").startswith("ok")
        bench.hand("dump")
        bench.run(1)
        records += [each.record for each in bench.values()[-3:]]
        bench.hand("erase")
    assert len(set(records)) == 6
    assert [record.split()[0] for record in records] == ["0001", "0002", "0003"] * 2


def test_a_dump_on_request_is_read_whole():
    """All lines are taken for the answer to one question, and the next waits its interval."""
    bench = Bench("stored-results-polled", "stored-results", stored=40, request="DUMP?")
    bench.run(20)
    assert bench.sent == [b"DUMP?\n"]
    assert len(bench.values()) == 40
    assert {each.query for each in bench.values()} == {"DUMP?"}
    bench.run(20)
    assert bench.sent == [b"DUMP?\n"] * 2
    assert [event for event in bench.events if not isinstance(event, Indication)] == []


def test_an_empty_dump_is_an_answer():
    """No stored results is no fault, and nothing is resynchronised."""
    bench = Bench("stored-results-polled", "stored-results", request="DUMP?")
    assert bench.run(40) == []
    assert bench.sent == [b"DUMP?\n"] * 2


def test_garbled_lines_with_a_checksum_are_never_values():
    """Every value that comes through a noisy line is one that the instrument showed."""
    bench = Bench(
        "insulation-lines-crc", "checked-lines", faults=["garble:p=0.02"], rate=10, noise=0
    )
    bench.run(200)
    values, bad = bench.values(), [e for e in bench.events if isinstance(e, Malformed)]
    assert {each.value for each in values} == {Decimal("512.4e6")}
    assert len(values) > 1000
    assert len(bad) > 200


def test_a_decimal_comma_is_read():
    """512,4 mOhm."""
    lines = "R 512,4 mOhm|R OL"
    bench = Bench("resistance-lines-comma", "talk-only", lines=lines)
    bench.run(3)
    assert {each.value for each in bench.values()} == {Decimal("0.5124"), None}


@pytest.mark.parametrize("unit", ["mOhm", "kOhm", "V", "H"])
def test_packed_frames_are_read_in_every_unit(unit):
    """A torn first frame is lost; all others are values in the base unit."""
    scale = {"mOhm": "1e-3", "kOhm": "1e3", "V": "1", "H": "1"}[unit]
    bench = Bench("packed-ohmmeter", "packed-stream", unit=unit, noise=0)
    bench.run(4)
    assert {each.value for each in bench.values()} == {Decimal("412.3") * Decimal(scale)}
    assert len(bench.values()) >= 19


@pytest.mark.parametrize("fault", ["split", "garble:p=0.01", "drop:p=0.01", "duplicate:p=0.05"])
def test_packed_frames_survive_damage(fault):
    """Damaged frames are lost, never misread, and the boundary is found again."""
    bench = Bench("packed-ohmmeter", "packed-stream", faults=[fault], rate=10, noise=0)
    bench.run(200)
    assert {each.value for each in bench.values()} == {Decimal("0.4123")}
    assert len(bench.values()) > 1000


def test_packed_frames_are_found_where_the_converter_destroys_the_gaps():
    """Many frames in one piece, cut anywhere: all but the ends are read."""
    source = catalogue.make("packed-stream", {"noise": "0.01", "torn": "yes"})
    source.spoken(0.0)
    frames = [source.spoken(1.0 + number) for number in range(300)]
    stream = b"".join(frames)[3:]
    driver = make(AsciiMeterOptions(profile="packed-ohmmeter"))
    list(driver.outgoing(0.0))
    found = []
    for start in range(0, len(stream), 61):
        driver.receive(stream[start : start + 61], STREAM, 0.001 * start)
        list(driver.outgoing(0.001 * start))
        while (event := driver.next_event()) is not None:
            found.append(event)
    raws = [event.raw for event in found if isinstance(event, Indication)]
    assert raws == frames[1 : len(raws) + 1]
    assert len(raws) >= 298


def test_a_status_bit_of_a_packed_frame_takes_the_value_away():
    """Above range: no number; unsettled: the number with its status."""
    bench = Bench("packed-ohmmeter", "packed-stream", noise=0)
    bench.hand("status 1")
    bench.run(1)
    assert {each.status for each in bench.values()} == {Status.ABOVE_RANGE}
    assert {each.value for each in bench.values()} == {None}
    bench.hand("status 130")
    bench.run(1)
    last = bench.values()[-1]
    assert (last.value, last.status) == (Decimal("0.4123"), Status.UNSETTLED)
    drafts(bench.values())
