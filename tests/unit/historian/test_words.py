"""What benches say of themselves: as the bench writes it, and as a stranger might."""

import json
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.historian.intake import UnfitMessage
from capture.historian.words import DoneWord, ListWord, StateWord, word_of
from capture.journal import JournalReader, Store
from capture.publish.report import Report
from capture.publish.resend import Resender
from capture.publish.topics import bench_state

ROOT = "benchtally/v1/sawmill/bench-1"
JOURNAL = "01990000-0000-7000-8000-000000000001"
NOON = datetime(2026, 1, 5, 12, tzinfo=UTC)
LIST = {
    "schema_version": 1, "request": "r-1", "journal": JOURNAL, "begins_after": 0, "after": 0,
    "after_hash": "00" * 32, "reached": 9, "reached_hash": "7f" * 32,
    "entries": [[3, "tag", JOURNAL], [5, "record", JOURNAL]], "sequences": {"ohm-1": [1, 7]},
}  # fmt: skip


@pytest.mark.parametrize("state", ["online", "offline"])
def test_the_state_as_the_bench_writes_it(state):
    payload = bench_state(state, NOON, JOURNAL, (41, bytes(32)), Report(dead_letters=3))
    site, bench, word = word_of(f"{ROOT}/state", payload)
    assert (site, bench) == ("sawmill", "bench-1")
    assert isinstance(word, StateWord)
    assert (word.state, str(word.journal), word.head.n, word.dead_letters) == (
        state,
        JOURNAL,
        41,
        3,
    )


def test_the_will_has_no_head():
    _, _, word = word_of(f"{ROOT}/state", bench_state("offline", NOON, JOURNAL))
    assert word.head is None


def test_answers_as_the_bench_writes_them(tmp_path, drafts):
    store = Store(tmp_path / "j")
    store.append(drafts(3))
    reader = JournalReader(tmp_path / "j")
    resender = Resender(reader, 0.0)
    try:
        for asked in (
            {"id": "a", "list_after": 0},
            {"id": "b", "instrument": "ohm-1", "first": 2, "last": 3},
            {"id": "c", "first_entry": 1, "last_entry": 3},
        ):
            resender.take(json.dumps(asked).encode(), retained=False, now=0.0)
        while resender.next_row(3):
            pass
        words = [word_of(f"{ROOT}/resent", resender.next_answer())[2] for _ in range(3)]
    finally:
        reader.close()
        store.close()
    listed, readings, entries = words
    assert isinstance(listed, ListWord)
    assert (listed.request, listed.reached, listed.sequences) == ("a", 3, {"ohm-1": (1, 3)})
    assert isinstance(readings, DoneWord)
    assert (readings.instrument, readings.first, readings.last, readings.sent) == ("ohm-1", 2, 3, 2)
    assert isinstance(entries, DoneWord)
    assert (entries.instrument, entries.sent) == (None, 0)


def test_an_instrument_called_entries_makes_no_list():
    said = {"schema_version": 1, "request": "x", "instrument": "entries", "first": 1, "last": 2}
    _, _, word = word_of(f"{ROOT}/resent", json.dumps(said | {"sent": 2}).encode())
    assert isinstance(word, DoneWord)


@pytest.mark.parametrize("topic", [f"{ROOT}/reading/ohm-1/resistance", "state", f"{ROOT}/resend"])
def test_other_topics_are_not_its_business(topic):
    assert word_of(topic, b"{}") is None


BAD = {
    "entries in another order": {"entries": [[5, "tag", JOURNAL], [3, "tag", JOURNAL]]},
    "an entry twice": {"entries": [[3, "tag", JOURNAL], [3, "tag", JOURNAL]]},
    "an entry before what was asked": {"after": 3},
    "an entry that was cut off": {"begins_after": 3},
    "an entry behind the end": {"reached": 4},
    "a kind that is not listed": {"entries": [[3, "reading", JOURNAL]]},
    "an id that is none": {"entries": [[3, "tag", "x"]]},
    "a number that is none": {"entries": [["3", "tag", JOURNAL]]},
    "more than a list holds": {"entries": [[n, "tag", JOURNAL] for n in range(1, 502)], "reached": 999},
    "a number past what adds up": {"reached": 1 << 63},
    "a hash that is none": {"after_hash": "7F" * 32},
    "an instrument that is none": {"sequences": {"../x": [1, 2]}},
    "another version": {"schema_version": 2},
}  # fmt: skip


@pytest.mark.parametrize("change", BAD.values(), ids=BAD)
def test_a_list_that_does_not_hold_together_is_refused(change):
    with pytest.raises(UnfitMessage):
        word_of(f"{ROOT}/resent", json.dumps(LIST | change).encode())


def test_the_list_itself_is_taken():
    assert word_of(f"{ROOT}/resent", json.dumps(LIST).encode())[2].reached == 9


@pytest.mark.parametrize("site", ["", "SAWMILL", "a b", "a\x1b[31m"])
def test_a_topic_that_no_bench_has_is_refused(site):
    with pytest.raises(UnfitMessage):
        word_of(f"benchtally/v1/{site}/bench-1/state", bench_state("online", NOON, JOURNAL))


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)  # fmt: skip


@given(st.sampled_from(["state", "resent"]), st.sampled_from([*LIST]), _JSON)
def test_whatever_stands_in_a_member_it_is_taken_or_refused_in_words(kind, member, value):
    payload = json.dumps(LIST | {"state": "online", "sent": 0, member: value}).encode()
    try:
        found = word_of(f"{ROOT}/{kind}", payload)
    except UnfitMessage as error:
        assert str(error)
        return
    assert found is not None
    assert found[:2] == ("sawmill", "bench-1")


@given(st.binary(max_size=60))
def test_bytes_that_are_nothing_are_refused_in_words(payload):
    for kind in ("state", "resent"):
        with pytest.raises(UnfitMessage):
            word_of(f"{ROOT}/{kind}", payload)
