"""UUIDv7 by RFC 9562."""

import os
import threading
import uuid

import pytest

from capture.model import ids
from capture.model.ids import new_id, uuid7_from


def test_the_layout_is_that_of_the_rfc_example():
    """RFC 9562, appendix A.6: 2022-02-22 14:22:22.00 GMT-05:00."""
    made = uuid7_from(0x017F22E279B0, 0xCC3, 0x18C4DC0C0C07398F)
    assert str(made).upper() == "017F22E2-79B0-7CC3-98C4-DC0C0C07398F"
    assert made.version == 7
    assert made.variant == uuid.RFC_4122


@pytest.mark.parametrize(
    "fields",
    [(1 << 48, 0, 0), (0, 1 << 12, 0), (0, 0, 1 << 62), (-1, 0, 0), (0, -1, 0), (0, 0, -1)],
)
def test_a_field_that_does_not_fit_is_refused(fields):
    with pytest.raises(ValueError, match="negative or too wide"):
        uuid7_from(*fields)


@pytest.mark.parametrize("fields", [(0, 0, 0), ((1 << 48) - 1, (1 << 12) - 1, (1 << 62) - 1)])
def test_the_extremes_of_every_field_fit(fields):
    made = uuid7_from(*fields)
    assert (made.version, made.variant) == (7, uuid.RFC_4122)


@pytest.fixture
def clock(monkeypatch):
    """Let the test say what time the host believes it is, in milliseconds."""

    class HostClock:
        milliseconds = 1_800_000_000_000

        def time_ns(self):
            return self.milliseconds * 1_000_000

    made = HostClock()
    monkeypatch.setattr(ids, "time", made)
    monkeypatch.setattr(ids, "_last", 0)
    return made


def stamp_of(made):
    return made.int >> 80


def test_an_id_carries_the_milliseconds_it_was_made_at(clock):
    assert stamp_of(new_id()) == clock.milliseconds


def test_ids_of_one_millisecond_sort_in_the_order_they_were_made(clock):
    made = [new_id() for _ in range(1000)]
    assert made == sorted(made)
    assert len(set(made)) == 1000


def test_more_ids_than_the_counter_holds_run_on_into_the_next_millisecond(clock):
    made = [new_id() for _ in range(5000)]
    assert made == sorted(made)
    assert len(set(made)) == 5000
    assert stamp_of(made[-1]) == clock.milliseconds + 1


def test_order_survives_a_clock_that_is_set_back(clock):
    before = [new_id() for _ in range(10)]
    clock.milliseconds -= 3_600_000
    after = [new_id() for _ in range(10)]
    assert [*before, *after] == sorted([*before, *after])
    clock.milliseconds += 7_200_000
    later = new_id()
    assert later > after[-1]
    assert stamp_of(later) == clock.milliseconds


def test_ids_of_many_threads_are_all_different():
    made = []

    def make():
        mine = [new_id() for _ in range(500)]
        assert mine == sorted(mine)
        made.extend(mine)

    threads = [threading.Thread(target=make) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(made)) == 2000


def test_the_random_part_is_not_repeated():
    assert len({new_id().int & ((1 << 62) - 1) for _ in range(200)}) == 200


def test_a_forked_child_does_not_hand_out_what_its_parent_does():
    new_id()  # random numbers are at hand
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.write(write, b"".join(new_id().bytes[8:] for _ in range(50)))
        os._exit(0)
    os.waitpid(child, 0)
    theirs = os.read(read, 50 * 8)
    ours = {new_id().bytes[8:] for _ in range(300)}
    assert len(theirs) == 400
    assert not ours & {theirs[at : at + 8] for at in range(0, 400, 8)}
    os.close(read)
    os.close(write)


def test_the_text_of_an_id_is_that_of_a_uuid():
    made = ids.new_id_bytes()
    assert ids.id_text(made) == str(uuid.UUID(bytes=made))
