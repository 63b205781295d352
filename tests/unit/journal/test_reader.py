"""Looking things up in a long journal: by the indexes, never by reading all of it."""

import pytest

from capture.journal import Expectation, JournalReader, Store
from capture.model import new_id
from capture.model.job import JobEntry, Noted, Started

READINGS = 3000
_EVERY = 100  # instructions of SQLite's machine between two calls of its progress handler


def entry_of(job, time, event):
    return JobEntry(
        id=new_id(),
        site="sawmill",
        bench="bench-1",
        job=job,
        time=time,
        operator="technician",
        event=event,
    )


def noted(job, time):
    return entry_of(job, time, Noted(text="dusty"))


@pytest.fixture
def long(tmp_path, drafts, draft):
    """A journal with many readings, few job entries, and one reading of another quantity."""
    store = Store(tmp_path / "bench.journal")
    job = new_id()
    events = (Started(machine="fan-07", procedure={}), Noted(text="dusty"), Noted(text="wet"))
    entries = [entry_of(job, draft().time, event) for event in events]
    store.append([draft(quantity="inductance", unit="H", shown_unit="H", instrument="lcr-1")])
    store.append(entries[:2])
    store.append(drafts(READINGS))
    store.append(entries[2:])
    reader = JournalReader(tmp_path / "bench.journal")
    yield store, reader, str(job)
    reader.close()
    store.close()


def steps_of(connection, ask):
    """Count what SQLite does for a question, in steps of its machine."""
    ticks = []
    connection.set_progress_handler(lambda: ticks.append(1), _EVERY)
    try:
        ask()
    finally:
        connection.set_progress_handler(None, 0)
    return len(ticks) * _EVERY


def test_the_measure_sees_a_question_that_reads_everything(long):
    _store, reader, _job = long
    query = "SELECT n FROM entries WHERE body = 'x'"
    connection = reader._connection
    assert steps_of(connection, lambda: connection.execute(query).fetchall()) > READINGS


@pytest.mark.parametrize(
    "ask",
    [
        lambda reader, job: reader.of_subject("job", job),
        lambda reader, _job: reader.newest_by_subject("job"),
        lambda reader, _job: reader.newest_by_subject("job", before=READINGS, limit=5),
        lambda reader, _job: reader.subjects("job"),
        lambda reader, _job: reader.numbered([1, READINGS]),
        lambda reader, _job: list(reader.newest("inductance", since=5)),
        lambda reader, _job: next(reader.newest("resistance", since=5)),
        lambda reader, _job: reader.after(READINGS - 12, 24),
    ],
)
def test_a_look_up_does_not_read_the_whole_journal(long, ask):
    _store, reader, job = long
    assert steps_of(reader._connection, lambda: ask(reader, job)) < READINGS / 2


def test_the_newest_of_each_subject_come_page_by_page(long, draft):
    store, reader, job = long
    jobs = [new_id() for _ in range(5)]
    for each in (*jobs, jobs[1]):  # the second one is worked on once more, at the end
        store.append([noted(each, draft().time)])
    expected = [str(jobs[n]) for n in (1, 4, 3, 2, 0)] + [job]
    rows = reader.newest_by_subject("job")
    assert [row.subject for row in rows] == expected
    assert [row.n for row in rows] == sorted((row.n for row in rows), reverse=True)
    for limit in range(1, 8):
        found, edge = [], None
        while page := reader.newest_by_subject("job", before=edge, limit=limit):
            assert len(page) == min(limit, len(rows) - len(found))
            found += page
            edge = page[-1].n
        assert found == rows
    assert reader.newest_by_subject("job", before=1) == []


def test_writing_on_a_state_does_not_read_the_whole_journal(long, draft, drafts):
    store, reader, job = long
    store.append(drafts(READINGS))
    last = reader.of_subject("job", job)[-1].n
    work = steps_of(
        store._connection, lambda: store.append([draft()], expecting=Expectation("job", job, last))
    )
    assert work < READINGS / 2


def test_entries_after_a_number_are_those_that_are_new(long):
    _store, reader, job = long
    rows = reader.of_subject("job", job)
    assert [row.n for row in reader.of_subject("job", job, after=rows[0].n)] == [
        row.n for row in rows[1:]
    ]
    assert reader.of_subject("job", job, after=rows[-1].n) == []


def test_subjects_are_told_with_their_first_entry(long):
    _store, reader, job = long
    rows = reader.of_subject("job", job)
    assert reader.subjects("job")[job] == rows[0].n
    assert reader.subjects("machine") == {}
    assert reader.numbered([rows[1].n, rows[0].n, 10 * READINGS]) == rows[:2]
    assert reader.numbered([]) == []


def test_the_newest_readings_come_newest_first_and_not_from_before(long):
    _store, reader, _job = long
    found = list(reader.newest("resistance", since=READINGS - 40))
    assert [row.n for row in found] == list(range(READINGS + 3, READINGS - 40, -1))
    assert list(reader.newest("resistance", since=READINGS + 3)) == []
    assert list(reader.newest("resistance", since=0, instrument="ohm-2")) == []
    assert list(reader.newest("inductance", since=1)) == []
    assert [row.n for row in reader.newest("inductance", since=0)] == [1]
