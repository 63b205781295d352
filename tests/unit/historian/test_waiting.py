"""What benches said and nobody could write down yet: bounded, the newest of each kept."""

from uuid import UUID

from hypothesis import given
from hypothesis import strategies as st

from capture.historian import waiting
from capture.historian.waiting import Waiting
from capture.historian.words import DoneWord, ListWord, StateWord

JOURNAL = UUID(int=1)


def state(number, bench="bench-1"):
    word = StateWord(schema_version=1, state="online", journal=JOURNAL, dead_letters=number)
    return "sawmill", bench, word


def listed(number, bench="bench-1"):
    word = ListWord(
        schema_version=1, request=str(number), journal=JOURNAL, begins_after=0, after=0,
        after_hash=None, reached=number, reached_hash=None, entries=[],
    )  # fmt: skip
    return "sawmill", bench, word


def done(number, bench="bench-1"):
    return "sawmill", bench, DoneWord(schema_version=1, sent=number)


def test_what_waits_comes_back_in_its_order_and_is_gone_from_there():
    waits = Waiting()
    assert waits.add([state(1), done(1), listed(1)]) == []
    assert waits.add([done(2), state(2, "bench-2")]) == []
    assert len(waits) == 5
    assert waits.take() == [state(1), done(1), listed(1), done(2), state(2, "bench-2")]
    assert len(waits) == 0
    assert waits.take() == []


def test_of_a_bench_the_last_state_and_the_last_list_wait():
    waits = Waiting()
    assert waits.add([state(1), listed(1), done(1), listed(2), state(2)]) == []
    assert waits.take() == [done(1), listed(2), state(2)]


def test_lists_are_few_as_each_may_be_as_large_as_a_packet():
    waits = Waiting()
    many = [listed(1, f"bench-{number}") for number in range(waiting._MOST_LISTS + 7)]
    assert waits.add(many) == many[:7]
    assert waits.take() == many[7:]


words = st.builds(
    lambda make, number, bench: make(number, f"bench-{bench}"),
    st.sampled_from([state, listed, done]),
    st.integers(0, 1000),
    st.integers(0, 9),
)


@given(st.lists(st.lists(words, max_size=20), max_size=20))
def test_however_much_is_said_so_much_waits_and_the_rest_is_given_back(batches):
    """None vanishes: each waits, was given back, or a newer word of its bench stands for it."""
    before = waiting._MOST_WORDS, waiting._MOST_LISTS
    waiting._MOST_WORDS, waiting._MOST_LISTS = 15, 4
    try:
        waits, given_back = Waiting(), 0
        for batch in batches:
            given_back += len(waits.add(batch))
            assert len(waits) <= 15
        left = waits.take()
    finally:
        waiting._MOST_WORDS, waiting._MOST_LISTS = before
    assert sum(isinstance(word, ListWord) for _, _, word in left) <= 4
    said = [each for batch in batches for each in batch]
    all_done = [each for each in said if isinstance(each[2], DoneWord)]
    left_done = [each for each in left if isinstance(each[2], DoneWord)]
    # In the order in which they were said, without the first of them.
    assert left_done == all_done[len(all_done) - len(left_done) :]
    assert given_back >= len(all_done) - len(left_done)
    if said and isinstance(said[-1][2], StateWord):
        assert left[-1] == said[-1]
