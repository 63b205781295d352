"""Readings sent again on request: the same ids and bytes, bounded, and hostile requests refused."""

import contextlib
import json
import queue
import threading
import uuid

import pytest
from scripted import numbers

from capture.errors import InputError
from capture.journal import JournalReader, Store
from capture.model import Tag, new_id
from capture.model.machine import MachineEntry, Nameplate
from capture.publish.resend import LARGEST_BODY, LONGEST_LIST, LONGEST_RANGE, Resender, read_request

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
    b'{"id": "x", "list_after": -1}',
    b'{"id": "x", "list_after": 1.5}',
    b'{"id": "x", "list_after": "1"}',
    b'{"id": "x", "list_after": 9223372036854775808}',
    b'{"list_after": 1}',
    b'{"id": "x", "first_entry": 1}',
    b'{"id": "x", "first_entry": 0, "last_entry": 1}',
    b'{"id": "x", "first_entry": 2, "last_entry": 1}',
    b'{"id": "x", "last_entry": 1}',
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


# ── what is published besides readings ───────────────────────────────────────────────────────────


def tag_of(reading):
    return Tag(
        id=new_id(), site="sawmill", bench="bench-1", instrument="ohm-1", reading=reading.id,
        time=reading.time, operator="technician", machine="FAN-07",
    )  # fmt: skip


def machine_at(time):
    return MachineEntry(
        id=new_id(), site="sawmill", bench="bench-1", time=time, operator="technician",
        machine="FAN-07", nameplate=Nameplate(),
    )  # fmt: skip


@pytest.fixture
def mixed(tmp_path, drafts):
    """A journal: 3 readings (1-3), a machine (4), 2 tags (5, 6), 2 readings (7, 8), 600 tags (9-608)."""
    store = Store(tmp_path / "j")
    readings = drafts(5)
    store.append(readings[:3])
    store.append([machine_at(readings[0].time)])
    store.append([tag_of(readings[0]), tag_of(readings[1])])
    store.append(readings[3:])
    store.append([tag_of(readings[0]) for _ in range(600)])
    reader = JournalReader(tmp_path / "j")
    yield Resender(reader, 0.0), reader
    reader.close()
    store.close()


def listed(resender, after, delivered):
    request = {"id": f"list-{after}-{delivered}", "list_after": after}
    resender.take(json.dumps(request).encode(), retained=False, now=1000.0 * (after + delivered))
    assert rows(resender, delivered) == [], "a list sends nothing again"
    return json.loads(resender.next_answer())


def test_a_list_says_what_there_is_besides_readings_and_how_far_they_count(mixed):
    resender, reader = mixed
    said = listed(resender, 0, 8)
    assert [(n, kind) for n, kind, _ in said["entries"]] == [(5, "tag"), (6, "tag")]
    assert [id_ for _, _, id_ in said["entries"]] == [
        str(reader.entry(uuid.UUID(id_)).id) for _, _, id_ in said["entries"]
    ]
    assert said["sequences"] == {"ohm-1": [1, 5]}
    assert (said["begins_after"], said["after"], said["reached"]) == (0, 0, 8)
    assert said["journal"] == reader.journal_id
    assert said["after_hash"] == "00" * 32
    assert said["reached_hash"] == reader.hash_at(8).hex()


def test_what_is_not_delivered_yet_is_in_no_list(mixed):
    """It is on its way; and a reading that is, is none that could be missing."""
    said = listed(mixed[0], 0, 5)
    assert [n for n, _, _ in said["entries"]] == [5]
    assert said["reached"] == 5
    assert said["sequences"] == {"ohm-1": [1, 3]}


def test_a_long_list_goes_on_where_the_one_before_ended(mixed):
    resender, _ = mixed
    found, after = [], 0
    for _ in range(3):
        said = listed(resender, after, 608)
        assert len(said["entries"]) <= LONGEST_LIST
        found += [n for n, _, _ in said["entries"]]
        after = said["reached"]
        if "sequences" in said:
            break
    assert found == [5, 6, *range(9, 609)]
    assert after == 608
    assert said["sequences"] == {"ohm-1": [1, 5]}


def test_a_list_that_is_just_full_is_the_last_one(mixed):
    """Else nobody would ask for the one behind it, which says how far readings count."""
    said = listed(mixed[0], 8, 8 + LONGEST_LIST)
    assert len(said["entries"]) == LONGEST_LIST
    assert said["sequences"] == {"ohm-1": [1, 5]}
    assert "sequences" not in listed(mixed[0], 8, 9 + LONGEST_LIST)


def test_a_number_that_this_journal_has_not_has_no_hash(mixed):
    """A consumer that compared more than there is sees that it was another journal."""
    said = listed(mixed[0], 9000, 608)
    assert said["after_hash"] is None
    assert (said["entries"], said["reached"]) == ([], 608)


def test_entries_are_sent_again_by_their_numbers_and_no_others(mixed):
    resender, _ = mixed
    request = {"id": "r", "first_entry": 1, "last_entry": 60}
    resender.take(json.dumps(request).encode(), retained=False, now=0.0)
    assert rows(resender, delivered=50) == [5, 6, *range(9, 51)]
    assert json.loads(resender.next_answer()) == {
        "schema_version": 1, "request": "r", "first_entry": 1, "last_entry": 60, "sent": 44
    }  # fmt: skip


def test_a_request_for_entries_that_a_loss_broke_off_begins_again(mixed):
    resender, _ = mixed
    request = {"id": "r", "first_entry": 5, "last_entry": 60}
    resender.take(json.dumps(request).encode(), retained=False, now=0.0)
    assert [resender.next_row(608).n for _ in range(3)] == [5, 6, 9]
    resender.start_over()
    assert rows(resender, 608) == [5, 6, *range(9, 61)]
    assert json.loads(resender.next_answer())["sent"] == 54


def test_what_stands_on_the_list_of_dead_letters_is_not_counted_as_sent(resender):
    resender.take(request(), retained=False, now=0.0)
    assert resender.next_row(50).n == 3
    resender.left_out()
    assert rows(resender) == [4, 5]
    assert json.loads(resender.next_answer())["sent"] == 2


def test_lists_and_entries_come_over_a_connection(setup, drafts, wait_until):
    broker = Asking()
    readings = drafts(4)
    it = setup(broker, entries=[*readings, tag_of(readings[2])])
    wait_until(lambda: it.delivered() == 5)
    broker.to_give.put({"payload": b'{"id": "l", "list_after": 0}'})
    wait_until(broker.answers)
    assert [n for n, _, _ in broker.answers()[0]["entries"]] == [5]
    broker.to_give.put({"payload": b'{"id": "e", "first_entry": 5, "last_entry": 5}'})
    wait_until(lambda: len(broker.answers()) == 2)
    tags = [message.payload for message in broker.seen if "/tag/" in message.topic]
    assert len(tags) == 2
    assert tags[0] == tags[1]
    assert broker.answers()[1]["sent"] == 1
    assert it.delivered() == 5
