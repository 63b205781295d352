"""Readings sent again on request: the same ids and bytes, bounded, and hostile requests refused."""

import contextlib
import json
import queue
import threading

import pytest
from scripted import numbers

from capture.errors import InputError
from capture.journal import JournalReader, Store
from capture.publish.resend import LARGEST_BODY, LONGEST_RANGE, Resender, read_request

ROOT = "benchtally/v1/sawmill/bench-1"


def request(**members):
    given = {"id": "r-1", "instrument": "ohm-1", "first": 3, "last": 5}
    return json.dumps(given | members).encode()


class Asking:
    """A broker that answers everything, and hands the client what the test puts into it."""

    def __init__(self):
        self.seen = []
        self.to_give = queue.Queue()
        self.answering = threading.Event()
        self.answering.set()

    def __call__(self, session):
        session.take_connect()
        session.accept()
        while True:
            while not self.to_give.empty():
                assert session.subscribed.is_set()
                session.give(f"{ROOT}/resend", **self.to_give.get())
            try:
                message = session.published(0.1)
            except TimeoutError:
                continue
            self.seen.append(message)
            held = [message]
            while not self.answering.is_set():
                with contextlib.suppress(TimeoutError):
                    held.append(session.published(0.1))
                    self.seen.append(held[-1])
            for each in held:
                session.acknowledge(each)

    def answers(self):
        return [
            json.loads(message.payload) for message in self.seen if message.topic.endswith("resent")
        ]


def test_the_readings_asked_for_come_again_with_the_same_bytes(setup, drafts, wait_until):
    broker = Asking()
    it = setup(broker, entries=drafts(8))
    wait_until(lambda: it.delivered() == 8)
    broker.to_give.put({"payload": request()})
    wait_until(broker.answers)
    assert numbers(broker.seen) == [*range(1, 9), 3, 4, 5]
    payloads = {message.n: message.payload for message in broker.seen[:9]}
    for message in broker.seen[-4:-1]:
        assert message.payload == payloads[message.n]
        assert not message.retained
    assert broker.answers() == [
        {"schema_version": 1, "request": "r-1", "instrument": "ohm-1", "first": 3, "last": 5, "sent": 3}
    ]  # fmt: skip
    assert it.delivered() == 8
    wait_until(lambda: it.report().resent == 3)


def test_the_bench_says_online_only_when_it_listens(setup, wait_until):
    """A consumer may ask as soon as it hears so."""
    listened = []

    def broker(session):
        session.take_connect()
        session.accept()
        first = session.published()
        listened.append((json.loads(first.payload)["state"], session.subscribed.is_set()))
        session.acknowledge(first)
        session.until_goodbye([])

    setup(broker, entries=[])
    wait_until(lambda: listened)
    assert listened == [("online", True)]


def test_what_is_not_there_is_told_by_the_count(setup, drafts, wait_until):
    broker = Asking()
    it = setup(broker, entries=drafts(4))
    wait_until(lambda: it.delivered() == 4)
    broker.to_give.put({"payload": request(first=3, last=900)})
    broker.to_give.put({"payload": request(id="r-2", instrument="never-seen")})
    wait_until(lambda: len(broker.answers()) == 2)
    assert [answer["sent"] for answer in broker.answers()] == [2, 0]


def test_what_was_asked_for_and_what_is_new_take_turns(setup, drafts, wait_until):
    broker = Asking()
    it = setup(broker, entries=drafts(100), window=4)
    wait_until(lambda: it.delivered() == 100)
    broker.answering.clear()
    broker.to_give.put({"payload": request(first=1, last=100)})
    wait_until(lambda: numbers(broker.seen)[100:] == [1, 2, 3, 4])
    it.store.append(drafts(20))
    it.wake()
    broker.answering.set()
    wait_until(broker.answers)
    wait_until(lambda: it.delivered() == 120)
    order = numbers(broker.seen)[100:]
    assert [n for n in order if n <= 100] == list(range(1, 101))
    assert [n for n in order if n > 100] == list(range(101, 121))
    assert order.index(120) < order.index(100), "the new ones did not wait for the old ones"


HOSTILE = [
    b"",
    b"{",
    b"null",
    b"[]",
    b"42",
    b'"x"',
    b"\xff\xfe\x00",
    b"[" * 1000,
    b"9" * 1000,
    request()[:-1],
    request() + b" " * LARGEST_BODY,
    request(id=""),
    request(id="a b"),
    request(id="\x1b[31m"),
    request(id="x" * 65),
    request(id=7),
    request(id=None),
    request(instrument="../x"),
    request(instrument="a/b"),
    request(instrument="+"),
    request(instrument=""),
    request(instrument=["ohm-1"]),
    request(instrument="'; DROP TABLE entries; --"),
    request(first=0),
    request(first=-1),
    request(first=1.5),
    request(first=True),
    request(first="1"),
    request(first=5, last=4),
    request(first=1, last=LONGEST_RANGE + 1),
    request(first=1, last=1 << 63),
    request(first=1 << 200, last=1 << 200),
    b'{"id": "x", "instrument": "ohm-1", "first": NaN, "last": Infinity}',
    b'{"instrument": "ohm-1", "first": 1, "last": 2}',
]


@pytest.mark.parametrize("payload", HOSTILE)
def test_what_is_no_request_is_refused_in_words_of_our_own(payload):
    with pytest.raises(InputError) as caught:
        read_request(payload, retained=False)
    assert str(caught.value).isprintable()
    assert "DROP" not in str(caught.value)
    assert len(str(caught.value)) < 200


def test_a_retained_request_is_refused():
    """It would be delivered at each connection, for ever."""
    with pytest.raises(InputError, match="retained"):
        read_request(request(), retained=True)


def test_the_longest_range_is_taken():
    assert read_request(request(first=1, last=LONGEST_RANGE), retained=False).last == LONGEST_RANGE


def test_hostile_requests_are_counted_and_disturb_nothing(setup, drafts, wait_until):
    broker = Asking()
    it = setup(broker, entries=drafts(3))
    wait_until(lambda: it.delivered() == 3)
    for payload in HOSTILE:
        broker.to_give.put({"payload": payload})
    wait_until(lambda: it.report().requests_refused == len(HOSTILE))
    it.store.append(drafts(2))
    it.wake()
    wait_until(lambda: it.delivered() == 5)
    assert numbers(broker.seen) == [1, 2, 3, 4, 5]
    assert broker.answers() == []
    assert len(it.broker.sessions) == 1


@pytest.fixture
def resender(tmp_path, drafts):
    store = Store(tmp_path / "j")
    store.append(drafts(50))
    reader = JournalReader(tmp_path / "j")
    yield Resender(reader, 0.0)
    reader.close()
    store.close()


def rows(resender, delivered=50):
    found = []
    while (row := resender.next_row(delivered)) is not None:
        found.append(row.n)
    return found


def test_the_same_request_twice_is_served_once(resender):
    for _ in range(3):
        resender.take(request(), retained=False, now=0.0)
    assert rows(resender) == [3, 4, 5]


def test_entries_still_on_their_way_do_not_overtake(resender):
    resender.take(request(), retained=False, now=0.0)
    assert rows(resender, delivered=4) == [3, 4]


def test_more_requests_than_can_be_served_are_refused_and_told_so(resender):
    refused = 0
    for n in range(100):
        try:
            resender.take(request(id=f"r-{n}"), retained=False, now=0.0)
        except InputError:
            refused += 1
    assert refused == 92
    assert rows(resender) == [3, 4, 5] * 8
    resender.take(request(id="later"), retained=False, now=10.0)
    assert rows(resender) == [3, 4, 5]


def test_a_full_queue_is_answered(resender):
    for n in range(8):
        resender.take(request(id=f"r-{n}"), retained=False, now=0.0)
    with pytest.raises(InputError, match="too many requests wait"):
        resender.take(request(id="one-more"), retained=False, now=100.0)
    answer = json.loads(resender.next_answer())
    assert (answer["request"], answer["sent"]) == ("one-more", 0)
    assert "ask again" in answer["refused"]


def test_a_request_that_a_loss_broke_off_begins_again(resender):
    resender.take(request(first=1, last=10), retained=False, now=0.0)
    assert [resender.next_row(50).n for _ in range(4)] == [1, 2, 3, 4]
    resender.start_over()
    assert rows(resender) == list(range(1, 11))
    assert json.loads(resender.next_answer())["sent"] == 10
