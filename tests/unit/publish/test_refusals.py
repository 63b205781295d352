"""What the broker refuses: by reason code, by its limits, or by hanging up on it.

Reason codes: MQTT 5.0 §3.4.2.1 (PUBACK), §3.14.2.1 (DISCONNECT). One file, since every refusal is
one script that the same broker plays.
"""

import contextlib
import threading
import time

import pytest
from scripted import (
    MAXIMUM_PACKET_SIZE,
    MAXIMUM_QOS,
    NO_SUBSCRIBERS,
    NOT_AUTHORISED,
    PACKET_TOO_LARGE,
    PAYLOAD_INVALID,
    QUOTA_EXCEEDED,
    RECEIVE_MAXIMUM,
    RETAIN_AVAILABLE,
    TOPIC_INVALID,
    UNSPECIFIED,
    HungUp,
    numbers,
)

from capture.publish.connection import Connection
from capture.publish.letters import Letters
from capture.publish.refusals import Action, action_for


class Script:
    """Accepts, and answers each message as `judge` says; remembers what came."""

    def __init__(self, judge=lambda message: 0, properties=b""):
        self.judge = judge
        self.seen = []
        self.answered = []
        self.properties = properties

    def __call__(self, session):
        session.take_connect()
        session.accept(properties=self.properties)

        def answer(message):
            code = self.judge(message)
            self.answered.append((message, code))
            return code

        session.until_goodbye(self.seen, judge=answer)

    @property
    def accepted(self):
        """Sequence numbers the broker took, in order."""
        return [message.n for message, code in self.answered if message.n and code < 0x80]

    def states(self):
        return [message.state for message in self.seen if message.state]


@pytest.mark.parametrize("code", [TOPIC_INVALID, PAYLOAD_INVALID])
def test_what_will_never_pass_is_set_aside_and_holds_nobody_up(setup, drafts, wait_until, code):
    script = Script(lambda message: code if message.n == 3 else 0)
    it = setup(script, entries=drafts(8))
    wait_until(lambda: it.delivered() == 8)
    assert numbers(script.seen) == list(range(1, 9)), "each once, on one connection"
    (letter,) = it.letters()
    assert (letter.row.n, letter.code, letter.attempts, letter.state) == (3, code, 1, "held")
    refused = next(message for message in script.seen if message.n == 3)
    assert letter.row.body == refused.payload
    wait_until(lambda: it.report().dead_letters == 1)
    assert "1 refused messages wait" in it.report().alarm
    wait_until(lambda: any(state.get("dead_letters") == 1 for state in script.states()))


def test_a_letter_that_a_person_retries_is_delivered_and_leaves_the_list(setup, drafts, wait_until):
    healed = threading.Event()
    script = Script(
        lambda message: TOPIC_INVALID if message.n in (2, 3) and not healed.is_set() else 0
    )
    it = setup(script, entries=drafts(5))
    wait_until(lambda: it.delivered() == 5)
    wait_until(lambda: len(it.letters()) == 2)
    healed.set()
    letters = Letters(it.settings.letters)
    assert letters.retry([it.letters()[1].row.id]) == 1
    wait_until(lambda: script.accepted == [1, 4, 5, 3])
    wait_until(lambda: [letter.row.n for letter in it.letters()] == [2])
    assert letters.retry() == 1
    letters.close()
    wait_until(lambda: script.accepted == [1, 4, 5, 3, 2])
    wait_until(lambda: it.letters() == [])
    wait_until(lambda: it.report().dead_letters == 0)
    assert it.report().alarm == ""


def test_a_letter_that_is_refused_again_stays_and_is_not_tried_by_itself(
    setup, drafts, draft, wait_until
):
    script = Script(lambda message: PAYLOAD_INVALID if message.n == 2 else 0)
    it = setup(script, entries=drafts(3))
    wait_until(lambda: it.delivered() == 3)
    letters = Letters(it.settings.letters)
    letters.retry()
    letters.close()
    wait_until(lambda: it.letters()[0].attempts == 2)
    assert it.letters()[0].state == "held"
    it.store.append([draft()])
    it.wake()
    wait_until(lambda: it.delivered() == 4)
    assert numbers(script.seen) == [1, 2, 3, 2, 4]


def test_a_letter_that_was_due_when_the_connection_ended_is_sent_on_the_next(
    setup, drafts, wait_until
):
    """It waits for what is in flight; if that never comes, it must not be forgotten."""
    reached = threading.Event()

    def holding(session):
        session.take_connect()
        session.accept()
        held = [session.published() for _ in range(3)]
        session.acknowledge(held[0])
        session.acknowledge(held[1], TOPIC_INVALID)
        letters = Letters(it.settings.letters)
        end = time.monotonic() + 10
        while not letters.retry() and time.monotonic() < end:
            pass
        letters.close()
        # Long enough for it to be noticed as due; what comes meanwhile may be a state.
        end = time.monotonic() + 1.2
        with contextlib.suppress(TimeoutError):
            while time.monotonic() < end:
                assert session.published(max(0.01, end - time.monotonic())).n is None
        reached.set()

    script = Script()
    gate = threading.Event()

    def first(session):
        gate.wait(60)
        holding(session)

    it = setup(first, script, entries=drafts(2))
    gate.set()
    assert reached.wait(60)
    wait_until(lambda: sorted(script.accepted) == [1, 2])
    wait_until(lambda: it.letters() == [])


def test_not_authorised_pauses_says_so_asks_seldom_and_goes_on_in_order(setup, drafts, wait_until):
    allowed = threading.Event()
    script = Script(lambda message: NOT_AUTHORISED if message.n and not allowed.is_set() else 0)
    it = setup(script, entries=drafts(60), retry_s=0.3)
    wait_until(lambda: it.report().paused)
    assert "does not let us publish to benchtally/v1/sawmill/bench-1/reading" in it.report().paused
    assert it.report().alarm == it.report().paused
    wait_until(lambda: any("paused" in state for state in script.states()))
    wait_until(lambda: numbers(script.seen).count(1) >= 3)
    tried = numbers(script.seen)
    first = tried.index(1, 1)
    assert tried[:first] == list(range(1, first + 1))
    assert first <= 20, "what was in flight in one window"
    assert set(tried[first:]) == {1}, "after that one message at a time, always the same"
    assert it.letters() == []
    assert it.delivered() == 0
    allowed.set()
    wait_until(lambda: it.delivered() == 60)
    assert script.accepted == list(range(1, 61))
    wait_until(lambda: not it.report().paused)
    wait_until(
        lambda: script.states()[-1]["state"] == "online" and "paused" not in script.states()[-1]
    )
    assert len(it.broker.sessions) == 1


def test_a_stop_during_a_pause_says_goodbye_and_loses_nothing(setup, drafts, wait_until):
    script = Script(lambda message: NOT_AUTHORISED if message.n else 0)
    it = setup(script, entries=drafts(3), retry_s=60)
    wait_until(lambda: it.report().paused)
    it.stop()
    assert not it.thread.is_alive()
    assert script.states()[-1]["state"] == "offline"
    assert it.settings.cursor.read_text().endswith('"delivered": 0}')


def test_a_state_that_is_refused_holds_no_reading_up(setup, drafts, wait_until):
    script = Script(lambda message: 0 if message.n else NOT_AUTHORISED)
    it = setup(script, entries=drafts(5))
    wait_until(lambda: it.delivered() == 5)
    assert script.accepted == [1, 2, 3, 4, 5]
    assert not it.report().paused
    wait_until(lambda: it.report().refused >= 1)


def test_no_room_at_the_broker_is_waited_for_however_long(setup, drafts, wait_until):
    """0x97 says nothing about the message: after many refusals it is still not set aside."""
    refusals = []

    def judge(message):
        if message.n == 2 and len(refusals) < 7:
            refusals.append(message)
            return QUOTA_EXCEEDED
        return 0

    script = Script(judge)
    it = setup(script, entries=drafts(3))
    it.pump._delay = 0.01
    wait_until(lambda: it.delivered() == 3, 40)
    assert len(refusals) == 7
    assert it.letters() == []
    assert len(it.broker.sessions) == 8


def test_a_refusal_without_a_cause_is_blamed_on_the_message_when_others_pass(
    setup, drafts, wait_until
):
    script = Script(lambda message: UNSPECIFIED if message.n == 2 else 0)
    it = setup(script, entries=drafts(4))
    wait_until(lambda: it.delivered() == 4, 30)
    (letter,) = it.letters()
    assert (letter.row.n, letter.code) == (2, UNSPECIFIED)
    assert numbers(script.seen).count(2) == 5


def test_a_refusal_without_a_cause_of_everything_is_blamed_on_no_message(setup, drafts, wait_until):
    script = Script(lambda message: UNSPECIFIED if message.n else 0)
    it = setup(script, entries=drafts(1))
    wait_until(lambda: numbers(script.seen).count(1) >= 6, 30)
    assert it.letters() == []
    assert it.delivered() == 0


def test_where_too_many_are_refused_delivery_pauses_instead_of_setting_all_aside(
    setup, drafts, wait_until
):
    script = Script(lambda message: TOPIC_INVALID if message.n and message.n > 2 else 0)
    it = setup(script, entries=drafts(20), dead_letters=3, window=5)
    wait_until(lambda: it.report().paused)
    assert "list of dead letters is full (3)" in it.report().paused
    assert [letter.row.n for letter in it.letters()] == [3, 4, 5]
    wait_until(lambda: it.delivered() == 5)
    wait_until(lambda: numbers(script.seen).count(6) >= 3)
    assert it.delivered() == 5


def test_an_entry_larger_than_the_broker_takes_is_not_even_sent(setup, drafts, draft, wait_until):
    """MQTT 5.0 §3.2.2.3.6: a client must not send a packet larger than Maximum Packet Size."""
    largest = 1500
    script = Script(properties=bytes([MAXIMUM_PACKET_SIZE]) + largest.to_bytes(4, "big"))
    big = draft(conditions={f"note-{n}": "x" * 190 for n in range(8)})
    it = setup(script, entries=[*drafts(2), big, *drafts(2)])
    wait_until(lambda: it.delivered() == 5)
    assert numbers(script.seen) == [1, 2, 4, 5]
    (letter,) = it.letters()
    assert (letter.row.n, letter.code) == (3, PACKET_TOO_LARGE)
    assert f"the broker takes packets of {largest} only" in letter.reason


def disconnecting(seen, at, code):
    """A broker that says DISCONNECT with a code, or just hangs up, when it meets a message."""

    def script(session):
        session.take_connect()
        session.accept()
        while True:
            message = session.published()
            seen.append(message)
            if message.n == at:
                if code is None:
                    raise HungUp
                session.disconnect(code)
            session.acknowledge(message)

    return script


@pytest.mark.parametrize("code", [PACKET_TOO_LARGE, PAYLOAD_INVALID])
def test_a_broker_that_ends_the_connection_over_a_message_is_asked_one_by_one(
    setup, drafts, wait_until, code
):
    seen = []
    it = setup(disconnecting(seen, 4, code), entries=drafts(30))
    wait_until(lambda: it.delivered() == 30, 20)
    (letter,) = it.letters()
    assert (letter.row.n, letter.code) == (4, code)
    assert len(it.broker.sessions) == 3, "once to learn of it, once to find it, once to go on"
    assert set(numbers(seen)) == set(range(1, 31))


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_a_broker_that_just_hangs_up_at_a_message_is_found_out(setup, drafts, wait_until, version):
    seen = []
    it = setup(disconnecting(seen, 4, None), entries=drafts(12), version=version)
    wait_until(lambda: it.delivered() == 12, 40)
    (letter,) = it.letters()
    assert letter.row.n == 4
    assert "ended the connection over it" in letter.reason


def test_a_network_that_drops_at_random_places_gets_nothing_set_aside(setup, drafts, wait_until):
    """Many losses, but never again and again at the same entry: nobody is to blame."""
    seen, drops = [], [3, 3, 8, 9, 9, 15, 21, 22, 22, 23]

    def script(session):
        session.take_connect()
        session.accept()
        while True:
            message = session.published()
            seen.append(message)
            if drops and message.n == drops[0]:
                drops.pop(0)
                raise HungUp
            session.acknowledge(message)

    it = setup(script, entries=drafts(30))
    wait_until(lambda: it.delivered() == 30, 40)
    assert it.letters() == []


def test_after_a_reconnection_the_backlog_does_not_flood_the_broker(setup, drafts, wait_until):
    """No more than Receive Maximum unacknowledged on any connection, however much waits."""
    most = []

    def script(session):
        session.take_connect()
        session.accept(properties=bytes([RECEIVE_MAXIMUM, 0, 7]))
        held = [session.published() for _ in range(7)]
        session.nothing_more_comes(0.2)
        most.append(len(held))
        for message in held[:3]:
            session.acknowledge(message)

    seen = []

    def healthy(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    it = setup(script, script, script, healthy, entries=drafts(200))
    wait_until(lambda: it.delivered() == 200)
    assert most == [7, 7, 7]
    assert numbers(seen) == list(range(numbers(seen)[0], 201))


def test_a_broker_without_retained_messages_gets_none(setup, drafts, wait_until):
    """MQTT 5.0 §3.2.2.3.5: it would end the connection over one."""
    script = Script(properties=bytes([RETAIN_AVAILABLE, 0]))
    it = setup(script, entries=drafts(2))
    wait_until(lambda: it.delivered() == 2)
    assert not any(message.retained for message in script.seen)


def test_a_broker_that_confirms_nothing_is_given_nothing(setup, drafts, wait_until):
    script = Script(properties=bytes([MAXIMUM_QOS, 0]))
    it = setup(script, entries=drafts(2))
    wait_until(lambda: any("QoS 0 only" in report.reason for report in it.reports))
    assert script.seen == []
    assert it.delivered() == 0


def test_an_exception_in_a_callback_costs_one_connection_and_nothing_else(
    setup, drafts, wait_until, monkeypatch
):
    original, failures = Connection._on_publish, []

    def failing(self, client, data, mid, reason, properties):
        if not failures:
            failures.append(mid)
            raise RuntimeError("a fault in a callback")
        original(self, client, data, mid, reason, properties)

    monkeypatch.setattr(Connection, "_on_publish", failing)
    script = Script()
    it = setup(script, entries=drafts(30))
    wait_until(lambda: it.delivered() == 30)
    assert failures
    assert len(it.broker.sessions) == 2
    assert it.thread.is_alive()


def test_offline_nothing_is_handed_to_paho_that_it_would_send_later(drafts):
    """paho keeps what is published without a connection, and sends it after the next one."""
    connection = Connection(
        host="127.0.0.1",
        port=1,
        version="5",
        client_id="x",
        keepalive_s=20,
        will_topic="t",
        will=b"",
    )
    with pytest.raises(Exception, match="has not accepted us yet"):
        connection.publish("t", b"x")
    connection.accepted = True
    connection.over = "gone"
    with pytest.raises(Exception, match="gone"):
        connection.publish("t", b"x")
    assert not connection._client._out_messages


def test_readings_that_nobody_hears_are_counted_and_told(setup, drafts, draft, wait_until):
    """0x10 is a success code: the broker took the message and had nobody to give it to."""
    heard = threading.Event()
    script = Script(lambda message: NO_SUBSCRIBERS if message.n and not heard.is_set() else 0)
    it = setup(script, entries=drafts(5))
    wait_until(lambda: it.report().nobody_listens and it.report().unheard == 5)
    wait_until(
        lambda: any(
            state.get("nobody_listens") and state["unheard"] == 5 for state in script.states()
        )
    )
    assert it.delivered() == 5


@pytest.mark.parametrize(
    ("code", "action"),
    [
        (0x80, Action.DOUBT),
        (0x83, Action.DOUBT),
        (0x87, Action.PAUSE),
        (0x90, Action.SET_ASIDE),
        (0x91, Action.LATER),
        (0x95, Action.SET_ASIDE),
        (0x97, Action.LATER),
        (0x99, Action.SET_ASIDE),
        (0xA2, Action.DOUBT),
    ],
)
def test_each_reason_has_its_consequence(code, action):
    """Every failure code of PUBACK (MQTT 5.0 §3.4.2.1), 0x95, and an unknown one."""
    assert action_for(code) is action
