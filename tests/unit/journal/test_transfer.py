"""Export and import: the same journal on both sides, and nothing taken that is not whole."""

import io
import json
import sqlite3

import journal_entries as make
import pytest

from capture.errors import InputError, JournalError
from capture.journal import JournalReader, Store
from capture.journal.backup import backup
from capture.journal.transfer import export, export_readable, import_into
from capture.journal.verify import verify


@pytest.fixture
def filled(store, draft, drafts):
    store.append(make.every_kind(draft))
    store.append(drafts(20))
    return store


def exported(path):
    out = io.BytesIO()
    export(path, out)
    return out.getvalue()


def everything(path):
    """All tables as they are, read with sqlite3 alone."""
    connection = sqlite3.connect(path)
    names = ("entries", "meta", "counters", "last_values", "current_tags", "records")
    try:
        found = {name: connection.execute(f"SELECT * FROM {name}").fetchall() for name in names}
        found["given"] = connection.execute("SELECT seq FROM sqlite_sequence").fetchall()
    finally:
        connection.close()
    return {name: sorted(rows) for name, rows in found.items()}


def test_an_import_gives_the_same_journal_in_every_table(filled, path, tmp_path):
    other = tmp_path / "other.journal"
    moved = import_into(other, io.BytesIO(exported(path)))
    assert everything(other) == everything(path)
    assert (moved.entries, moved.last, moved.head) == (33, 33, verify(path).head)
    assert verify(other, deep=True).ok
    assert exported(other) == exported(path)


def test_both_go_on_alike(filled, path, tmp_path, draft):
    other = tmp_path / "other.journal"
    import_into(other, io.BytesIO(exported(path)))
    again = Store(other)
    known, new = draft(instrument="lcr-1", record="MEM 1"), draft()
    assert again.append([known, new]) == filled.append([known, new])
    again.close()
    assert everything(other) == everything(path)


def test_an_empty_journal_is_exported_and_imported(store, path, tmp_path):
    other = tmp_path / "other.journal"
    assert import_into(other, io.BytesIO(exported(path))).entries == 0
    assert everything(other) == everything(path)


def test_the_lines_are_plain_json_with_the_exact_text_of_each_entry(filled, path, look):
    first, *lines, last = [json.loads(line) for line in exported(path).splitlines()]
    assert (first["format"], first["version"]) == ("benchtally-journal", 1)
    assert last == {"end": True, "entries": 33, "head": look.entries()[-1][-1].hex()}
    assert [(line["n"], line["kind"], line["body"].encode(), line["hash"]) for line in lines] == [
        (n, kind, body, stored.hex()) for n, _, kind, _, _, body, stored in look.entries()
    ]


def lines_of(path):
    return exported(path).splitlines(keepends=True)


def without(*numbers):
    return lambda lines: [line for n, line in enumerate(lines) if n not in numbers]


def with_line(number, change):
    def changed(lines):
        lines = list(lines)
        content = json.loads(lines[number])
        change(content)
        lines[number] = json.dumps(content).encode() + b"\n"
        return lines

    return changed


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (without(0), "line 1: not the beginning of an export"),
        (lambda lines: [], "line 0: not the beginning"),
        (without(-1, 34), "line 34: the file ends here"),
        (lambda lines: [*lines[:9], lines[9][:40]], "line 10: no JSON"),
        (without(5), "line 6: the chain breaks: the hash of entry 6 does not follow from 4"),
        (lambda lines: [*lines[:4], lines[5], lines[4], *lines[6:]], "line 5: the chain breaks"),
        (lambda lines: [*lines, lines[-1]], "line 36: there is more after the last line"),
        (lambda lines: [*lines[:4], b"[1]\n", *lines[4:]], "line 5: no JSON object"),
        (lambda lines: [*lines[:4], b"{}\n", *lines[4:]], "line 5: no entry"),
        (with_line(0, lambda c: c.update(version=2)), "line 1: not the beginning"),
        (with_line(0, lambda c: c.update(base=1)), "line 1: its base"),
        (with_line(3, lambda c: c.update(n=2)), "line 4: number 2 does not come after 2"),
        (with_line(3, lambda c: c.update(n=1 << 70)), "line 4: "),
        (with_line(3, lambda c: c.update(kind="tag")), "line 4: kind 'tag', but its body is a rea"),
        (with_line(3, lambda c: c.update(body=c["body"] + " ")), "line 4: the chain breaks"),
        (with_line(3, lambda c: c.update(body=3)), "line 4: no entry"),
        (with_line(34, lambda c: c.update(entries=32)), "line 35: number or head"),
        (with_line(34, lambda c: c.update(head="00")), "line 35: number or head"),
    ],
)
def test_what_is_not_whole_is_refused_with_its_line_and_leaves_nothing(
    filled, path, tmp_path, damage, said
):
    folder = tmp_path / "there"
    folder.mkdir()
    with pytest.raises(InputError, match="nothing was imported") as refusal:
        import_into(folder / "bench.journal", io.BytesIO(b"".join(damage(lines_of(path)))))
    assert str(refusal.value).startswith(said)
    assert list(folder.iterdir()) == []


def test_a_journal_that_is_there_is_left_alone(filled, path):
    before = everything(path)
    with pytest.raises(JournalError, match="a journal already"):
        import_into(path, io.BytesIO(exported(path)))
    assert everything(path) == before


def test_what_an_interrupted_import_left_is_no_hindrance(filled, path, tmp_path):
    other = tmp_path / "other.journal"
    for end in ("", "-wal", "-shm"):
        (tmp_path / f"other.journal.importing{end}").write_bytes(b"left over")
    import_into(other, io.BytesIO(exported(path)))
    assert everything(other) == everything(path)


def test_a_broken_chain_is_not_exported_unless_asked_for(filled, path):
    connection = sqlite3.connect(path)
    with connection:
        connection.execute("UPDATE entries SET hash = zeroblob(32) WHERE n = 7")
    connection.close()
    with pytest.raises(JournalError, match="breaks at entry 7"):
        exported(path)
    out = io.BytesIO()
    assert export_readable(path, out).entries == 33
    assert len(out.getvalue().splitlines()) == 35


def test_what_is_readable_of_a_damaged_file_is_exported(path, drafts, look):
    store = Store(path)
    store.append(drafts(2000))
    store.close()
    entries = {n: body for n, *_, body, _ in look.entries()}
    with path.open("r+b") as file:
        file.seek(path.stat().st_size // 2 // 4096 * 4096)
        file.write(b"\xa5" * 4096 * 8)
    out = io.BytesIO()
    moved = export_readable(path, out)
    lines = [json.loads(line) for line in out.getvalue().splitlines()[1:-1]]
    assert moved.entries == len(lines) > 1800
    assert all(entries[line["n"]] == line["body"].encode() for line in lines)
    assert lines[-1]["n"] == 2000
    assert moved.unreadable == 2000 - len(lines) > 0


# ── backups ────────────────────────────────────────────────────────────────────────────────────


def test_a_backup_is_the_same_journal_in_one_plain_file(filled, path, tmp_path):
    copy = tmp_path / "there" / "copy"
    copy.parent.mkdir()
    assert backup(path, copy) == verify(path)
    assert [each.name for each in copy.parent.iterdir()] == ["copy"]
    assert everything(copy) == everything(path)
    copy.chmod(0o400)
    reader = JournalReader(copy)
    assert reader.last_n() == 33
    reader.close()


def test_nothing_is_overwritten_by_a_backup(filled, path, tmp_path):
    (tmp_path / "copy").write_text("something")
    with pytest.raises(JournalError, match="another name"):
        backup(path, tmp_path / "copy")
    assert (tmp_path / "copy").read_text() == "something"


def test_a_backup_to_where_nothing_can_be_written_says_so(filled, path, tmp_path):
    with pytest.raises(JournalError, match="cannot be opened"):
        backup(path, tmp_path / "gone" / "copy")


def test_a_journal_that_does_not_verify_gives_no_backup(filled, path, tmp_path):
    connection = sqlite3.connect(path)
    with connection:
        connection.execute("UPDATE entries SET hash = zeroblob(32) WHERE n = 7")
    connection.close()
    with pytest.raises(JournalError, match="does not verify"):
        backup(path, tmp_path / "copy")
    assert not list(tmp_path.glob("copy*"))


def test_a_backup_made_while_another_writes_holds_one_state(path, drafts, tmp_path, monkeypatch):
    """The writer commits between the steps of the copy, on a connection of its own."""
    store = Store(path)
    store.append(drafts(4000))
    steps = []

    def write_meanwhile(done, pages):
        steps.append(done)
        store.append(drafts(50))

    monkeypatch.setattr("capture.journal.backup._PAGES", 100)
    found = backup(path, tmp_path / "copy", progress=write_meanwhile)
    store.close()
    assert len(steps) > 3
    assert steps == sorted(steps), "the copy never began anew"
    assert (found.ok, found.entries) == (True, 4000)
    assert verify(path).entries == 4000 + 50 * len(steps)
