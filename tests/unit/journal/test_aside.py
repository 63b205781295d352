"""A damaged journal is kept whole under another name, and the new one says so.

One file, since each test damages the same small journal in another way, and looks at the same ends.
"""

import errno
import io
import json
import os
import re
import shutil
import sqlite3

import journal_entries as make
import pytest

from capture.errors import JournalDamaged, JournalError
from capture.journal import JournalReader, Store
from capture.journal.aside import begin_anew, damage_of, set_aside
from capture.journal.info import look
from capture.journal.quick import look_over
from capture.journal.rebuild import rebuild
from capture.journal.transfer import export, export_readable, import_into
from capture.journal.verify import verify

NOW = make.day(30)
PAGE = 4096


@pytest.fixture(scope="module")
def filled_once(drafts, tmp_path_factory):
    """The journal that each test damages a copy of."""
    path = tmp_path_factory.mktemp("filled") / "bench.journal"
    store = Store(path)
    for number in range(1, 6):
        store.append(drafts(400, time=make.day(number)))
    store.append(drafts(3, "lcr-1", time=make.day(6)))
    store.close()
    return path


@pytest.fixture
def filled(path, filled_once):
    assert list(filled_once.parent.iterdir()) == [filled_once], "it is all in one file"
    shutil.copyfile(filled_once, path)
    return path


def overwrite(path, first_page, pages):
    with path.open("r+b") as file:
        file.seek(first_page * PAGE)
        file.write(b"\xa5" * PAGE * pages)


def pages_of(path):
    return path.stat().st_size // PAGE


def files_of(path):
    return {each.name: each.read_bytes() for each in path.parent.iterdir()}


def anew(path, aside):
    return begin_anew(
        path, aside, site="sawmill", bench="bench-1", instruments=["ohm-1", "hand"], now=NOW
    )


def test_a_whole_journal_and_none_at_all_are_not_damaged(filled, tmp_path):
    assert damage_of(filled) is None
    assert damage_of(tmp_path / "none.journal") is None


def test_a_changed_entry_is_not_damage_of_the_file(filled):
    """The chain says that somebody was at it; that is no reason to begin a new journal."""
    connection = sqlite3.connect(filled)
    with connection:
        connection.execute("UPDATE entries SET hash = zeroblob(32) WHERE n = 7")
    connection.close()
    assert damage_of(filled) is None


@pytest.mark.parametrize("where", [0.0, 0.02, 0.3, 0.5, 0.9])
def test_damage_anywhere_is_found_kept_and_told_of(filled, where):
    filled.with_name("bench.journal.delivered").write_text('{"journal": "x", "delivered": 5}')
    overwrite(filled, int(pages_of(filled) * where), 4)
    damaged = filled.read_bytes()
    why = damage_of(filled)
    assert why
    aside = set_aside(filled, why, 1000, NOW)
    assert not filled.exists()
    assert aside.to.name == "bench.journal.corrupt-20260203T080000Z"
    assert aside.to.read_bytes() == damaged, "kept whole"
    assert aside.to.with_name(aside.to.name + ".delivered.json").exists()
    anchor = anew(filled, aside)
    found = verify(filled, deep=True)
    assert found.ok, found.faults
    assert found.journal != str(aside.previous)
    reader = JournalReader(filled)
    first, *gaps = [json.loads(row.body) for row in reader.after(0, 100)]
    reader.close()
    assert first["id"] == str(anchor.id)
    assert (first["cause"], first["set_aside"]) == ("set-aside", aside.to.name)
    assert {gap["instrument"] for gap in gaps} == {"ohm-1", "hand", *aside.sequences}
    assert all(gap["begin"] <= gap["end"] for gap in gaps)
    assert damage_of(filled) is None


def test_sequences_go_on_and_the_gap_begins_with_what_was_not_delivered(filled, draft):
    overwrite(filled, pages_of(filled) // 2, 4)
    aside = set_aside(filled, "a test", 400, NOW)
    assert aside.sequences == {"ohm-1": 2000, "lcr-1": 3}
    assert aside.since == make.day(2)
    anew(filled, aside)
    store = Store(filled)
    assert [each.sequence for each in store.append([draft(), draft(instrument="lcr-1")])] == [
        2001,
        4,
    ]
    store.close()
    assert verify(filled).ok
    assert rebuild(filled) == {}


def test_a_new_journal_with_sequences_of_the_old_one_is_exported_and_imported(filled, tmp_path):
    aside = set_aside(filled, "a test", 400, NOW)
    anew(filled, aside)
    out = io.BytesIO()
    export(filled, out)
    import_into(tmp_path / "other.journal", io.BytesIO(out.getvalue()))
    assert verify(tmp_path / "other.journal") == verify(filled)


def test_a_file_of_which_nothing_can_be_read_is_set_aside_all_the_same(filled):
    filled.with_name("bench.journal.reserve").touch()
    filled.write_bytes(b"\0" * PAGE * 3)
    why = damage_of(filled)
    assert "not a database" in why
    aside = set_aside(filled, why, 0, NOW)
    assert (aside.previous, aside.sequences, aside.since.year) == (None, {}, 1970)
    anew(filled, aside)
    assert verify(filled).ok


def test_the_log_goes_with_its_file_and_never_stays_for_the_new_one(path, drafts):
    """What only the log holds is readable from the file that was set aside."""
    store = Store(path)
    store.append(drafts(3))
    wal = path.with_name("bench.journal-wal").read_bytes()
    raw = path.read_bytes()
    store.close()
    path.write_bytes(raw)
    path.with_name("bench.journal-wal").write_bytes(wal)
    path.with_name("bench.journal.reserve").touch()  # left by the daemon
    aside = set_aside(path, "a test", 0, NOW)
    assert aside.sequences == {"ohm-1": 3}
    assert not path.with_name("bench.journal-wal").exists()
    assert not path.with_name("bench.journal-shm").exists()
    anew(path, aside)
    assert verify(path).ok
    assert verify(aside.to).entries == 3


@pytest.mark.parametrize("content", [b"site = 'sawmill'\n" * 20, b"\x89PNG" + bytes(9000)])
def test_a_file_that_was_no_journal_is_left_as_it_is(path, content):
    path.write_bytes(content)
    before = files_of(path)
    why = damage_of(path)
    with pytest.raises(JournalError, match="left as it is"):
        set_aside(path, why, 0, NOW)
    assert files_of(path) == before


def test_a_database_of_another_program_is_no_damaged_journal(path):
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE theirs (a)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match="another program"):
        damage_of(path)
    assert path.read_bytes() == before


def test_nothing_that_was_set_aside_before_is_written_over(filled):
    overwrite(filled, 0, 1)
    filled.with_name("bench.journal.reserve").touch()
    filled.with_name("bench.journal.corrupt-20260203T080000Z").write_text("the one before")
    with pytest.raises(JournalError, match="is there already"):
        set_aside(filled, "a test", 0, NOW)
    assert filled.exists()


def test_appending_to_a_damaged_file_is_refused_as_damage(filled, drafts):
    store = Store(filled)
    overwrite(filled, 1, pages_of(filled) - 1)
    with pytest.raises(JournalDamaged, match="sets it aside"):
        store.append(drafts(1))
    store.close()


# ── cut to nothing ───────────────────────────────────────────────────────────────────────────


def with_log_only(path, drafts):
    """Leave the file empty and its log as it is when a daemon was killed."""
    store = Store(path)
    store.append(drafts(3))
    log = path.with_name("bench.journal-wal").read_bytes()
    store.close()
    path.write_bytes(b"")
    path.with_name("bench.journal-wal").write_bytes(log)
    return log


@pytest.mark.parametrize("rest", [b"", b"S"])  # SQLite makes nothing of a single byte either
@pytest.mark.parametrize("use", [Store, JournalReader])
def test_a_journal_that_was_cut_to_nothing_is_no_new_one(filled, use, rest):
    filled.write_bytes(rest)
    before = files_of(filled)
    with pytest.raises(JournalDamaged, match=r"is empty.*sets it aside") as caught:
        use(filled)
    assert "\n" not in str(caught.value)
    assert files_of(filled) == before
    assert damage_of(filled) == "the file is empty"
    assert files_of(filled) == before


@pytest.mark.parametrize("gone", [False, True])
@pytest.mark.parametrize("use", [Store, JournalReader, damage_of])
def test_the_log_of_a_file_that_was_cut_is_not_thrown_away(path, drafts, gone, use):
    """SQLite takes the file for a new one and deletes the log; it never gets to see it."""
    log = with_log_only(path, drafts)
    if gone:
        path.unlink()
    if use is damage_of:
        assert use(path)
    else:
        with pytest.raises(JournalDamaged):
            use(path)
    assert path.with_name("bench.journal-wal").read_bytes() == log


@pytest.mark.parametrize("gone", [False, True])
def test_what_is_left_of_a_file_that_was_cut_is_set_aside_and_told_of(path, drafts, gone):
    log = with_log_only(path, drafts)
    if gone:
        path.unlink()
    aside = set_aside(path, damage_of(path), 0, NOW)
    assert (aside.previous, aside.sequences, aside.since.year) == (None, {}, 1970)
    assert aside.to.with_name(aside.to.name + "-wal").read_bytes() == log
    assert not path.with_name("bench.journal-wal").exists()
    anchor = anew(path, aside)
    assert anchor.reason == aside.why
    found = verify(path, deep=True)
    assert found.ok, found.faults
    assert found.entries == 3, "the anchor, and a gap for each instrument"
    assert aside.to.with_name(aside.to.name + "-wal").read_bytes() == log


def test_a_new_journal_is_whole_before_it_has_its_name(path, monkeypatch):
    """So an empty file is one that was cut, and no command can meet one that is being made."""
    seen = []

    def link(made, name):
        seen.append(verify(made).ok)
        assert not name.exists()
        raise OSError(errno.EPERM, "no hard links here")

    monkeypatch.setattr(os, "link", link)
    Store(path).close()
    assert seen == [True]
    assert [each.name for each in path.parent.iterdir()] == ["bench.journal"]
    assert verify(path).ok


def test_of_two_who_make_the_journal_at_once_one_does(path, draft, monkeypatch):
    linked = os.link

    def quicker(made, name):
        monkeypatch.setattr(os, "link", linked)
        store = Store(path)
        store.append([draft()])
        store.close()
        linked(made, name)

    monkeypatch.setattr(os, "link", quicker)
    store = Store(path)
    store.append([draft()])
    store.close()
    assert [each.name for each in path.parent.iterdir()] == ["bench.journal"]
    assert verify(path).entries == 2


# ── what broken pages may say ────────────────────────────────────────────────────────────────


def changed(path, *statements):
    """Write what no program of ours would into a journal, past all that keeps it from that."""
    connection = sqlite3.connect(path, isolation_level=None)
    for statement in statements:
        connection.execute(statement)
    connection.close()


@pytest.mark.parametrize("name", ["Ohm-1", "ohm 1", "ohm-1\x1b[31m", "-", "", "o" * 100])
def test_what_is_no_instrument_any_more_is_passed_over(filled, draft, name):
    """Its gap could not be written, and the daemon would not start."""
    changed(filled, f"UPDATE counters SET instrument = '{name}' WHERE instrument = 'lcr-1'")
    changed(filled, f"UPDATE entries SET instrument = '{name}' WHERE instrument = 'lcr-1'")
    aside = set_aside(filled, "a test", 0, NOW)
    assert aside.sequences == {"ohm-1": 2000}
    anew(filled, aside)
    assert verify(filled).ok


@pytest.mark.parametrize("number", [-1, 0, (1 << 53) + 1, (1 << 63) - 1])
def test_a_sequence_that_could_not_go_on_is_passed_over(filled, draft, number):
    """Else no reading of that instrument could ever be stored again."""
    changed(filled, f"UPDATE counters SET sequence = {number} WHERE instrument = 'ohm-1'")
    aside = set_aside(filled, "a test", 0, NOW)
    assert aside.sequences == {"ohm-1": 2000, "lcr-1": 3}
    anew(filled, aside)
    store = Store(filled)
    assert store.append([draft()])[0].sequence == 2001
    store.close()


@pytest.mark.parametrize(
    "begin", ["0001-01-01T00:00:00+23:00", "9999-12-31T23:59:59-23:00", "x", 7]
)
def test_a_time_that_there_is_not_gives_way_to_when_the_journal_was_made(filled, begin):
    body = json.dumps({"begin": begin}).encode().hex()
    changed(filled, f"UPDATE entries SET body = x'{body}' WHERE n = 401")
    aside = set_aside(filled, "a test", 400, NOW)
    assert aside.since.timestamp() == pytest.approx((aside.previous.int >> 80) / 1000)


def test_an_id_of_a_time_that_there_is_not_gives_way_to_the_earliest(filled):
    changed(filled, "UPDATE meta SET value = 'ffffffff-ffff-7000-8000-000000000000'",
            "DELETE FROM entries")  # fmt: skip
    aside = set_aside(filled, "a test", 0, NOW)
    assert aside.previous is not None
    assert aside.since.year == 1970


@pytest.mark.parametrize(
    ("statement", "why"),
    [
        ("DELETE FROM meta", "the journal's own id is gone"),
        (
            "INSERT INTO meta VALUES ('base', '{\"n\": -1}')",
            "what the journal begins after cannot be read",
        ),
        ("INSERT INTO meta VALUES ('base', 'x')", "what the journal begins after cannot be read"),
    ],
)
def test_a_journal_that_no_longer_says_what_it_is_is_damaged(filled, statement, why):
    changed(filled, statement)
    assert damage_of(filled) == why
    aside = set_aside(filled, why, 0, NOW)
    anew(filled, aside)
    assert verify(filled).ok
    with pytest.raises(JournalDamaged, match=why) as caught:
        look(aside.to)
    assert "\n" not in str(caught.value)


def test_a_journal_without_its_id_does_not_verify(filled):
    changed(filled, "DELETE FROM meta")
    assert [(each.kind, each.what) for each in verify(filled).faults] == [
        ("beginning", "the journal's own id is gone")
    ]


def in_the_schema(path, old, new):
    """Change bytes of a table's description, which SQLite cites where it cannot read it."""
    content = path.read_bytes()
    assert old in content[:PAGE] + content[PAGE : 3 * PAGE]
    path.write_bytes(content.replace(old, new))


@pytest.mark.parametrize(
    "new",
    [
        b"CREATE TABL\xfe\xffcounters (",  # its own module then raises what is no error of SQLite's
        b'CREATE TABLE coun"ers (',  # an error of several lines
    ],
)
def test_what_sqlite_says_of_a_broken_table_is_one_line(filled, new):
    in_the_schema(filled, b"CREATE TABLE counters (", new)
    why = damage_of(filled)
    assert why
    assert "\n" not in why
    for use in (Store, JournalReader, look, verify):
        with pytest.raises(JournalDamaged) as caught:
            use(filled)
        assert "\n" not in str(caught.value)
    anew(filled, set_aside(filled, why, 0, NOW))
    assert verify(filled).ok


def test_an_error_that_says_nothing_is_malformed():
    error = JournalDamaged("a journal: damaged")
    error.__cause__ = sqlite3.DatabaseError("")
    assert error.found == "malformed"


@pytest.fixture
def unstrict(filled):
    """What a broken page can make of a column, which no statement could write: tables are strict."""

    def write(statement):
        (made,) = (
            sqlite3.connect(filled)
            .execute("SELECT sql FROM sqlite_schema WHERE name = 'entries'")
            .fetchone()
        )
        loose = made.replace("STRICT", "").replace("NOT NULL", "")
        for sql, also in ((loose, statement), (made, "SELECT 1")):
            quoted = sql.replace("'", "''")
            changed(
                filled,
                "PRAGMA writable_schema = ON",
                f"UPDATE sqlite_schema SET sql = '{quoted}' WHERE name = 'entries'",
                "PRAGMA writable_schema = RESET",
                also,
            )

    return write


@pytest.mark.parametrize("column", ["body", "hash", "id"])
@pytest.mark.parametrize("value", ["NULL", "1099511627776", "'text'", "2.5"])
def test_a_column_that_holds_something_else_breaks_the_chain_and_nothing_more(
    filled, unstrict, draft, column, value
):
    unstrict(f"UPDATE entries SET {column} = {value} WHERE n = 2003")
    (fault,) = verify(filled).faults
    assert (fault.n, fault.kind) == (2003, "column" if column == "id" else "chain")
    assert look_over(filled).fault == (
        "" if column == "id" else "entry 2003 is not what its hash says"
    )
    assert look(filled).last == 2003
    assert export_readable(filled, io.BytesIO()).entries == 2003
    if column != "id":
        with pytest.raises(JournalError, match="chain breaks at entry 2003"):
            export(filled, io.BytesIO())
    if column == "body":
        with pytest.raises(JournalError, match="entry 2003 is"):
            rebuild(filled)
    store = Store(filled)
    assert store.append([draft()])[0].n == 2004
    store.close()


@pytest.mark.parametrize("body", [b"{", b'{"quantity": "\xff"}', b"[]", b"[" * 100_000])
def test_a_reading_that_is_none_any_more_is_told_in_one_line(filled, body):
    changed(filled, f"UPDATE entries SET body = x'{body.hex()}' WHERE n = 2003")
    reader = JournalReader(filled)
    for ask in (
        reader.last_readings,
        lambda: list(reader.readings()),
        lambda: reader.page(limit=1),
    ):
        with pytest.raises(JournalError, match=r"entry 2003 .*journal verify") as caught:
            ask()
        assert "\n" not in str(caught.value)
    reader.close()


def test_a_tag_that_is_none_any_more_is_told_in_one_line(path, draft):
    store, made = Store(path), draft()
    store.append([made, make.tag(made)])
    store.close()
    changed(path, "UPDATE entries SET body = x'7b' WHERE n = 2")
    reader = JournalReader(path)
    for ask in (lambda: reader.page(limit=1), lambda: reader.with_tag({"id": str(made.id)})):
        with pytest.raises(JournalError, match=r"entry 2 .*journal verify"):
            ask()
    reader.close()


@pytest.fixture
def disordered(filled):
    """A journal whose last entry but one has got a number from the beginning: one bit of a page."""
    *_, (key,), _ = sqlite3.connect(filled).execute("SELECT id FROM entries ORDER BY n").fetchall()
    content = bytearray(filled.read_bytes())
    # The row's head (its length, no type for the number, 16 bytes) stands before the id, and the
    # number before the head; fileformat2.html, 1.6 and 2.1.
    (place,) = (
        found.start() - size
        for found in re.finditer(re.escape(key), content)
        for size in range(8, 16)
        if content[found.start() - size : found.start() - size + 3] == bytes((size, 0, 44))
    )
    assert content[place - 2 : place] == bytes((0x80 | 2002 >> 7, 2002 & 0x7F))
    content[place - 2] ^= 0x08
    filled.write_bytes(content)
    return filled


def test_entries_in_no_order_are_damage_and_nobody_reads_them_for_ever(disordered):
    assert "out of order" in damage_of(disordered)
    reader = JournalReader(disordered)
    for ask in (
        lambda: reader.after(1900, 102),
        lambda: reader.page(after=2001, limit=1),
    ):
        with pytest.raises(JournalDamaged, match="not in the order of their numbers"):
            ask()
    reader.close()
    with pytest.raises(JournalError, match="not in the order of their numbers"):
        rebuild(disordered)
    out = io.BytesIO()
    found = export_readable(disordered, out)
    assert 2000 < found.entries < 2010
    assert len(out.getvalue().splitlines()) == found.entries + 2


def test_bytes_that_are_stored_as_text_are_a_fault_though_the_chain_holds(filled, unstrict):
    """One bit of a row's head makes them so; whoever reads the entry gets no bytes."""
    unstrict("UPDATE entries SET body = CAST(body AS TEXT) WHERE n = 7")
    (fault,) = verify(filled).faults
    assert (fault.n, fault.kind) == (7, "column")
    assert damage_of(filled) == "non-BLOB value in entries.body"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"hash       BLOB", b"hasi       BLOB"),
        (b"body       BLOB", b"body       TEXT"),
        (
            b"n          INTEGER PRIMARY KEY AUTOINCREMENT",
            b"n          BNTEGER PRIMARY KEY              ",
        ),
        (b"CREATE TABLE counters (", b"CREATE TABLE countars ("),
    ],
)
def test_tables_that_are_not_as_they_were_made_are_damage(filled, old, new):
    """SQLite finds nothing wrong with them; the daemon would not start, or read what is not there."""
    in_the_schema(filled, old, new)
    why = damage_of(filled)
    for use in (Store, JournalReader, verify):
        with pytest.raises(JournalDamaged) as caught:
            use(filled)
        assert "\n" not in str(caught.value)
    anew(filled, set_aside(filled, why, 0, NOW))
    assert verify(filled).ok
