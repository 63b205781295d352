"""Trimming cuts whole old jobs that are delivered, and leaves a journal that verifies."""

import hashlib
import io
import json
import sqlite3
import threading

import journal_entries as make
import pytest

from capture.errors import JournalError
from capture.journal import JournalReader, Store
from capture.journal import trim as module
from capture.journal.rebuild import rebuild
from capture.journal.transfer import export, import_into
from capture.journal.trim import plan, trim
from capture.journal.verify import Held, verify
from capture.model import ReadingTag
from capture.model.job import Applied, Discharged, Noted

ALL = {"bench": 10_000}


def cut(path, before, delivered=ALL, to=None):
    to = to or path.with_name("cut.jsonl")
    return trim(
        path,
        lambda: plan(path, before, {k: min(v, last_of(path)) for k, v in delivered.items()}),
        to=to,
        site="sawmill",
        bench="bench-1",
        operator="winder",
        now=make.day(90),
    )


def last_of(path):
    reader = JournalReader(path)
    try:
        return reader.last_n()
    finally:
        reader.close()


def one_job(store, draft, number, *, sign=True):
    """Do a job with two readings, a result and a sign-off on one day; 6 entries when signed."""
    job, time = make.new_job(), make.day(number)
    readings = [draft(time=time, record=f"MEM {number}"), draft(time=time)]
    batch = [make.started(job, time), *readings, make.taken(job, readings, time)]
    store.append([*batch, make.result(job, readings, time)])
    if sign:
        store.append(make.signed_off(job, time))
    return job


@pytest.fixture
def three_jobs(store, draft):
    """Entries 1–7, 8–14 and 15–21, a job each, on days 1, 2 and 3."""
    return [one_job(store, draft, number) for number in (1, 2, 3)]


def test_old_jobs_are_cut_and_the_rest_verifies(three_jobs, path, look):
    entries = look.entries()
    anchor = cut(path, make.day(2))
    assert (anchor.count, anchor.base.n, anchor.base.hash) == (7, 7, entries[6][-1].hex())
    assert anchor.base.sequences == {"ohm-1": 2}
    found = verify(path)
    assert found.ok, found.faults
    assert (found.first, found.entries) == (8, 15)
    assert [row[:-1] for row in look.entries()[:-1]] == [row[:-1] for row in entries[7:]]
    kept = [Held(n, stored) for n, *_, stored in entries[6:]]
    assert verify(path, kept).ok


def test_the_cut_part_is_in_the_export_and_verifies_by_itself(three_jobs, path, look, tmp_path):
    entries = look.entries()
    anchor = cut(path, make.day(2))
    text = (tmp_path / "cut.jsonl").read_bytes()
    assert hashlib.sha256(text).hexdigest() == anchor.export_sha256
    assert [json.loads(line)["body"].encode() for line in text.splitlines()[1:-1]] == [
        row[-2] for row in entries[:7]
    ]
    other = tmp_path / "other.journal"
    import_into(other, io.BytesIO(text))
    assert verify(other, [Held(7, bytes.fromhex(anchor.base.hash))]).ok


def test_a_later_part_verifies_against_the_head_of_the_part_before(three_jobs, path, tmp_path):
    first = cut(path, make.day(2))
    second = cut(path, make.day(3), to=tmp_path / "second.jsonl")
    assert (second.base.n, second.count) == (14, 7)
    other = tmp_path / "other.journal"
    with (tmp_path / "second.jsonl").open("rb") as lines:
        import_into(other, lines)
    (fault,) = verify(other).faults
    assert (fault.kind, fault.n) == ("beginning", None)
    assert verify(other, [Held(7, bytes.fromhex(first.base.hash))]).ok
    assert verify(path).ok


def test_numbers_and_sequences_go_on_after_a_cut(three_jobs, path, store, draft):
    cut(path, make.day(90))
    (stored,) = store.append([draft()])
    assert (stored.n, stored.sequence) == (23, 7)
    assert verify(path).ok


def test_a_stored_result_of_the_instrument_that_was_cut_is_not_taken_again(
    three_jobs, path, store, draft
):
    cut(path, make.day(3))
    assert [each.n for each in store.append([draft(record="MEM 1"), draft(record="MEM 2")])] == [
        0,
        0,
    ]
    cut(path, make.day(4), to=path.with_name("second.jsonl"))
    store.close()
    assert rebuild(path) == {}
    again = Store(path)
    assert [each.n for each in again.append([draft(record=f"MEM {n}") for n in (1, 2, 3)])] == [
        0
    ] * 3
    again.close()


def test_everything_may_go_and_the_anchor_stays(three_jobs, path, reader):
    cut(path, make.day(90))
    (row,) = reader.after(0, 100)
    assert (row.n, row.kind) == (22, "anchor")
    assert verify(path).ok


def test_a_trimmed_journal_is_exported_and_imported_whole(three_jobs, path, tmp_path):
    cut(path, make.day(3))
    out = io.BytesIO()
    export(path, out)
    other = tmp_path / "other.journal"
    import_into(other, io.BytesIO(out.getvalue()))
    assert verify(other) == verify(path)
    again = io.BytesIO()
    export(other, again)
    assert again.getvalue() == out.getvalue()


# ── what stays ─────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("delivered", [{}, {"a": 0}, {"a": 21, "b": 0}])
def test_nothing_goes_before_every_publisher_has_it(three_jobs, path, delivered):
    assert cut(path, make.day(90), delivered) is None
    assert verify(path).entries == 21


def test_the_slowest_publisher_decides(three_jobs, path):
    found = plan(path, make.day(90), {"quick": 21, "slow": 16})
    assert found.base.n == 14
    assert "lies across that place" in found.held_by


def test_it_says_what_keeps_the_next_entry(store, drafts, path):
    store.append(drafts(5))
    found = plan(path, make.day(90), {"quick": 5, "slow": 2})
    assert (found.base.n, found.held_by) == (2, "publisher slow has delivered up to entry 2 only")
    found = plan(path, make.day(1), {"quick": 5})
    assert (found.base.n, found.held_by) == (
        0,
        "entry 1 is not older than 2026-01-05T08:00:00.000000Z",
    )


def test_a_job_is_not_split(three_jobs, path):
    assert plan(path, make.day(90), {"a": 13}).base.n == 7
    assert plan(path, make.day(90), {"a": 14}).base.n == 14


def test_nothing_of_a_job_that_is_not_signed_off_goes(store, draft, path):
    one_job(store, draft, 1)
    job = one_job(store, draft, 2, sign=False)
    one_job(store, draft, 3)
    found = plan(path, make.day(90), {"a": 1000, "b": 1000} | {"a": last_of(path)})
    assert found.base.n == 7
    assert found.held_by == f"job {job} is not signed off"


def test_a_reading_that_an_open_job_took_later_stays_with_all_after_it(store, draft, drafts, path):
    early = draft(time=make.day(1))
    store.append([*drafts(3), early, *drafts(3, time=make.day(1))])
    job = make.new_job()
    store.append([make.started(job, make.day(2)), make.taken(job, [early], make.day(2))])
    assert plan(path, make.day(90), {"a": last_of(path)}).base.n == 3


def test_a_reading_keyed_for_an_open_job_stays(store, draft, drafts, path):
    job = make.new_job()
    keyed = draft(tag=ReadingTag(machine="FAN-07", job=job, step="s1"))
    store.append([*drafts(2), keyed, *drafts(2)])
    assert plan(path, make.day(90), {"a": 5}).base.n == 2


def test_a_result_without_a_job_stays_with_its_readings(store, draft, drafts, path):
    reading = draft(time=make.day(1))
    store.append([*drafts(2), reading, *drafts(2), make.result(None, [reading], make.day(5))])
    assert plan(path, make.day(4), {"a": 6}).base.n == 2
    assert plan(path, make.day(90), {"a": 6}).base.n == 6


def test_a_cut_ends_before_the_first_entry_that_is_not_older(store, draft, path):
    """A clock that was set forward for a while holds the cut back; it never cuts too much."""
    store.append([draft(time=make.day(n)) for n in (1, 9, 2, 3)])
    assert plan(path, make.day(4), {"a": 4}).base.n == 1


def test_what_is_known_of_a_machine_survives_the_cut_of_its_entry(store, drafts, path, reader):
    old, new = make.machine("FAN-07", poles=2), make.machine("FAN-07", poles=4)
    late = make.machine("FAN-08", time=make.day(80), poles=6)
    store.append([old, new, *drafts(3), late])
    anchor = cut(path, make.day(50))
    ((before, after),) = anchor.restated
    assert before == new.id
    rows = {row.subject: json.loads(row.body) for row in reader.newest_by_subject("machine")}
    assert rows["FAN-07"]["id"] == str(after)
    assert rows["FAN-07"] | {"id": ""} == json.loads(new.model_dump_json()) | {"id": ""}
    assert rows["FAN-08"]["id"] == str(late.id)
    assert verify(path).ok


def test_a_tag_of_a_reading_that_is_kept_still_holds(store, draft, path, reader):
    one, two = draft(time=make.day(1)), draft(time=make.day(3))
    store.append([one, make.tag(one, "FAN-01")])
    store.append([two, make.tag(two, "FAN-02", make.day(3))])
    cut(path, make.day(2))
    assert [each["tag"]["machine"] for each in reader.readings(machine="FAN-02")] == ["FAN-02"]
    assert list(reader.readings(machine="FAN-01")) == []
    assert verify(path).ok


# ── what can come between ──────────────────────────────────────────────────────────────────────


def test_an_export_that_is_there_is_not_overwritten_and_nothing_is_cut(three_jobs, path, tmp_path):
    (tmp_path / "cut.jsonl").write_text("mine")
    with pytest.raises(JournalError, match="another name"):
        cut(path, make.day(2))
    assert (tmp_path / "cut.jsonl").read_text() == "mine"
    assert verify(path).entries == 21


def test_a_broken_chain_is_not_cut(three_jobs, path, tmp_path):
    connection = sqlite3.connect(path)
    with connection:
        connection.execute("UPDATE entries SET hash = zeroblob(32) WHERE n = 5")
    connection.close()
    with pytest.raises(JournalError, match="breaks at entry 5"):
        cut(path, make.day(90))
    assert last_of(path) == 21


def test_a_job_written_to_between_plan_and_cut_makes_the_plan_anew(three_jobs, path, store, draft):
    asked = []

    def plan_and_be_overtaken():
        found = plan(path, make.day(90), {"a": 21})
        if not asked:
            one_job(store, draft, 4)
        asked.append(found)
        return found

    anchor = trim(
        path,
        plan_and_be_overtaken,
        to=path.with_name("cut.jsonl"),
        site="sawmill",
        bench="bench-1",
        operator="winder",
        now=make.day(90),
    )
    assert len(asked) == 2
    assert anchor.base.n == 21
    assert verify(path).ok


def test_an_interrupted_deletion_is_seen_and_ended_by_the_next_trim(
    three_jobs, path, monkeypatch, tmp_path
):
    asked = []

    def interrupted(*given):
        asked.append(given)
        if len(asked) == 2:
            raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(module, "_delete", interrupted)
        with pytest.raises(KeyboardInterrupt):
            cut(path, make.day(2))
    found = verify(path)
    assert (found.ok, found.leftover, found.first) == (True, 7, 8)
    assert cut(path, make.day(2), to=tmp_path / "second.jsonl") is None
    found = verify(path)
    assert (found.ok, found.leftover, found.first) == (True, 0, 8)


def test_what_the_anchor_says_cannot_be_changed_unseen(three_jobs, path):
    cut(path, make.day(2))
    connection = sqlite3.connect(path)
    (text,) = connection.execute("SELECT value FROM meta WHERE key = 'base'").fetchone()
    base = json.loads(text)
    base["records"] = []
    with connection:
        connection.execute("UPDATE meta SET value = ? WHERE key = 'base'", (json.dumps(base),))
    connection.close()
    kinds = [fault.kind for fault in verify(path).faults]
    assert "beginning" in kinds


def test_entries_cut_off_by_hand_are_found_out(three_jobs, path, look):
    entries = look.entries()
    connection = sqlite3.connect(path)
    base = {"n": 7, "hash": entries[6][-1].hex(), "sequences": {"ohm-1": 2}}
    with connection:
        connection.execute("DELETE FROM entries WHERE n <= 7")
        connection.execute("INSERT INTO meta VALUES ('base', ?)", (json.dumps(base),))
    connection.close()
    assert "no anchor entry vouches for that" in verify(path).faults[0].what


def test_a_daemon_can_write_while_a_long_prefix_is_deleted(path, drafts, draft, monkeypatch):
    monkeypatch.setattr(module, "_CHUNK", 200)
    store = Store(path)
    store.append(drafts(4000))
    stop, written = threading.Event(), []

    def write():
        while not stop.is_set():
            written.append(store.append([draft(time=make.day(60))]))
            # Some hundred commits a second; without an end one after the other, which no bench
            # does, they leave it to luck when anybody else gets the lock.
            stop.wait(0.002)

    writing = threading.Thread(target=write)
    writing.start()
    try:
        anchor = cut(path, make.day(50), {"a": 4000})
    finally:
        stop.set()
        writing.join()
        store.close()
    assert anchor.count == 4000
    found = verify(path)
    assert found.ok, found.faults
    assert found.entries == len(written) + 1 > 10


def test_a_beginning_that_no_anchor_vouches_for_lets_nothing_go(store, three_jobs, path):
    """It is a word beside the chain: one bit of it flipped, and what would be deleted is nowhere else."""
    cut(path, make.day(2))
    before = verify(path)
    assert before.ok
    said = before.base.model_copy(update={"n": before.base.n + 8})
    connection = sqlite3.connect(path)
    with connection:
        connection.execute(
            "UPDATE meta SET value = ? WHERE key = 'base'", (said.model_dump_json(),)
        )
        count = connection.execute("SELECT count(*) FROM entries").fetchone()
    with pytest.raises(JournalError, match="no anchor entry vouches for it"):
        cut(path, make.day(3), to=path.with_name("second.jsonl"))
    assert connection.execute("SELECT count(*) FROM entries").fetchone() == count
    connection.close()


@pytest.mark.parametrize(
    "body", [b"{", b"[]", b'{"quantity": "resistance"}', b'{"event": 5}', b'{"tag": 5}']
)
def test_an_entry_that_is_none_any_more_is_told_in_one_line(store, three_jobs, path, body):
    connection = sqlite3.connect(path)
    with connection:
        connection.execute("UPDATE entries SET body = ? WHERE n = 5", (body,))
    connection.close()
    with pytest.raises(JournalError, match=r"nothing was cut.*journal verify") as caught:
        cut(path, make.day(3))
    assert "\n" not in str(caught.value)
    assert not path.with_name("cut.jsonl").exists()


def test_a_void_job_is_over_once_its_discharge_was_confirmed(store, draft, path):
    job = one_job(store, draft, 1, sign=False)
    voided = make.event(job, Noted(text="wrong machine", voids=True), make.day(1))
    store.append([make.event(job, Applied(step="u-v", seconds=60), make.day(1)), voided])
    one_job(store, draft, 3)
    found = plan(path, make.day(90), {"a": last_of(path)})
    assert found.held_by == f"job {job} is void, and a discharge in it is not confirmed"
    store.append([make.event(job, Discharged(step="u-v"), make.day(4))])
    assert plan(path, make.day(90), {"a": last_of(path)}).base.n == last_of(path)
