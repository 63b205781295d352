"""Verification names the first entry that is not as it should be, and what differs."""

import hashlib
import json
import re
import sqlite3
import threading
import tracemalloc

import journal_entries as make
import pytest

from capture.errors import InputError, JournalError
from capture.filelock import FileLock
from capture.journal import Store
from capture.journal.rebuild import rebuild
from capture.journal.verify import Held, verify


@pytest.fixture
def filled(store, draft, drafts):
    """A journal with an entry of every kind and some more readings."""
    store.append(make.every_kind(draft))
    store.append(drafts(20))
    return store


def change(path, *statements):
    connection = sqlite3.connect(path)
    with connection:
        for statement in statements:
            connection.execute(*statement)
    connection.close()


def only_fault(path, *held):
    (fault,) = verify(path, held).faults
    return fault


def test_a_whole_journal_is_found_whole(filled, path, look, reader):
    found = verify(path)
    assert found.ok, found.faults
    entries = look.entries()
    assert (found.entries, found.first, found.last) == (33, 1, 33)
    # Worked out by the test itself, with hashlib alone.
    head = bytes(32)
    for *_, body, _ in entries:
        head = hashlib.sha256(head + body).digest()
    assert found.head == head
    assert reader.head() == (33, head)
    assert verify(path, deep=True).ok


def test_an_empty_journal_is_whole(store, path, reader):
    found = verify(path)
    assert (found.ok, found.entries, found.head) == (True, 0, bytes(32))
    assert reader.head() == (0, bytes(32))


def test_there_must_be_a_journal(path):
    with pytest.raises(JournalError, match="no journal yet"):
        verify(path)
    assert not path.exists()


def test_a_changed_content_is_named(filled, path):
    change(
        path,
        ("UPDATE entries SET body = CAST(replace(body, '842.1', '942.1') AS BLOB) WHERE n = 3",),
    )
    fault = only_fault(path)
    assert (fault.n, fault.kind) == (3, "chain")
    assert "does not follow from entry 2" in fault.what


def test_a_changed_hash_is_named(filled, path):
    change(path, ("UPDATE entries SET hash = zeroblob(32) WHERE n = 7",))
    assert only_fault(path).n == 7


def test_a_changed_content_with_a_hash_to_match_breaks_the_next_entry(filled, path, look):
    *_, before = look.entries()[4]
    *_, body, _ = look.entries()[5]
    body = body.replace(b"FAN-07", b"FAN-70")
    matching = hashlib.sha256(before + body).digest()
    change(path, ("UPDATE entries SET body = ?, hash = ? WHERE n = 6", (body, matching)))
    assert only_fault(path).n == 7


@pytest.mark.parametrize(("gone", "said"), [((5, 5), "entry 5"), ((5, 9), "entries 5–9")])
def test_a_removed_entry_is_named(filled, path, gone, said):
    change(path, ("DELETE FROM entries WHERE n BETWEEN ? AND ?", gone))
    fault = only_fault(path)
    assert fault.n == gone[1] + 1
    assert said in fault.what


def test_entries_removed_from_the_end_are_missed_by_the_files_own_count(filled, path):
    change(path, ("DELETE FROM entries WHERE n > 30",))
    kinds = {fault.kind: fault.what for fault in verify(path).faults}
    assert "entry 33 was written, but the last is 30" in kinds["end"]
    assert "projection" in kinds


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("id", bytes(16)),
        ("kind", "tag"),
        ("instrument", "ohm-2"),
        ("subject", "voltage"),
        ("sequence", 99),
        ("sequence", None),
    ],
)
def test_a_changed_column_is_named_with_what_it_should_be(filled, path, column, value):
    change(path, (f"UPDATE entries SET {column} = ? WHERE n = 20", (value,)))
    fault = only_fault(path)
    assert (fault.n, fault.kind) == (20, "column")
    assert fault.what.startswith(f"column {column} is ")


def test_a_sequence_with_a_hole_is_named_even_where_the_chain_holds(filled, path, look):
    """What a writer with a bug would leave: everything consistent but the count."""
    head = look.entries()[-1][-1]
    content = json.loads(look.entries()[-1][-2])
    content |= {"sequence": content["sequence"] + 2, "id": "019b8c5e-0000-7000-8000-000000000001"}
    body = json.dumps(content).encode()
    change(
        path,
        (
            "INSERT INTO entries VALUES (34, ?, 'reading', 'ohm-1', 'resistance', ?, ?, ?)",
            (
                bytes.fromhex(content["id"].replace("-", "")),
                content["sequence"],
                body,
                hashlib.sha256(head + body).digest(),
            ),
        ),
    )
    fault = only_fault(path)
    assert (fault.n, fault.kind) == (34, "sequence")
    assert fault.what == "reading 24 of ohm-1 stands where 23 should be"


@pytest.mark.parametrize("body", [b"[]", b"{", b'{"id": 1}', b'{"quantity": 1}', b"\xff"])
def test_a_content_that_is_no_entry_is_named(filled, path, look, body):
    matching = hashlib.sha256(look.entries()[-1][-1] + body).digest()
    change(
        path,
        (
            "INSERT INTO entries VALUES (34, ?, 'reading', 'a', 'b', 1, ?, ?)",
            (bytes(16), body, matching),
        ),
    )
    fault = only_fault(path)
    assert (fault.n, fault.kind) == (34, "body")


@pytest.mark.parametrize(
    ("statement", "table"),
    [
        ("UPDATE counters SET sequence = sequence + 1", "counters"),
        ("DELETE FROM last_values", "last_values"),
        ("UPDATE current_tags SET machine = 'FAN-01'", "current_tags"),
        ("INSERT INTO records VALUES ('lcr-1', 'MEM 9')", "records"),
    ],
)
def test_a_projection_that_differs_from_replay_is_named_and_can_be_rebuilt(
    filled, path, look, statement, table
):
    before = verify(path)
    change(path, (statement,))
    faults = verify(path).faults
    assert [fault.kind for fault in faults] == ["projection"]
    assert faults[0].what.startswith(f"{table} differs")
    filled.close()
    assert list(rebuild(path)) == [table]
    assert verify(path) == before
    assert rebuild(path) == {}


def test_projections_are_not_rebuilt_while_a_daemon_runs(path):
    Store(path).close()
    lock = FileLock(path.with_name(path.name + ".lock"))
    assert lock.try_take()
    try:
        with pytest.raises(JournalError, match="end it first"):
            rebuild(path)
    finally:
        lock.release()


def test_rebuilding_makes_no_journal(path):
    with pytest.raises(JournalError, match="no journal yet"):
        rebuild(path)
    assert not path.exists()


# ── heads that others keep ─────────────────────────────────────────────────────────────────────


def test_a_number_that_stands_twice_is_named(filled, path, look):
    """No hash covers it, and one changed bit of a page makes it so."""
    filled.close()
    _, key, *_ = look.entries()[9]
    content = bytearray(path.read_bytes())
    # The row's head (its length, no type for the number, 16 bytes) stands before the id, and the
    # number before the head; fileformat2.html, 1.6 and 2.1.
    (place,) = (
        found.start() - size
        for found in re.finditer(re.escape(key), content)
        for size in range(8, 16)
        if content[found.start() - size : found.start() - size + 3] == bytes((size, 0, 44))
    )
    assert content[place - 1] == 10
    content[place - 1] ^= 1
    path.write_bytes(content)
    fault = only_fault(path)
    assert (fault.n, fault.kind) == (11, "column")
    assert "does not come after 11" in fault.what


@pytest.mark.parametrize(
    "statement", ["UPDATE sqlite_sequence SET seq = 32", "DELETE FROM sqlite_sequence"]
)
def test_a_last_entry_past_the_last_number_is_missed_by_the_files_own_count(
    filled, path, statement
):
    change(path, (statement,))
    fault = only_fault(path)
    assert fault.kind == "end"
    assert "the last entry is 33" in fault.what


def test_a_head_kept_by_somebody_else_is_found_again(filled, path, look, drafts):
    kept = [Held(n, stored) for n, *_, stored in look.entries()]
    filled.append(drafts(5))
    found = verify(path, [*kept, Held(0, bytes(32))])
    assert found.ok
    assert found.held == 34


def test_a_chain_written_anew_is_found_out_by_the_head_alone(filled, path, look):
    """Whoever can write the file can make a chain that fits in itself, count and all."""
    kept = Held(33, look.entries()[-1][-1])
    head, statements = bytes(32), []
    for n, *_, body, _ in look.entries():
        changed = body.replace(b'"842.1"', b'"642.1"')
        head = hashlib.sha256(head + changed).digest()
        statements.append(("UPDATE entries SET body = ?, hash = ? WHERE n = ?", (changed, head, n)))
    change(path, *statements)
    assert verify(path).ok, "in itself it is consistent"
    fault = only_fault(path, kept)
    assert (fault.n, fault.kind) == (33, "head")
    assert kept.hash.hex() in fault.what


def test_an_end_that_was_cut_off_with_its_count_is_found_out_by_the_head(filled, path, look):
    kept = Held(33, look.entries()[-1][-1])
    filled.close()
    change(
        path,
        ("DELETE FROM entries WHERE n > 30",),
        ("UPDATE sqlite_sequence SET seq = 30",),
    )
    rebuild(path)
    assert verify(path).ok
    fault = only_fault(path, kept)
    assert fault.kind == "head"
    assert "ends at entry 30" in fault.what


@pytest.mark.parametrize("text", ["", "@", "ab@1", "x" * 64 + "@1", "a" * 64, "a" * 64 + "@-1"])
def test_a_head_of_another_form_is_refused(text):
    with pytest.raises(InputError, match="HASH@N"):
        Held.parse(text)


def test_a_head_is_read_as_it_is_printed():
    assert Held.parse("ab" * 32 + "@17") == Held(17, bytes.fromhex("ab" * 32))


# ── while others write; a file that cannot be read ─────────────────────────────────────────────


def test_a_journal_that_grows_meanwhile_is_found_whole(path, drafts):
    store = Store(path)
    store.append(drafts(3000))
    stop = threading.Event()

    def write():
        while not stop.is_set():
            store.append(drafts(5))

    writing = threading.Thread(target=write)
    writing.start()
    try:
        seen = [verify(path) for _ in range(5)]
    finally:
        stop.set()
        writing.join()
        store.close()
    assert all(found.ok for found in seen), [found.faults for found in seen]
    assert seen[-1].entries > seen[0].entries >= 3000


def test_it_says_where_the_file_can_no_longer_be_read(path, drafts):
    store = Store(path)
    store.append(drafts(2000))
    store.close()
    size = path.stat().st_size
    with path.open("r+b") as file:  # a torn write across the middle of the file
        file.seek(size // 2 // 4096 * 4096)
        file.write(b"\xa5" * 4096 * 8)
    found = verify(path)
    assert not found.ok
    assert found.faults[0].kind in {"unreadable", "chain"}
    assert 0 < found.last < 2000


def test_memory_does_not_grow_with_the_journal(path, drafts):
    """Peak of Python's own allocations: pages come and go."""
    store = Store(path)
    peaks = []
    for _ in range(2):
        for _ in range(3):
            store.append(
                [each.model_copy(update={"record": str(each.id)}) for each in drafts(2000)]
            )
        tracemalloc.start()
        assert verify(path).ok
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    store.close()
    assert peaks[1] < peaks[0] * 1.25
