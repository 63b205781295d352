"""A session: a stranger's driver on a link, held to the rules at run time."""

import threading
from collections import deque
from decimal import Decimal

import pytest

from capture.clock import ManualClock
from capture.driver import Driver, Indication, Malformed, Reply, Resync, Send, Status
from capture.errors import DriverError, LinkLost, PolicyError
from capture.links.memory import MemoryLink, Wire, drop, duplicate, garble, split
from capture.runtime import MessagePolicy
from capture.runtime.drafting import Drafter, Provenance, raw_frame
from capture.runtime.session import Session
from drivers.ascii_meter.driver import AsciiMeter, AsciiMeterOptions
from drivers.scpi_meter.driver import ScpiMeterOptions, make


def shown(number="1.5", **members):
    ordinary = {
        "quantity": "resistance",
        "unit": "Ohm",
        "value": Decimal(number),
        "digits": number,
        "shown_unit": "Ohm",
        "status": Status.OK,
        "raw": b"R 1.5\n",
    }
    return Indication(**ordinary | members)


class Scripted(Driver):
    """Wants what it is told to want, and shows what it is told to show."""

    def __init__(self, actions=(), on_receive=()):
        self.actions = deque(actions)
        self.on_receive = list(on_receive)
        self.events = deque()
        self.received = []
        self.wake = None

    def receive(self, data, end_of_message, now):
        self.received.append((data, end_of_message))
        self.events.extend(self.on_receive)

    def next_event(self):
        return self.events.popleft() if self.events else None

    def outgoing(self, now):
        return [self.actions.popleft()] if self.actions else []

    def wake_at(self):
        return self.wake


class QuickLink(MemoryLink):
    """Never waits on the wall clock: what a test says is there before it is read."""

    def read(self, limit, timeout):
        return super().read(limit, 0)


class Setup:
    """A session of one driver on a cable in memory."""

    def __init__(self, driver, *, allow=(), damage=None, message_based=False):
        self.wire = Wire(damage, message_based=message_based)
        self.link = QuickLink(self.wire)
        self.link.open()
        self.clock = ManualClock()
        self.events = []
        self.stop = threading.Event()
        self.session = Session(
            driver, self.link, MessagePolicy(allow), self.clock, self.stop, self.events.append
        )


@pytest.mark.parametrize("where", ["receive", "next_event"])
def test_what_a_driver_showed_before_it_raised_is_given_first(where):
    class Failing(Scripted):
        def receive(self, data, end_of_message, now):
            super().receive(data, end_of_message, now)
            if where == "receive":
                raise KeyError("a bug")

        def next_event(self):
            if not self.events and where == "next_event":
                raise KeyError("a bug")
            return super().next_event()

    driver = Failing(on_receive=[shown("1.5"), shown("1.6")])
    setup = Setup(driver)
    setup.wire.say(b"R 1.5\n")
    driver.events.append(shown("1.4"))
    first = setup.session.step()
    if where == "receive":  # it had something to show before it was given the bytes
        assert [each.indication.digits for each in first] == ["1.4"]
        first = setup.session.step()
        assert [each.indication.digits for each in first] == ["1.5", "1.6"]
    else:
        assert [each.indication.digits for each in first] == ["1.4"]
    with pytest.raises(DriverError, match=rf"Failing\.{where} raised KeyError") as caught:
        setup.session.step()
    assert isinstance(caught.value.__cause__, KeyError)


def test_a_message_that_nobody_allowed_is_not_written():
    setup = Setup(Scripted([Send(b"*IDN?\n", Reply.LINE, 1.0), Send(b"READ?\n", Reply.LINE, 1.0)]))
    setup.wire.say(b"M,X,1,1\n")
    setup.session.step()
    assert setup.wire.heard(0) == b"*IDN?\n"
    with pytest.raises(PolicyError, match=r"'READ\?' is not on this instrument's list"):
        setup.session.step()
    with pytest.raises(TimeoutError):
        setup.wire.heard(0)


def test_what_a_driver_hides_behind_an_allowed_message_is_not_written():
    setup = Setup(Scripted([Send(b"*IDN?\nOUTP ON\n", Reply.LINE, 1.0)]))
    with pytest.raises(PolicyError, match="OUTP ON"):
        setup.session.step()
    with pytest.raises(TimeoutError):
        setup.wire.heard(0)


def test_a_message_that_a_person_allowed_is_written():
    setup = Setup(Scripted([Send(b"READ?\n", Reply.LINE, 1.0)]), allow=["READ?"])
    setup.wire.say(b"1\n")
    setup.session.step()
    assert setup.wire.heard(0) == b"READ?\n"


def test_a_value_carries_its_time_and_the_query_it_answers():
    setup = Setup(Scripted([Send(b"FETC?\n", Reply.LINE, 1.0)], [shown()]))
    setup.wire.say(b"1.5\n")
    (captured,) = setup.session.step()
    assert captured.indication == shown()
    assert captured.time == setup.clock.utc()
    assert captured.query == "FETC?"
    assert captured.group is None


def test_a_value_that_nobody_asked_for_carries_no_query():
    setup = Setup(Scripted(on_receive=[shown()]))
    setup.wire.say(b"1.5\n")
    (captured,) = setup.session.step()
    assert captured.query is None


def test_values_of_one_frame_share_a_group_and_those_of_another_do_not():
    driver = Scripted(on_receive=[shown(group=1), shown("2", group=1), shown("3", group=2)])
    setup = Setup(driver)
    setup.wire.say(b"x")
    one, two, three = setup.session.step()
    assert one.group == two.group
    assert one.group != three.group


def test_other_events_are_told_and_are_no_values():
    event = Malformed(b"junk", "is junk")
    setup = Setup(Scripted(on_receive=[event]))
    setup.wire.say(b"junk")
    assert setup.session.step() == []
    assert setup.events == [event]


def test_a_resynchronisation_reaches_the_link():
    setup = Setup(Scripted([Resync("out of step")]))
    setup.wire.say(b"old answer")
    setup.clock.advance(1)
    driver = setup.session._driver
    driver.wake = setup.clock.monotonic()
    assert setup.session.step() == []
    assert setup.wire.resynced == 1
    assert driver.received == []


def test_a_lost_link_is_a_link_error():
    setup = Setup(Scripted())
    setup.wire.unplug()
    with pytest.raises(LinkLost):
        setup.session.step()


def test_a_message_link_is_read_only_while_an_answer_is_due():
    driver = Scripted()
    setup = Setup(driver, message_based=True)
    setup.wire.say(b"1.5\n", end_of_message=True)
    assert setup.session.step() == []
    assert driver.received == []
    driver.actions.append(Send(b"FETC?\n", Reply.LINE, 1.0))
    setup.session.step()
    assert driver.received == [(b"1.5\n", True)]
    assert setup.session.step() == []


class Raising(Scripted):
    def __init__(self, where):
        super().__init__(on_receive=[shown()])
        self.where = where

    def _maybe(self, where):
        if where == self.where:
            raise KeyError("\x1b[31moops")

    def receive(self, data, end_of_message, now):
        self._maybe("receive")
        super().receive(data, end_of_message, now)

    def next_event(self):
        self._maybe("next_event")
        return super().next_event()

    def outgoing(self, now):
        self._maybe("outgoing")
        return super().outgoing(now)

    def wake_at(self):
        self._maybe("wake_at")
        return super().wake_at()


@pytest.mark.parametrize("where", ["receive", "next_event", "outgoing", "wake_at"])
def test_a_driver_that_raises_is_named_and_so_is_the_method(where):
    setup = Setup(Raising(where))
    setup.wire.say(b"x")
    with pytest.raises(
        DriverError, match=rf"Raising\.{where} raised KeyError.*report it to its author"
    ):
        setup.session.step()


def test_a_driver_that_sends_without_end_is_stopped():
    class Endless(Scripted):
        def outgoing(self, now):
            return [Send(b"*CLS\n")]

    with pytest.raises(DriverError, match="send without end"):
        Setup(Endless()).session.step()


@pytest.mark.parametrize("nonsense", ["READ?", b"READ?", None, 5])
def test_a_driver_that_wants_what_is_no_action_is_stopped(nonsense):
    with pytest.raises(DriverError, match="is no action"):
        Setup(Scripted([nonsense])).session.step()


def test_the_last_chunks_are_kept_for_the_log_and_no_more():
    setup = Setup(Scripted([Send(b"*CLS\n")]))
    for n in range(40):
        setup.wire.say(bytes([n]))
        setup.session.step()
    assert len(setup.session.recent) == 16
    assert setup.session.recent[-1] == ("<", b"\x27")


# ── drafting ─────────────────────────────────────────────────────────────────────────────────


def drafter():
    return Drafter(
        Provenance(
            "sawmill",
            "bench-1",
            "ohm-1",
            "a-driver",
            "1",
            None,
            "memory",
            Setup(Scripted()).session.id,
        )
    )


def captured(indication, query=None):
    setup = Setup(Scripted(on_receive=[indication]))
    if query is not None:
        setup.session._driver.actions.append(Send(query, Reply.LINE, 1.0))
        setup.session._policy = MessagePolicy([query.decode("latin-1")])
    setup.wire.say(b"x")
    return setup.session.step()[0]


def test_a_draft_keeps_what_was_shown():
    made = drafter().draft(captured(shown(conditions={"law": "period", "u": (Decimal(500), "V")})))
    assert (made.value, made.digits, made.raw.data) == (1.5, "1.5", "R 1.5\n")
    assert made.conditions["u"].unit == "V"
    assert made.source.kind == "streamed"


@pytest.mark.parametrize(
    "query", [b"FETC?\n", b"\x05", b"\r", b"D\r", b"\x1bP", "µ?\n".encode("latin-1")]
)
def test_whatever_the_query_was_the_value_can_be_stored(query):
    """Some meters are asked by a control character alone."""
    made = drafter().draft(captured(shown(), query))
    assert made.source.kind == "polled"
    assert made.source.query.isprintable()
    assert made.source.query


@pytest.mark.parametrize(
    "wrong",
    [
        {"value": None},
        {"unit": "V"},
        {"digits": "\x1b[31m"},
        {"digits": ""},
        {"value": Decimal("NaN")},
        {"value": Decimal("1E400")},
        {"quantity": "resistence"},
        {"shown_unit": "x" * 17},
        {"conditions": {"u": (Decimal(5), "parsec")}},
        {"record": ""},
    ],
)
def test_an_indication_that_no_reading_can_hold_is_the_drivers_fault(wrong):
    with pytest.raises(DriverError, match="a-driver gave an indication that no reading can hold"):
        drafter().draft(captured(shown(**wrong)))


def test_a_series_begins_where_the_instruments_count_starts_again():
    make = drafter()
    drafts = [make.draft(captured(shown(elapsed=Decimal(s)))) for s in ("0", "5", "10", "0", "5")]
    series = [draft.series.id for draft in drafts]
    assert series[0] == series[1] == series[2]
    assert series[3] == series[4] != series[0]
    assert drafts[1].series.elapsed == 5.0


@pytest.mark.parametrize(
    ("frame", "encoding", "data"),
    [
        (b"R 1.5\r\n", "ascii", "R 1.5\r\n"),
        (b"\x00\xff", "base64", "AP8="),
        (b"\x1b[31m", "base64", "G1szMW0="),
        (b"\x7f", "base64", "fw=="),
    ],
)
def test_a_raw_frame_is_text_only_where_it_is_plain(frame, encoding, data):
    assert (raw_frame(frame).encoding, raw_frame(frame).data) == (encoding, data)


# ── the built-in drivers on a bad cable ──────────────────────────────────────────────────────


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("kind", ["scpi", "lines", "insulation"])
def test_no_noise_on_the_cable_fails_a_session(kind, seed):
    """Split, garbled, lost and doubled bytes cost readings at most, and each one can be stored."""
    damages = [split(seed), garble(seed, 0.1), drop(seed, 0.1), duplicate(seed, 0.3)]

    def damage(data):
        pieces = [data]
        for each in damages:
            pieces = [part for piece in pieces for part in each(piece)]
        return pieces

    driver = (
        make(ScpiMeterOptions(interval_s=0.0, timeout_s=0.1))
        if kind == "scpi"
        else AsciiMeter(
            AsciiMeterOptions("resistance-lines" if kind == "lines" else "insulation-lines")
        )
    )
    setup = Setup(driver, damage=damage)
    drafts = drafter()
    answers = {b"*IDN?\n": b"M,X,1,1\n", b"SYST:ERR?\n": b'0,"No error"\n', b"*ESR?\n": b"0\n"}
    for number in range(300):
        if kind == "scpi":
            while setup.wire._to_device:
                setup.wire.say(answers.get(setup.wire.heard(0), b"+8.42E-01\n"))
        else:
            setup.wire.say(b"R 842.1 mOhm\r\n" if number % 2 else b">5.50 GOhm\r\n")
        for each in setup.session.step():
            drafts.draft(each)
        setup.clock.advance(0.05)
