"""The SCPI meter driver: sentinels, error queue, identity, and coming back into step."""

from decimal import Decimal

import pytest

from capture.driver import (
    Identified,
    Indication,
    InputError,
    InstrumentFault,
    Malformed,
    NoAnswer,
    Reply,
    Resync,
    Send,
    Status,
)
from drivers.scpi_meter.driver import ScpiMeterOptions, make, messages

IDN = Send(b"*IDN?\n", Reply.MESSAGE, 2.0)
ERR = Send(b"SYST:ERR?\n", Reply.MESSAGE, 2.0)
FETCH = Send(b"FETC?\n", Reply.MESSAGE, 2.0)


class Bench:
    """A driver, a clock, and an instrument that answers as the test says."""

    def __init__(self, **options):
        # The watch for a power cycle has tests of its own.
        self.driver = make(ScpiMeterOptions(**{"watch_s": 0} | options))
        self.now = 100.0

    def wants(self):
        """Give the one action that the driver wants next, letting time pass until then."""
        for _ in range(10):
            actions = list(self.driver.outgoing(self.now))
            if actions:
                (action,) = actions
                return action
            self.now = max(self.now, self.driver.wake_at())
        raise AssertionError("the driver wants nothing")

    def says(self, data):
        self.driver.receive(data, False, self.now)
        return self.events()

    def events(self):
        found = []
        while (event := self.driver.next_event()) is not None:
            found.append(event)
        return found

    def ready(self):
        """Answer everything until the value query is out."""
        while (action := self.wants()) != FETCH:
            if action == IDN:
                self.says(b"A MAKER,A METER,17,1.0\n")
            elif action == ERR:
                self.says(b'0,"No error"\n')
        return self


def test_it_asks_for_identity_then_errors_then_the_value():
    bench = Bench()
    assert bench.wants() == IDN
    (event,) = bench.says(b"A MAKER,A METER,17,1.0\n")
    assert event == Identified("A MAKER", "A METER", "17", "1.0", b"A MAKER,A METER,17,1.0\n")
    assert bench.wants() == ERR
    assert bench.says(b'+0,"No error"\n') == []
    assert bench.wants() == FETCH


@pytest.mark.parametrize(
    ("answer", "parts"),
    [
        (b"M,X,1,2.0,b7,(c) 2021", ("M", "X", "1", "2.0,b7,(c) 2021")),
        (b"M,X", ("M", "X", "", "")),
        (b"METER", ("METER", "", "", "")),
        (b"M,,,", ("M", "", "", "")),
        (b" M , X , 0 , A.01 ", ("M", "X", "0", "A.01")),
        (b",,,1.0", ("", "", "", "1.0")),
    ],
)
def test_an_identity_with_more_or_fewer_fields_is_taken(answer, parts):
    """IEEE 488.2 §10.14 asks for four fields; instruments send what they send."""
    bench = Bench()
    bench.wants()
    (event,) = bench.says(answer + b"\n")
    assert (event.maker, event.model, event.serial, event.firmware) == parts
    assert bench.wants() == ERR


@pytest.mark.parametrize("old", [b"+8.42E-01\n", b"12\n", b"+9.9E37\n", b"1,2\n"])
def test_a_value_that_comes_in_place_of_the_identity_is_an_old_answer(old):
    bench = Bench()
    bench.wants()
    (event,) = bench.says(old)
    assert isinstance(event, Malformed)
    assert "not an identity" in event.reason
    assert isinstance(bench.says(b"M,X,1,1\n")[0], Identified)


@pytest.mark.parametrize(
    ("answer", "status", "value"),
    [
        (b"+9.90000000E+37", Status.ABOVE_RANGE, None),
        (b"9.9E37", Status.ABOVE_RANGE, None),
        (b"990000000000000000000000000000000000000000"[:38] + b"", Status.ABOVE_RANGE, None),
        (b"-9.9E+37", Status.BELOW_RANGE, None),
        (b"9.91E37", Status.INVALID, None),
        (b"+9.91000E+037", Status.INVALID, None),
        (b"+8.42130000E-01", Status.OK, Decimal("0.842130000")),
        (b".5", Status.OK, Decimal("0.5")),
        (b"5.", Status.OK, Decimal(5)),
        (b"  -1.25  ", Status.OK, Decimal("-1.25")),
        (b"1e3", Status.OK, Decimal(1000)),
    ],
)
def test_a_number_in_any_form_is_a_value_or_its_status(answer, status, value):
    bench = Bench().ready()
    (event,) = bench.says(answer + b"\n")
    assert (event.status, event.value, event.unit) == (status, value, "Ohm")
    assert event.digits == answer.decode().strip()


@pytest.mark.parametrize(
    "answer",
    [
        b"1.2,3.4",
        b"1.2 Ohm",
        b"#H1F",
        b"NAN",
        b"INF",
        b"1.2.3",
        b"+-1",
        b'"1.2"',
        b"1,2",
        b"\xb5",
        b"1E40",
        b"1E9999",
        b"-9.91E37",
        b"0" * 500,
        b"+8.4" + b"2" * 200 + b"E-01",
    ],
)
def test_an_answer_that_is_not_one_number_is_reported_and_the_link_resynchronised(answer):
    bench = Bench().ready()
    events = bench.says(answer + b"\n")
    assert [type(event) for event in events] == [Malformed]
    assert isinstance(bench.wants(), Resync)
    assert bench.wants() == IDN


def test_an_answer_longer_than_any_is_reported_once():
    bench = Bench().ready()
    events = [event for _ in range(20) for event in bench.says(b"1" * 999)]
    assert [type(event) for event in events] == [Malformed]


def test_errors_are_read_until_the_queue_is_empty():
    bench = Bench()
    bench.wants()
    bench.says(b"M,X,1,1\n")
    assert bench.wants() == ERR
    assert bench.says(b'-113,"Undefined header"\n') == [InstrumentFault(-113, "Undefined header")]
    assert bench.wants() == ERR
    assert bench.says(b'-222,"Data out of range; say ""why"""\n') == [
        InstrumentFault(-222, 'Data out of range; say "why"')
    ]
    assert bench.wants() == ERR
    bench.says(b'0,"No error"\n')
    assert bench.wants() == FETCH


def test_a_queue_that_fills_as_fast_as_it_is_read_is_left_after_twenty():
    bench = Bench()
    bench.wants()
    bench.says(b"M,X,1,1\n")
    asked = 0
    while bench.wants() == ERR:
        asked += 1
        assert asked <= 20
        bench.says(b'-350,"Queue overflow"\n')
    assert asked == 20
    assert isinstance(bench.says(b"1.5\n")[0], Indication)


def test_an_instrument_without_an_error_queue_is_asked_for_it_once_only():
    """It does not answer what it does not know; after that the values still come."""
    bench = Bench()
    bench.wants()
    bench.says(b"M,X,1,1\n")
    assert bench.wants() == ERR
    bench.now += 2.0
    assert isinstance(bench.wants(), Resync)
    assert bench.events() == [NoAnswer(b"SYST:ERR?", 2.0)]
    assert bench.wants() == IDN
    bench.says(b"M,X,1,1\n")
    assert bench.wants() == FETCH
    assert isinstance(bench.says(b"1.5\n")[0], Indication)


@pytest.mark.parametrize("answer", [b"0\n", b"+0,No error\n", b"OK\n", b"ERROR\n"])
def test_an_error_queue_that_answers_in_another_form_does_not_keep_the_values_back(answer):
    """Asked again after a resynchronisation, and then no more: the values must come."""
    bench = Bench()
    for _ in range(12):
        action = bench.wants()
        if action == FETCH:
            break
        if action == IDN:
            bench.says(b"M,X,1,1\n")
        elif action == ERR:
            bench.says(answer)
    assert action == FETCH
    assert any(isinstance(event, Indication) for event in bench.says(b"1.5\n"))


def test_after_a_time_out_only_the_known_identity_ends_the_waiting():
    """Late values and late error entries are dropped; then one fresh value is taken."""
    bench = Bench().ready()
    bench.now += 2.0
    assert isinstance(bench.wants(), Resync)
    assert bench.wants() == IDN
    assert bench.events() == [NoAnswer(b"FETC?", 2.0)]
    assert all(isinstance(e, Malformed) for e in bench.says(b"8.5\n"))
    assert all(isinstance(e, Malformed) for e in bench.says(b'0,"No error"\n'))
    assert bench.says(b"A MAKER,A METER,17,1.0\n") == []
    assert bench.wants() == ERR
    bench.says(b'0,"No error"\n')
    assert bench.wants() == FETCH
    (event,) = bench.says(b"8.6\n")
    assert event.value == Decimal("8.6")


def test_an_identity_that_comes_late_is_not_taken_for_a_value_or_an_error():
    """The first identity came after its time-out, so two of them are on their way."""
    bench = Bench()
    assert bench.wants() == IDN
    bench.now += 2.0
    assert isinstance(bench.wants(), Resync)
    assert bench.wants() == IDN
    assert isinstance(bench.events()[0], NoAnswer)
    assert isinstance(bench.says(b"M,X,1,1\n")[0], Identified)
    assert bench.wants() == ERR
    events = bench.says(b"M,X,1,1\n")
    assert [type(event) for event in events] == [Malformed]
    assert isinstance(bench.wants(), Resync)
    assert bench.wants() == IDN
    bench.says(b"M,X,1,1\n")
    assert bench.wants() == ERR
    bench.says(b'0,"No error"\n')
    assert bench.wants() == FETCH


def test_what_comes_unasked_is_never_a_value():
    bench = Bench().ready()
    bench.says(b"8.5\n")
    events = bench.says(b"8.6\n")
    assert [type(event) for event in events] == [Malformed]
    assert "unasked" in events[0].reason
    assert isinstance(bench.wants(), Resync)


def test_two_values_in_one_read_give_one_value():
    bench = Bench().ready()
    events = bench.says(b"8.5\n8.6\n")
    assert [type(event) for event in events] == [Indication, Malformed]
    assert events[0].value == Decimal("8.5")


def test_without_an_identity_the_next_query_waits_a_whole_time_out():
    bench = Bench(identify=False, error_queue=False)
    assert bench.wants() == FETCH
    bench.now += 2.0
    assert isinstance(bench.wants(), Resync)
    assert list(bench.driver.outgoing(bench.now + 1.9)) == []
    assert bench.driver.wake_at() == pytest.approx(bench.now + 2.0)
    assert bench.wants() == FETCH


def test_values_are_asked_for_at_the_interval():
    bench = Bench(interval_s=5.0).ready()
    first = bench.now
    bench.says(b"1\n")
    assert list(bench.driver.outgoing(first + 4.9)) == []
    assert bench.wants() == FETCH
    assert bench.now == pytest.approx(first + 5.0)


def test_set_up_messages_are_sent_once_in_order_and_not_after_a_time_out():
    bench = Bench(setup=("FUNC RES", "FUNC?"), error_queue=False)
    assert bench.wants() == IDN
    bench.says(b"M,X,1,1\n")
    assert bench.wants() == Send(b"FUNC RES\n")
    assert bench.wants() == Send(b"FUNC?\n", Reply.MESSAGE, 2.0)
    assert bench.says(b'"RES"\n') == []
    assert bench.wants() == FETCH
    bench.now += 2.0
    assert isinstance(bench.wants(), Resync)
    bench.wants()
    bench.says(b"M,X,1,1\n")
    assert bench.wants() == FETCH


@pytest.mark.parametrize("spoilt", ["identity", "setup"])
def test_no_value_is_asked_for_before_all_of_the_setup_was_sent(spoilt):
    """Set to volts, a meter answers FETCh? all the same, and the volts would be taken for ohms."""
    bench = Bench(setup=("FUNC RES", "*OPC?", "RES:RANG 10"), error_queue=False)
    assert bench.wants() == IDN
    if spoilt == "identity":
        bench.says(b"\xff\xff\n")
        bench.now += 2.0
        assert isinstance(bench.wants(), Resync)
        assert bench.wants() == IDN
    bench.says(b"M,X,1,1\n")
    assert bench.wants() == Send(b"FUNC RES\n")
    assert bench.wants() == Send(b"*OPC?\n", Reply.MESSAGE, 2.0)
    if spoilt == "setup":
        bench.now += 2.0  # never answered
        assert isinstance(bench.wants(), Resync)
        assert bench.wants() == IDN
        bench.says(b"M,X,1,1\n")
        assert bench.wants() == Send(b"FUNC RES\n")  # a TCP link was connected anew: sent again
    else:
        bench.says(b"1\n")
    assert bench.wants() == Send(b"RES:RANG 10\n")
    assert bench.wants() == FETCH


def test_a_setup_after_which_nothing_was_answered_is_sent_again():
    bench = Bench(setup=("FUNC RES",), error_queue=False)
    assert bench.wants() == IDN
    bench.says(b"M,X,1,1\n")
    assert bench.wants() == Send(b"FUNC RES\n")
    assert bench.wants() == FETCH
    bench.now += 2.0
    assert isinstance(bench.wants(), Resync)
    assert bench.wants() == IDN
    bench.says(b"M,X,1,1\n")
    assert bench.wants() == Send(b"FUNC RES\n")
    assert bench.wants() == FETCH
    assert len(bench.says(b"+1.0\n")) == 1
    bench.now += 1.0
    assert bench.wants() == FETCH
    bench.now += 2.0
    assert isinstance(bench.wants(), Resync)
    assert bench.wants() == IDN
    bench.says(b"M,X,1,1\n")
    assert bench.wants() == FETCH


def test_everything_it_may_send_is_announced():
    options = ScpiMeterOptions(query="FETC:RES?", setup=("FUNC RES",), closing=("ABOR",))
    formats = {b"FORM?", b"FORM:BORD?"}  # asked where an answer is a block
    wanted = {b"FETC:RES?", b"FUNC RES", b"ABOR", b"*IDN?", b"SYST:ERR?", b"*ESR?"}
    assert set(messages(options)) == wanted | formats
    options = ScpiMeterOptions(identify=False, error_queue=False, watch_s=0)
    assert set(messages(options)) == {b"FETC?"} | formats


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"quantity": "resistence"}, "quantity 'resistence' is not known"),
        ({"unit": "mH"}, "resistance is in Ohm, not in mH"),
        ({"unit": "MH", "quantity": "inductance"}, "ambiguous"),
        ({"quantity": "x_mine"}, "x_mine needs one"),
        ({"interval_s": -1.0}, "interval_s: -1.0"),
        ({"interval_s": 4000.0}, "interval_s: 4000.0"),
        ({"timeout_s": 0.0}, "timeout_s: 0.0"),
        ({"query": "INIT"}, "'INIT' is no query"),
        ({"interval_s": float("nan")}, "interval_s: nan"),
    ],
)
def test_options_that_cannot_work_are_refused_by_name(options, text):
    with pytest.raises(InputError, match=text):
        ScpiMeterOptions(**options)


def test_a_number_in_the_configured_unit_is_brought_to_the_base_unit():
    bench = Bench(unit="mOhm").ready()
    (event,) = bench.says(b"842.1\n")
    assert (event.value, event.unit, event.digits) == (Decimal("0.8421"), "Ohm", "842.1")


def test_the_end_of_a_message_ends_an_answer_that_has_no_line_end():
    bench = Bench().ready()
    bench.driver.receive(b"842.1", True, bench.now)
    (event,) = bench.events()
    assert event.value == Decimal("842.1")
