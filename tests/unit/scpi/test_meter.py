"""The SCPI meter: freshness, settings at the front panel, power cycles, blocks, several values."""

import struct
from collections.abc import Callable
from decimal import Decimal

import pytest

from capture.driver import (
    Driver,
    Indication,
    InstrumentFault,
    Malformed,
    PowerCycled,
    Resync,
    Send,
    Status,
)
from capture.driver.contract import DriverContract, Expected
from capture.errors import ConfigError, InputError
from capture.runtime import not_allowed
from drivers.scpi_lcr.driver import ScpiLcrOptions
from drivers.scpi_lcr.driver import make as make_lcr
from drivers.scpi_lcr.driver import messages as lcr_messages
from drivers.scpi_meter.driver import ScpiMeterOptions, make, messages

IDENTITY = b"A MAKER,A METER,0,1.0\n"


class Bench:
    """Answers a driver's questions from a table, with time that passes only when it must."""

    def __init__(self, driver: Driver, answers: dict[str, bytes | Callable[[], bytes]]) -> None:
        self.driver = driver
        self.answers = {"*IDN?": IDENTITY, "*ESR?": b"0\n", "SYST:ERR?": b'0,"No error"\n'}
        self.answers.update(answers)
        self.now = 100.0
        self.sent: list[str] = []
        self.events: list[object] = []

    def run(self, seconds: float) -> list[Indication]:
        """Let time pass; give the values that came."""
        end = self.now + seconds
        before = len(self.events)
        while self.now < end:
            for action in list(self.driver.outgoing(self.now)):
                if isinstance(action, Resync):
                    self.sent.append("(resync)")
                    continue
                assert isinstance(action, Send)
                text = action.data.decode().strip()
                self.sent.append(text)
                answer = self.answers.get(text)
                if answer is not None:
                    data = answer() if callable(answer) else answer
                    self.driver.receive(data, False, self.now)
            while (event := self.driver.next_event()) is not None:
                self.events.append(event)
            wake = self.driver.wake_at()
            assert wake is not None
            self.now = max(self.now + 0.001, min(wake, end))
        return [each for each in self.events[before:] if isinstance(each, Indication)]

    def of(self, kind: type) -> list:
        return [event for event in self.events if isinstance(event, kind)]


def test_the_same_measurement_is_never_two_readings():
    bench = Bench(make(ScpiMeterOptions(interval_s=0.5)), {"FETC?": b"+8.421E-01\n"})
    assert len(bench.run(10)) == 1
    bench.answers["FETC?"] = b"+8.422E-01\n"
    assert [each.value for each in bench.run(10)] == [Decimal("0.8422")]


def test_an_equal_answer_is_new_once_a_measurement_has_had_its_time():
    options = ScpiMeterOptions(interval_s=0.5, measures_every_s=2.0)
    bench = Bench(make(options), {"FETC?": b"+8.421E-01\n"})
    assert 4 <= len(bench.run(9.9)) <= 5


def test_a_read_query_makes_every_answer_new():
    options = ScpiMeterOptions(interval_s=0.5, query="READ?")
    bench = Bench(make(options), {"READ?": b"+8.421E-01\n"})
    assert len(bench.run(9.9)) >= 19


def test_the_event_register_tells_what_is_new():
    registers = iter(["256", "0", "0", "256", "0"] + ["0"] * 100)
    bench = Bench(
        make(ScpiMeterOptions(interval_s=1, event_query="STAT:OPER?", event_bit=8)),
        {"FETC?": b"+1.0\n", "STAT:OPER?": lambda: next(registers).encode() + b"\n"},
    )
    assert len(bench.run(10)) == 2
    assert bench.sent.count("FETC?") == 2


def test_a_power_cycle_is_seen_and_the_setup_sent_again():
    status = iter(["128", "0", "128"] + ["0"] * 100)
    options = ScpiMeterOptions(interval_s=1, watch_s=3, setup=("SYST:REM",))
    bench = Bench(
        make(options), {"FETC?": b"+1.0\n", "*ESR?": lambda: next(status).encode() + b"\n"}
    )
    bench.run(20)
    assert len(bench.of(PowerCycled)) == 1, "the flag of before the session is no power cycle"
    assert bench.sent.count("SYST:REM") == 2


def test_farewell_messages_are_given_at_the_end():
    driver = make(ScpiMeterOptions(closing=("SYST:LOC",)))
    assert [action.data for action in driver.closing(0.0)] == [b"SYST:LOC\n"]


def test_an_instrument_without_error_queue_or_status_still_works():
    bench = Bench(make(ScpiMeterOptions(interval_s=1, timeout_s=0.5)), {"FETC?": b"+1.0\n"})
    del bench.answers["SYST:ERR?"], bench.answers["*ESR?"]
    assert len(bench.run(30)) == 1
    assert bench.sent.count("SYST:ERR?") == 1
    assert bench.sent.count("*ESR?") == 1


def test_an_error_queue_that_fills_as_fast_as_it_is_read_ends():
    bench = Bench(
        make(ScpiMeterOptions()), {"FETC?": b"+1.0\n", "SYST:ERR?": b'-113,"Undefined header"\n'}
    )
    assert len(bench.run(5)) == 1
    assert bench.of(InstrumentFault)[0] == InstrumentFault(-113, "Undefined header")
    assert len(bench.of(InstrumentFault)) == 20


def test_several_values_in_one_answer_share_a_group():
    bench = Bench(make(ScpiMeterOptions(several=True)), {"FETC?": b"+1.0,+2.0,9.9E37\n"})
    values = bench.run(2)
    assert [each.value for each in values] == [Decimal("1.0"), Decimal("2.0"), None]
    assert len({each.group for each in values}) == 1
    assert values[0].group is not None


def test_several_values_where_one_is_expected_are_no_reading():
    bench = Bench(make(ScpiMeterOptions()), {"FETC?": b"+1.0,+2.0\n"})
    assert bench.run(2) == []
    assert "2 values where 1" in bench.of(Malformed)[0].reason


@pytest.mark.parametrize(
    ("form", "letter"), [("REAL,32", ">f"), ("REAL,64", ">d"), ("INT,32", ">i")]
)
def test_a_block_is_read_by_the_format_that_the_instrument_tells(form, letter):
    payload = struct.pack(letter, 2)
    block = b"#1" + str(len(payload)).encode() + payload + b"\n"
    bench = Bench(
        make(ScpiMeterOptions(interval_s=1)),
        {"FETC?": block, "FORM?": form.encode() + b"\n", "FORM:BORD?": b"NORM\n"},
    )
    assert [each.value for each in bench.run(5)] == [Decimal(2)]
    assert bench.sent.count("FORM?") == 1


def test_a_format_changed_behind_our_back_is_asked_for_again():
    bench = Bench(
        make(ScpiMeterOptions(interval_s=1)),
        {
            "FETC?": b"#18" + struct.pack(">d", 2.5) + b"\n",
            "FORM?": b"REAL,64\n",
            "FORM:BORD?": b"NORM\n",
        },
    )
    assert [each.value for each in bench.run(3)] == [Decimal("2.5")]
    bench.answers.update({"FETC?": b"#14" + struct.pack("<f", 3.5) + b"\n"})
    bench.answers.update({"FORM?": b"REAL,32\n", "FORM:BORD?": b"SWAP\n"})
    assert [each.value for each in bench.run(10)] == [Decimal("3.5")]


def test_a_block_that_ends_before_its_length_is_no_reading():
    """Where the link says that the message ends: two of four values are not the answer."""
    driver = make(ScpiMeterOptions(several=True, identify=False, error_queue=False, watch_s=0))
    block = b"#216" + struct.pack(">2f", 1.0, 2.0)
    answers = {b"FETC?": block, b"FORM?": b"REAL,32", b"FORM:BORD?": b"NORM"}
    now, said = 0.0, []
    for _ in range(20):
        for action in driver.outgoing(now):
            if isinstance(action, Send):
                driver.receive(answers[action.data.strip()], True, now)
        said += iter(driver.next_event, None)
        now += 1.0
    assert not [each for each in said if isinstance(each, Indication)]
    assert "not the length it announces" in next(
        each.reason for each in said if isinstance(each, Malformed)
    )


def test_swapped_bytes_are_not_taken_for_normal_ones():
    bench = Bench(
        make(ScpiMeterOptions()),
        {
            "FETC?": b"#18" + struct.pack("<d", 2.5) + b"\n",
            "FORM?": b"REAL,64\n",
            "FORM:BORD?": b"SWAP\n",
        },
    )
    assert [each.value for each in bench.run(3)] == [Decimal("2.5")]


LCR = {
    "FETC?": b"+6.21E-02,+4.7E+02,0\n",
    "FUNC:IMP?": b"LSQ\n",
    "FREQ?": b"1E3\n",
    "VOLT?": b"1\n",
}


def test_an_lcr_answer_is_read_by_its_function_and_stored_with_its_settings():
    bench = Bench(make_lcr(ScpiLcrOptions()), LCR)
    inductance, quality = bench.run(2)
    assert (inductance.quantity, inductance.unit, inductance.value) == (
        "inductance",
        "H",
        Decimal("0.0621"),
    )
    assert (quality.quantity, quality.unit, quality.value) == ("quality_factor", "1", Decimal(470))
    assert inductance.conditions["frequency"] == (Decimal(1000), "Hz")
    assert inductance.conditions["level"] == (Decimal(1), "V")
    assert inductance.conditions["model"] == "series"
    assert inductance.query == "FETC?"


def test_a_value_between_two_different_settings_is_dropped():
    """Turning the function between two queries never labels a number with the wrong one."""
    bench = Bench(make_lcr(ScpiLcrOptions()), LCR)
    bench.run(2)
    functions = iter([b"CPD\n"] + [b"CPD\n"] * 100)
    # The function is turned after the next value was fetched and before the settings are read.
    bench.answers["FETC?"] = b"+6.22E-02,+4.8E+02,0\n"
    bench.answers["FUNC:IMP?"] = lambda: next(functions)
    values = bench.run(0.6)
    assert not [each for each in values if each.value == Decimal("0.0622") and each.unit == "F"]
    bench.answers["FETC?"] = b"+1.0E-09,+2.0E-02,0\n"
    values = bench.run(3)
    assert {each.quantity for each in values} == {"capacitance", "dissipation_factor"}


@pytest.mark.parametrize(
    ("number", "status"),
    [("1", Status.UNSETTLED), ("2", Status.ABOVE_RANGE), ("3", Status.INVALID), ("+0", Status.OK)],
)
def test_the_status_number_speaks_before_the_value(number, status):
    bench = Bench(make_lcr(ScpiLcrOptions()), {**LCR, "FETC?": f"+1.0,+2.0,{number}\n".encode()})
    values = bench.run(2)
    assert [each.status for each in values] == [status, status]
    assert all((each.value is None) == (status in ("above-range", "invalid")) for each in values)


def test_an_unlisted_status_or_function_is_no_reading():
    bench = Bench(make_lcr(ScpiLcrOptions()), {**LCR, "FETC?": b"+1.0,+2.0,7\n"})
    assert bench.run(2) == []
    assert "status '7'" in bench.of(Malformed)[0].reason
    bench = Bench(make_lcr(ScpiLcrOptions()), {**LCR, "FUNC:IMP?": b"NEW\n"})
    assert bench.run(2) == []
    assert "function 'NEW'" in bench.of(Malformed)[0].reason


def test_by_default_nothing_is_sent_that_a_person_would_have_to_allow():
    assert not_allowed(messages(ScpiMeterOptions()), []) == []
    assert not_allowed(lcr_messages(ScpiLcrOptions()), []) == []
    assert not_allowed(messages(ScpiMeterOptions(query="READ?", setup=("INIT",))), []) == [
        "READ?",
        "INIT",
    ]


@pytest.mark.parametrize("query", ["FETC?", "*IDN?"])
def test_what_stays_unanswered_once_in_the_setup_is_still_asked_where_it_belongs(query):
    """A first value may be asked for to be thrown away: no other was asked for in that session."""
    bench = Bench(make(ScpiMeterOptions(setup=("FUNC RES", query))), {"FETC?": b"+8.421E-01\n"})
    usual = bench.answers[query]
    bench.answers[query] = lambda: (
        b"" if bench.sent[-2:-1] == ["FUNC RES"] and "(resync)" not in bench.sent else usual
    )
    assert [each.value for each in bench.run(20)][:1] == [Decimal("0.8421")]
    assert bench.sent[bench.sent.index("(resync)") + 1] == "*IDN?"
    assert bench.sent.count("(resync)") == 1


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"unit": "V"}, "unit: resistance is in Ohm"),
        ({"quantity": "resistanse"}, "is not known"),
        ({"interval_s": -1}, "interval_s"),
        ({"query": "FETC"}, "query"),
        ({"quantity": "x_own"}, "unit: x_own needs one"),
        ({"event_bit": 16}, "event_bit"),
    ],
)
def test_wrong_options_are_refused_by_name(wrong, says):
    with pytest.raises(InputError, match=says):
        ScpiMeterOptions(**wrong)


def test_a_profile_of_another_driver_is_refused():
    with pytest.raises(ConfigError, match="not known"):
        ScpiMeterOptions(profile="lcr-impedance-function")


class TestScpiLcr(DriverContract):
    """The LCR driver keeps the contract; a value counts once the settings after it are read."""

    value_query = b"FETC?\n"
    confirmed = True
    frames = (
        (
            b"+6.21E-02,+4.7E+02,0\n",
            (Expected("inductance", "0.0621", "H"), Expected("quality_factor", "470", "1")),
        ),
        (
            b"9.9E37,9.9E37,2\r\n",
            (
                Expected("inductance", None, "H", Status.ABOVE_RANGE),
                Expected("quality_factor", None, "1", Status.ABOVE_RANGE),
            ),
        ),
    )

    def make_driver(self) -> Driver:
        return make_lcr(ScpiLcrOptions())

    def answer(self, message: bytes) -> bytes:
        given = {
            b"*IDN?\n": IDENTITY,
            b"*ESR?\n": b"0\n",
            b"SYST:ERR?\n": b'0,"No error"\n',
            b"FUNC:IMP?\n": b"LSQ\n",
            b"FREQ?\n": b"1E3\n",
            b"VOLT?\n": b"1\n",
        }
        return given[message]
