"""Delivery over the life of a connection, against a broker that does what a test tells it."""

import json
import socket
import threading
import time

import pytest
from scripted import (
    NO_SUBSCRIBERS,
    NOT_AUTHORISED,
    QUOTA_EXCEEDED,
    RECEIVE_MAXIMUM,
    UNSUPPORTED_VERSION,
    Setup,
    numbers,
)

from capture.journal import JournalReader, Store


def test_everything_is_delivered_in_order_between_online_and_offline(setup, drafts, wait_until):
    seen = []

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    it = setup(script, entries=drafts(50))
    wait_until(lambda: it.delivered() == 50)
    it.stop()
    assert numbers(seen) == list(range(1, 51))
    assert json.loads(seen[0].payload)["state"] == "online"
    assert json.loads(seen[-1].payload)["state"] == "offline"
    assert seen[0].retained
    assert seen[-1].retained
    assert not any(message.retained for message in seen[1:-1])
    session = it.broker.sessions[0]
    assert (session.level, session.client_id, session.clean) == (5, "benchtally-test", True)
    topic, will, qos, retained = session.will
    assert (topic, will["state"], qos, retained) == (
        "benchtally/v1/sawmill/bench-1/state",
        "offline",
        1,
        True,
    )


def test_the_published_bytes_are_the_stored_bytes(setup, drafts, wait_until):
    seen = []

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    it = setup(script, entries=drafts(3))
    wait_until(lambda: it.delivered() == 3)
    reader = JournalReader(it.path)
    bodies = [row.body for row in reader.after(0, 10)]
    reader.close()
    assert [message.payload for message in seen if "/reading/" in message.topic] == bodies


@pytest.mark.parametrize(("maximum", "window", "most"), [(3, 20, 3), (1, 20, 1), (None, 5, 5)])
def test_no_more_is_in_flight_than_the_broker_and_we_allow(
    setup, drafts, wait_until, maximum, window, most
):
    """MQTT 5.0 §3.2.2.3.3: a client must not have more unacknowledged than Receive Maximum."""
    seen = []

    def script(session):
        session.take_connect()
        properties = b"" if maximum is None else bytes([RECEIVE_MAXIMUM, 0, maximum])
        session.accept(properties=properties)
        held = [session.published() for _ in range(most)]
        session.nothing_more_comes()
        while held:
            message = held.pop(0)
            seen.append(message)
            session.acknowledge(message)
            if len(seen) + len(held) < 13:  # the bench's state and twelve readings
                held.append(session.published())
        session.until_goodbye(seen)

    it = setup(script, entries=drafts(12), window=window)
    wait_until(lambda: it.delivered() == 12)
    it.stop()
    assert numbers(seen) == list(range(1, 13))


def test_a_refused_message_is_not_delivered_and_is_sent_again(setup, drafts, wait_until):
    """A PUBACK with a reason code of 0x80 or more says no (MQTT 5.0 §3.4.2.1)."""
    first, second = [], []
    asked = threading.Event()

    def refusing(session):
        session.take_connect()
        session.accept()
        while True:
            message = session.published()
            first.append(message)
            refuse = message.n == 3
            if refuse:
                asked.set()
            session.acknowledge(message, QUOTA_EXCEEDED if refuse else 0)

    def healthy(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(second)

    it = setup(refusing, healthy, entries=drafts(6))
    assert asked.wait(60)
    wait_until(lambda: it.delivered() == 6)
    assert numbers(second) == [3, 4, 5, 6]
    refused = [message.payload for message in first if message.n == 3]
    again = [message.payload for message in second if message.n == 3]
    assert again[:1] == refused[:1]
    assert any("refused a message" in report.reason for report in it.reports)
    assert max(report.refused for report in it.reports) == 1


def test_after_a_loss_everything_unacknowledged_is_sent_again_in_order(setup, drafts, wait_until):
    """Acknowledged out of order: entry 2 stays open, so the re-sending begins there."""
    first, second = [], []

    def losing(session):
        session.take_connect()
        session.accept()
        session.acknowledge(session.published())
        first.extend(session.published() for _ in range(6))
        for message in first:
            if message.n in (1, 3, 5):
                session.acknowledge(message)
        session.nothing_more_comes(0.3)

    def healthy(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(second)

    it = setup(losing, healthy, entries=drafts(6))
    wait_until(lambda: it.delivered() == 6)
    assert numbers(first) == [1, 2, 3, 4, 5, 6]
    assert numbers(second) == [2, 3, 4, 5, 6]
    assert not any(message.duplicate for message in second), "a new session knows no duplicates"


def test_entries_that_come_later_are_delivered_without_a_new_connection(
    setup, drafts, draft, wait_until
):
    seen = []

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    it = setup(script, entries=drafts(2))
    wait_until(lambda: it.delivered() == 2)
    it.store.append([draft()])
    it.wake()
    wait_until(lambda: it.delivered() == 3)
    it.store.append([draft()])  # as another process does: nobody says so
    wait_until(lambda: it.delivered() == 4)
    assert numbers(seen) == [1, 2, 3, 4]
    assert len(it.broker.sessions) == 1


def old_broker_says_no(session):
    """A broker of 3.1.1 answers an unknown level with return code 1 (MQTT 3.1.1 §3.1.2.2)."""
    session.take_connect()
    session.connection.sendall(b"\x20\x02\x00\x01")


def new_broker_says_no(session):
    session.take_connect()
    session.accept(code=UNSUPPORTED_VERSION)


def broker_hangs_up(session):
    session.take_connect()


@pytest.mark.parametrize("refusal", [old_broker_says_no, new_broker_says_no, broker_hangs_up])
def test_a_broker_without_mqtt_5_is_spoken_to_in_3_1_1(setup, drafts, wait_until, refusal):
    seen = []

    def older(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    began = time.monotonic()
    it = setup(refusal, older, entries=drafts(4))
    wait_until(lambda: it.delivered() == 4)
    assert time.monotonic() - began < 5
    assert levels(it) == [5, 4]
    assert numbers(seen) == [1, 2, 3, 4]
    wait_until(lambda: any(report.version == "3.1.1" for report in it.reports))


def test_where_5_is_asked_for_there_is_no_falling_back(setup, drafts, wait_until):
    it = setup(broker_hangs_up, entries=drafts(1), version="5")
    wait_until(lambda: len(levels(it)) >= 2)
    assert set(levels(it)) == {5}
    assert it.delivered() == 0
    assert any(
        "hung up before it accepted us; perhaps it wants TLS: give its section tls" in report.reason
        for report in it.reports
    )


def levels(it):
    """The protocol levels asked for so far, in order; a connection whose CONNECT is not read yet
    does not count."""
    return [session.level for session in it.broker.sessions if session.level]


def test_where_neither_version_is_taken_both_are_tried_in_turn(setup, drafts, wait_until):
    it = setup(broker_hangs_up, entries=drafts(1))
    wait_until(lambda: len(levels(it)) >= 4)
    assert levels(it)[:4] == [5, 4, 5, 4]
    assert not any(report.connected for report in it.reports)


def test_a_refusal_for_another_reason_is_told_and_not_taken_for_the_version(
    setup, drafts, wait_until
):
    def refuse(session):
        session.take_connect()
        session.accept(code=NOT_AUTHORISED)

    it = setup(refuse, entries=drafts(1))
    wait_until(lambda: len(levels(it)) >= 2)
    assert set(levels(it)) == {5}
    wait_until(lambda: any("Not authorized" in report.reason for report in it.reports))


def test_nothing_is_published_before_the_broker_has_accepted_us(setup, drafts):
    checked = threading.Event()

    def slow(session):
        session.take_connect()
        session.nothing_more_comes(0.5)
        checked.set()
        session.accept()
        session.until_goodbye([])

    setup(slow, entries=drafts(3))
    assert checked.wait(60)


def test_a_broker_that_says_nobody_listens_is_believed_and_the_entry_delivered(
    setup, drafts, wait_until
):
    """Reason code 0x10 is a success (MQTT 5.0 §3.4.2.1)."""

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye([], code=NO_SUBSCRIBERS)

    it = setup(script, entries=drafts(3))
    wait_until(lambda: it.delivered() == 3)
    wait_until(lambda: any(report.nobody_listens for report in it.reports))


@pytest.mark.parametrize(
    "garbage", [b"\xff" * 40, b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\x20\x7f", b"\x40\x02\x00\x01"]
)
def test_a_peer_that_is_no_broker_does_no_harm(setup, drafts, wait_until, garbage):
    seen = []

    def nonsense(session):
        session.take_connect()
        session.connection.sendall(garbage)

    def healthy(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    it = setup(nonsense, nonsense, healthy, entries=drafts(2))
    wait_until(lambda: it.delivered() == 2)
    assert numbers(seen) == [1, 2]


def test_without_a_broker_the_reason_is_told_and_a_stop_ends_it(tmp_path, drafts, wait_until):
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        port = bound.getsockname()[1]
    it = Setup(tmp_path, port)
    it.store.append(drafts(1))
    it.thread.start()
    wait_until(lambda: it.reports)
    assert "Connection refused" in it.reports[0].reason
    wait_until(lambda: it.reports[-1].backlog == 1)
    it.stop()
    assert not it.thread.is_alive()


def test_a_cursor_beyond_the_journal_is_brought_back(setup, drafts, tmp_path, wait_until):
    """The journal was put back from a copy: what comes now must not be passed over."""
    store = Store(tmp_path / "bench.journal")
    store.close()
    reader = JournalReader(tmp_path / "bench.journal")
    text = json.dumps({"journal": reader.journal_id, "delivered": 900})
    reader.close()
    (tmp_path / "cursor").write_text(text)
    seen = []

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    it = setup(script)
    wait_until(lambda: seen)
    it.store.append(drafts(2))
    wait_until(lambda: it.delivered() == 2)
    assert numbers(seen) == [1, 2]


def test_the_state_carries_the_journals_head(setup, drafts, wait_until):
    seen = []

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    it = setup(script, entries=drafts(5))
    wait_until(lambda: it.delivered() == 5)
    it.stop()
    reader = JournalReader(it.path)
    n, head = reader.head()
    reader.close()
    states = [json.loads(each.payload) for each in seen if each.topic.endswith("/state")]
    assert [each["state"] for each in states] == ["online", "offline"]
    assert all(each["head"] == {"n": 5, "hash": head.hex()} for each in states)
    assert (n, "head" in it.broker.sessions[0].will[1]) == (5, False)


def test_the_head_is_told_anew_when_it_moved_and_only_then(setup, drafts, wait_until, monkeypatch):
    monkeypatch.setattr("capture.publish.sender._HEAD_EVERY", 0.05)
    seen = []

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    def heads():
        states = [json.loads(each.payload) for each in seen if each.topic.endswith("/state")]
        return [each["head"]["n"] for each in states]

    it = setup(script, entries=drafts(1))
    wait_until(lambda: heads() == [1])
    it.store.append(drafts(1))
    it.wake()
    wait_until(lambda: heads() == [1, 2])
    wait_until(lambda: it.delivered() == 2)
    it.store.append(drafts(1))
    it.wake()
    wait_until(lambda: heads() == [1, 2, 3])
    it.stop()
    assert heads() == [1, 2, 3, 3], "the last is the goodbye"
    assert all(each.retained for each in seen if each.topic.endswith("/state"))


def test_delivery_goes_on_where_its_place_cannot_be_saved(setup, drafts, wait_until, tmp_path):
    """On a full disk: one connection, everything once, and the place is saved when it can be."""
    seen = []

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    in_the_way = tmp_path / "cursor.new"
    in_the_way.mkdir()
    it = setup(script, entries=drafts(30))
    wait_until(lambda: it.report().delivered == 30)
    assert not it.settings.cursor.exists()
    in_the_way.rmdir()
    wait_until(lambda: it.delivered() == 30)
    it.stop()
    assert numbers(seen) == list(range(1, 31))
    assert not [report.reason for report in it.reports if report.reason]
