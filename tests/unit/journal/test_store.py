"""The journal's file: append, read, chain, sequences, projections, a full disk."""

import resource
import sqlite3
import subprocess
import sys
import textwrap
from datetime import UTC, datetime

import pytest

from capture.errors import JournalError, JournalFull
from capture.journal import JournalReader, Store, Stored
from capture.model import Gap, Reading, ReadingDraft, Tag, new_id
from capture.model.written import WrittenDraft


def tag_of(reading, machine="FAN-07", **members):
    return Tag(
        id=new_id(),
        site="sawmill",
        bench="bench-1",
        instrument=reading.instrument,
        reading=reading.id,
        time=datetime(2026, 1, 5, 9, 0, tzinfo=UTC),
        operator="winder",
        machine=machine,
        **members,
    )


def gap_of(instrument="ohm-1"):
    moment = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
    return Gap(
        id=new_id(),
        site="sawmill",
        bench="bench-1",
        instrument=instrument,
        begin=moment,
        end=moment,
        reason="a test",
    )


def test_what_is_appended_can_be_read(store, reader, draft, look):
    made = draft()
    assert store.append([made]) == [Stored(n=1, sequence=1)]
    (row,) = reader.after(0, 10)
    assert (row.n, row.id, row.kind, row.instrument, row.subject) == (
        1,
        made.id,
        "reading",
        "ohm-1",
        "resistance",
    )
    reading = Reading.model_validate_json(row.body)
    assert reading.model_dump(exclude={"sequence"}) == made.model_dump()
    assert reading.sequence == 1
    assert look.check() == 1


def test_each_instrument_counts_by_itself(store, drafts, look):
    batch = [*drafts(3, "ohm-1"), *drafts(2, "ohm-2"), *drafts(1, "ohm-1")]
    assert [stored.sequence for stored in store.append(batch)] == [1, 2, 3, 1, 2, 4]
    assert [stored.sequence for stored in store.append(drafts(2, "ohm-2"))] == [3, 4]
    assert look.check() == 8


def test_tags_and_gaps_are_entries_without_a_sequence(store, reader, draft, look):
    made = draft()
    stored = store.append([made, gap_of(), tag_of(made)])
    assert stored == [Stored(1, 1), Stored(2, None), Stored(3, None)]
    assert [row.kind for row in reader.after(0, 10)] == ["reading", "gap", "tag"]
    assert look.check() == 3


def test_the_same_id_is_stored_once(store, draft, look):
    made = draft()
    assert store.append([made])[0].n == 1
    assert store.append([made, made]) == [Stored(0, None), Stored(0, None)]
    assert [stored.sequence for stored in store.append([draft()])] == [2]
    tag = tag_of(made)
    assert [stored.n for stored in store.append([tag, tag])][1] == 0
    assert look.check() == 3


def test_the_same_id_twice_in_one_batch_is_stored_once(store, draft, look):
    made = draft()
    assert [stored.n for stored in store.append([made, made])] == [1, 0]
    assert look.check() == 1


def test_a_result_that_the_instrument_names_is_stored_once(store, draft, look):
    """It is fetched again after each connection, under a new id; the record tells."""
    assert store.append([draft(record="R0017")])[0].n
    assert store.append([draft(record="R0017")]) == [Stored(0, None)]
    assert store.append([draft(record="R0018")])[0].sequence == 2
    assert store.append([draft(record="R0017", instrument="ohm-2")])[0].sequence == 1
    assert look.check() == 3


def test_the_newest_tag_holds(store, reader, draft, look):
    made = draft(tag={"machine": "FAN-01"})
    first, second = tag_of(made, "FAN-02"), tag_of(made, "FAN-03")
    store.append([made])
    assert reader.current_tag_id(made.id) is None, "its own tag is no entry of its own"
    assert next(reader.readings())["tag"]["machine"] == "FAN-01"
    store.append([first])
    assert reader.current_tag_id(made.id) == first.id
    store.append([second])
    assert next(reader.readings())["tag"]["machine"] == "FAN-03"
    assert list(reader.readings(machine="FAN-02")) == []
    assert len(list(reader.readings(machine="FAN-03"))) == 1
    assert look.check() == 3


def test_readings_are_filtered_and_paged_in_order(store, reader, draft, drafts):
    store.append(drafts(1203))
    store.append([draft(instrument="ohm-2", quantity="impedance")])
    values = [reading["value"] for reading in reader.readings(instrument="ohm-1")]
    assert values == [float(n) for n in range(1, 1204)]
    back = [reading["value"] for reading in reader.readings(newest_first=True, instrument="ohm-1")]
    assert back == values[::-1]
    assert [r["instrument"] for r in reader.readings(quantity="impedance")] == ["ohm-2"]
    assert list(reader.readings(instrument="nobody")) == []
    assert [row.n for row in reader.after(1200, 3)] == [1201, 1202, 1203]
    assert reader.last_n() == 1204
    assert reader.reading("ohm-1", 7).n == 7
    assert reader.last_reading("ohm-2").n == 1204
    assert reader.reading("ohm-1", 9999) is None
    assert reader.last_reading("nobody") is None
    assert reader.entry(new_id()) is None


def test_what_is_stored_is_there_after_closing(path, drafts, look):
    first = Store(path)
    first.append(drafts(5))
    first.close()
    second = Store(path)
    assert [stored.sequence for stored in second.append(drafts(1))] == [6]
    second.close()
    assert look.check() == 6


def test_a_journal_keeps_its_id_and_another_has_another(tmp_path):
    ids = []
    for name in ("one", "one", "two"):
        Store(tmp_path / name).close()
        reader = JournalReader(tmp_path / name)
        ids.append(reader.journal_id)
        reader.close()
    assert ids[0] == ids[1] != ids[2]


def test_a_batch_is_stored_whole_or_not_at_all(store, reader, drafts, look):
    """Something in the middle of the batch cannot be written."""
    store.append(drafts(3))
    batch = drafts(5)
    batch[3] = batch[3].model_construct(**batch[3].__dict__ | {"instrument": object()})
    with pytest.raises(Exception, match=r".+"):
        store.append(batch)
    assert reader.last_n() == 3
    assert [stored.sequence for stored in store.append(drafts(1))] == [4]
    assert look.check() == 4


def test_a_full_disk_stores_nothing_of_the_batch_and_all_of_it_later(store, reader, drafts, look):
    """SQLite's own limit on pages stands for the disk."""
    store.append(drafts(10))
    pages = store._connection.execute("PRAGMA page_count").fetchone()[0]
    store._connection.execute(f"PRAGMA max_page_count = {pages + 1}")
    batch = drafts(400)
    with pytest.raises(JournalFull, match="the disk is full; make room, nothing is lost"):
        store.append(batch)
    assert reader.last_n() == 10
    store._connection.execute("PRAGMA max_page_count = 1000000")
    assert [stored.sequence for stored in store.append(batch)] == list(range(11, 411))
    assert look.check() == 410


def test_a_file_that_may_not_grow_is_a_full_disk(path, look):
    """The system refuses the write (EFBIG), as a full disk or a quota does."""
    done = subprocess.run(
        [sys.executable, "-P", "-c", GROWING, str(path)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000)),
    )
    assert done.returncode == 0, done.stderr
    refused, stored = done.stdout.split()
    assert refused == "JournalFull"
    assert look.check() == int(stored)


GROWING = textwrap.dedent(
    """
    import signal, sys
    from datetime import UTC, datetime
    from pathlib import Path
    from capture.errors import JournalError
    from capture.journal import Store
    from capture.model import ReadingDraft, new_id
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    store = Store(Path(sys.argv[1]))
    stored = 0
    while True:
        batch = [
            ReadingDraft(
                id=new_id(), site="s", bench="b", instrument="i", time=datetime.now(UTC),
                quantity="resistance", unit="Ohm", value=1.0, digits="1", shown_unit="Ohm",
                status="ok", source={"kind": "keyed", "operator": "o", "typed": "1 Ohm"},
            )
            for _ in range(50)
        ]
        try:
            store.append(batch)
        except JournalError as error:
            print(type(error).__name__, stored)
            break
        stored += 50
    """
)

WRITING = textwrap.dedent(
    """
    import sys
    from datetime import UTC, datetime
    from pathlib import Path
    from capture.journal import Store
    from capture.model import ReadingDraft, new_id
    store = Store(Path(sys.argv[1]))
    sys.stdin.readline()
    for number in range(int(sys.argv[3])):
        store.append([
            ReadingDraft(
                id=new_id(), site="s", bench="b", instrument=instrument, time=datetime.now(UTC),
                quantity="resistance", unit="Ohm", value=float(number), digits=str(number),
                shown_unit="Ohm", status="ok",
                source={"kind": "keyed", "operator": sys.argv[2], "typed": "1 Ohm"},
            )
            for instrument in ("shared", sys.argv[2])
        ])
    store.close()
    """
)


def test_several_processes_may_append_at_once(path, look):
    """Chain and sequences stay whole, and each process finds its own order kept."""
    Store(path).close()
    names = ("one", "two", "three")
    writers = [
        subprocess.Popen(
            [sys.executable, "-P", "-c", WRITING, str(path), name, "30"], stdin=subprocess.PIPE
        )
        for name in names
    ]
    for writer in writers:
        writer.stdin.write(b"\n")
        writer.stdin.flush()
    for writer in writers:
        writer.communicate(timeout=60)
        assert writer.returncode == 0
    assert look.check() == 3 * 30 * 2
    reader = JournalReader(path)
    shared = list(reader.readings(instrument="shared"))
    reader.close()
    assert [reading["sequence"] for reading in shared] == list(range(1, 91))
    for name in names:
        mine = [r["value"] for r in shared if r["source"]["operator"] == name]
        assert mine == [float(n) for n in range(30)]


def test_every_commit_is_synced(store):
    assert store._connection.execute("PRAGMA synchronous").fetchone()[0] == 2
    assert store._connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"


def test_an_edited_entry_breaks_the_chain(store, drafts, look, path):
    store.append(drafts(3))
    connection = sqlite3.connect(path)
    connection.execute(
        "UPDATE entries SET body = CAST(replace(CAST(body AS TEXT), '\"2\"', '\"9\"') AS BLOB) "
        "WHERE n = 2"
    )
    connection.commit()
    connection.close()
    with pytest.raises(AssertionError, match="the chain breaks at entry 2"):
        look.check()


@pytest.mark.parametrize("name", ["\udcff", "ohm-1\0", "x" * 10_000, "'; DROP TABLE entries; --"])
def test_a_hostile_name_finds_nothing(store, reader, draft, name):
    store.append([draft()])
    for look_for in (
        lambda: list(reader.readings(instrument=name)),
        lambda: reader.last_reading(name),
        lambda: reader.reading(name, 1),
    ):
        try:
            assert not look_for()
        except JournalError as error:
            assert "\n" not in str(error)
    assert reader.last_n() == 1


def test_a_number_beyond_any_sequence_is_no_crash(store, reader):
    with pytest.raises(JournalError, match="cannot be looked for"):
        reader.reading("ohm-1", 10**30)


# ── readings that come as text, many at once ─────────────────────────────────────────────────


def written(made):
    return [WrittenDraft.of(each) if isinstance(each, ReadingDraft) else each for each in made]


def test_many_at_once_are_stored_as_they_are_one_by_one(tmp_path, draft):
    """Whatever is among them: two instruments, tags, stored results, gaps, what is there already."""
    made = [draft(instrument=name) for name in ("ohm-1", "lcr-1", "ohm-1", "ohm-1", "lcr-1")]
    made.insert(2, draft(tag={"machine": "FAN-07"}))
    made.insert(4, gap_of())
    made += [draft(record="0007"), draft(record="0007"), made[0], draft(), draft(), made[-1]]
    stored = []
    for name, batches in (("one", [[each] for each in made]), ("all", [written(made)])):
        store = Store(tmp_path / name)
        stored.append([each for batch in batches for each in store.append(batch)])
        store.close()
    assert stored[0] == stored[1]
    contents = []
    for name in ("one", "all"):
        with sqlite3.connect(tmp_path / name) as file:
            contents.append(
                [
                    file.execute(f"SELECT * FROM {table} ORDER BY 1, 2").fetchall()
                    for table in ("entries", "counters", "last_values", "current_tags", "records")
                ]
            )
        file.close()
    assert contents[0] == contents[1]


def test_one_that_is_there_already_among_many_is_passed_over(store, look, draft):
    first = [draft() for _ in range(3)]
    store.append(written(first))
    again = [draft(), first[1], draft()]
    assert [each.n for each in store.append(written(again))] == [4, 0, 5]
    assert [each.sequence for each in store.append(written([draft(), draft()]))] == [6, 7]
    assert look.check() == 7


def test_a_lone_reading_is_kept_as_it_was_stored_until_the_next_append(store, reader, path, drafts):
    one, *two = drafts(3)
    assert store.lone is None
    store.append([one])
    assert [store.lone] == reader.after(0, 10)
    other = Store(path)
    other.append(drafts(1, "ohm-2"))
    other.close()
    assert store.lone.n == 1, "what others append is for the writer to notice"
    store.append([one])
    assert store.lone is None, "nothing was stored"
    store.append(two)
    assert store.lone is None


def test_two_of_the_same_id_in_one_batch_are_stored_once(store, look, draft):
    one = draft()
    assert store.append(written([one, one])) == [Stored(1, 1), Stored(0, None)]
    assert look.check() == 1


def test_many_at_once_are_stored_whole_or_not_at_all(store, reader, draft):
    store._connection.execute(
        "CREATE TEMP TRIGGER no BEFORE INSERT ON entries WHEN new.sequence = 3 "
        "BEGIN SELECT raise(ABORT, 'a fault in the middle'); END"
    )
    with pytest.raises(JournalError, match="a fault in the middle"):
        store.append(written([draft() for _ in range(5)]))
    assert reader.last_n() == 0
    store._connection.execute("DROP TRIGGER no")
    assert [each.n for each in store.append(written([draft(), draft()]))] == [1, 2]
