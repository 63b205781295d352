"""What a person sees of delivery and does about it, on the command line; and the list's own file."""

import contextlib
import json
import sqlite3
from datetime import UTC, datetime

import pytest

from capture.cli import main as command_line
from capture.clock import ManualClock
from capture.errors import PublishError
from capture.journal import JournalReader, Store
from capture.publish.files import Files, names_on_disk, numbers_beside
from capture.publish.letterbox import Letterbox
from capture.publish.letters import Letters, open_letters
from capture.publish.sparkplug.numbers import BirthNumbers

AT = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
CONFIG = """
site = "sawmill"
bench = "bench-1"
[journal]
path = "j"
[broker]
[brokers.plant]
port = 1884
"""


@pytest.fixture
def rows(tmp_path, drafts):
    store = Store(tmp_path / "j")
    store.append(drafts(6))
    store.close()
    reader = JournalReader(tmp_path / "j")
    found = reader.after(0, 10)
    reader.close()
    return found


@pytest.fixture
def config(tmp_path, rows):
    path = tmp_path / "benchtally.toml"
    path.write_text(CONFIG)
    return path


@pytest.fixture
def held(tmp_path, config, rows):
    """Two dead letters at one publisher, one of them at the other as well."""
    for name, some in (("broker", rows[1:3]), ("plant", rows[2:3])):
        with contextlib.closing(Letters(Files.of(tmp_path / "j", name).letters)) as letters:
            for row in some:
                letters.hold(row, 0x90, "Topic name \x1b[31minvalid", AT)
    return rows


@pytest.fixture
def run(monkeypatch, capsys, config):
    def call(*arguments):
        monkeypatch.setattr(
            "sys.argv", ["benchtally", "outbox", *map(str, arguments), "-c", str(config)]
        )
        with pytest.raises(SystemExit) as ended:
            command_line.main()
        said = capsys.readouterr()
        assert (said.out + said.err).replace("\n", "").isprintable()
        return ended.value.code, said.out, said.err

    return call


def as_json(text):
    return [json.loads(line) for line in text.splitlines()]


def test_letters_are_listed_with_publisher_reason_and_code(run, held):
    code, out, _ = run("list", "--json")
    assert code == 0
    listed = as_json(out)
    assert [(each["publisher"], each["n"], each["code"]) for each in listed] == [
        ("broker", 2, "0x90"),
        ("broker", 3, "0x90"),
        ("plant", 3, "0x90"),
    ]
    assert listed[0]["id"] == str(held[1].id)
    code, out, _ = run("list", "--publisher", "plant")
    assert code == 0
    assert str(held[2].id) in out
    assert str(held[1].id) not in out
    assert run("list", "--publisher", "nowhere")[0] == 2


def test_without_letters_the_list_says_so(run, rows):
    assert run("list") == (0, "no refused messages\n", "")


def test_a_letter_is_shown_with_the_bytes_of_the_journal(run, held):
    code, out, _ = run("show", held[1].id, "--json")
    assert code == 0
    (shown,) = as_json(out)
    assert shown["body"] == json.loads(held[1].body)
    assert run("show", held[1].id)[0] == 0
    code, _, err = run("show", held[5].id)
    assert (code, err.count("\n")) == (2, 1)
    assert "no dead letter" in err
    assert run("show", "not-an-id")[0] == 2


def test_retrying_marks_what_was_named(run, held, tmp_path):
    assert run("retry", held[2].id)[:2] == (0, "2 to be sent again\n")
    states = {
        (each["publisher"], each["n"]): each["state"] for each in as_json(run("list", "--json")[1])
    }
    assert states == {("broker", 2): "held", ("broker", 3): "due", ("plant", 3): "due"}
    assert run("retry", "--all")[:2] == (0, "1 to be sent again\n")
    assert run("retry")[0] == 2
    assert run("retry", "--all", held[2].id)[0] == 2
    code, _, err = run("retry", held[1].id, held[5].id)
    assert code == 2
    assert str(held[5].id) in err


def test_giving_up_needs_a_reason_and_leaves_a_trace(run, held):
    assert run("drop", held[1].id)[0] == 2
    assert run("drop", held[1].id, "--reason", " ")[0] == 2
    assert run("drop", held[1].id, "--reason", "x" * 201)[0] == 2
    assert run("drop", held[1].id, "--reason", "test set-up, no reading")[0] == 0
    assert [each["n"] for each in as_json(run("list", "--json")[1])] == [3, 3]
    dropped = next(each for each in as_json(run("list", "--all", "--json")[1]) if each["n"] == 2)
    assert (dropped["state"], dropped["reason"]) == ("dropped", "test set-up, no reading")
    assert run("drop", held[1].id, "--reason", "again")[0] == 1


def test_publishers_are_shown_with_what_is_to_come(run, held, tmp_path):
    reader = JournalReader(tmp_path / "j")
    text = json.dumps({"journal": reader.journal_id, "delivered": 4})
    reader.close()
    (tmp_path / "j.plant.delivered").write_text(text)
    code, out, _ = run("publishers", "--json")
    assert code == 0
    assert [
        (each["publisher"], each["configured"], each["delivered"], each["backlog"], each["held"])
        for each in as_json(out)
    ] == [("broker", True, 0, 6, 2), ("plant", True, 4, 2, 1)]


def test_a_removed_publisher_is_seen_until_it_is_dropped(run, held, config, tmp_path):
    assert run("drop-publisher", "plant")[0] == 2, "it is still configured"
    config.write_text(CONFIG.replace("[brokers.plant]\nport = 1884\n", ""))
    listed = as_json(run("publishers", "--json")[1])
    assert [(each["publisher"], each["configured"]) for each in listed] == [
        ("broker", True),
        ("plant", False),
    ]
    code, _, err = run("drop-publisher", "plant")
    assert code == 2
    assert "6 entries and 1 dead letters were never delivered" in err
    lock = Files.of(tmp_path / "j", "plant").make_lock()
    assert lock.try_take()
    assert BirthNumbers(numbers_beside(Files.of(tmp_path / "j", "plant").cursor)).take() == 0
    assert run("drop-publisher", "plant", "--undelivered")[0] == 1, "it still runs"
    lock.release()
    assert run("drop-publisher", "plant", "--undelivered")[0] == 0
    assert names_on_disk(tmp_path / "j") == ["broker"]
    assert not list(tmp_path.glob("j.plant*"))
    assert run("drop-publisher", "plant")[0] == 2


# ── the file of the list ─────────────────────────────────────────────────────────────────────


def test_a_second_refusal_counts_and_keeps_when_the_first_was(tmp_path, rows):
    with contextlib.closing(Letters(tmp_path / "l")) as letters:
        letters.hold(rows[0], 0x90, "one", AT)
        letters.retry()
        letters.hold(rows[0], 0x99, "two", AT.replace(hour=9))
        (letter,) = letters.all()
    assert (letter.attempts, letter.code, letter.reason, letter.state) == (2, 0x99, "two", "held")
    assert (letter.first[11:13], letter.last[11:13]) == ("08", "09")
    assert letter.row == rows[0]


def test_what_was_given_up_stays_so_when_it_is_met_again(tmp_path, rows):
    with contextlib.closing(Letters(tmp_path / "l")) as letters:
        letters.hold(rows[0], 0x90, "one", AT)
        letters.drop(rows[0].id, "not needed", AT)
        letters.hold(rows[0], 0x90, "two", AT)
        assert letters.all() == []
        assert letters.count() == 0


@pytest.mark.parametrize(
    "content", [b"\xff" * 4096, b"no database, but long enough to be one" * 50]
)
def test_a_damaged_list_is_set_aside_and_everything_is_delivered_again(tmp_path, rows, content):
    path = tmp_path / "l"
    path.write_bytes(content)
    letters, unknown = open_letters(path, "journal-1")
    letters.close()
    assert unknown
    assert (tmp_path / "l.aside-1").read_bytes() == content
    letters, unknown = open_letters(path, "journal-1")
    letters.close()
    assert not unknown


@pytest.mark.parametrize("rest", [b"", b"S"])
def test_a_list_that_was_cut_to_nothing_is_set_aside_and_no_new_one(tmp_path, rows, rest):
    """What was on it is not at the broker: everything has to be delivered again."""
    path = tmp_path / "l"
    with contextlib.closing(open_letters(path, "journal-1")[0]) as letters:
        letters.hold(rows[0], 0x90, "one", AT)
    path.write_bytes(rest)
    with pytest.raises(PublishError, match="is empty"):
        Letters(path)
    letters, unknown = open_letters(path, "journal-1")
    letters.close()
    assert unknown
    assert (tmp_path / "l.aside-1").read_bytes() == rest


def test_a_page_that_has_lost_its_letters_is_damage(tmp_path, rows):
    """SQLite itself reads such a page as one without rows, and a letter would be lost in silence."""
    path = tmp_path / "l"
    with contextlib.closing(open_letters(path, "journal-1")[0]) as letters:
        letters.hold(rows[0], 0x90, "one", AT)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        page, size = (
            connection.execute(query).fetchone()[0]
            for query in (
                "SELECT rootpage FROM sqlite_schema WHERE name = 'letters'",
                "PRAGMA page_size",
            )
        )
    with path.open("r+b") as file:
        file.seek((page - 1) * size + 3)  # number of cells; fileformat2.html, 1.6
        file.write(b"\0\0")
    letters, unknown = open_letters(path, "journal-1")
    letters.close()
    assert unknown
    assert (tmp_path / "l.aside-1").exists()


def test_a_list_of_which_sqlite_speaks_in_no_text_is_set_aside(tmp_path, rows):
    """Its module then raises what is no error of SQLite's."""
    path = tmp_path / "l"
    open_letters(path, "journal-1")[0].close()
    path.write_bytes(path.read_bytes().replace(b"CREATE TABLE meta", b"CREATE TABL\xfe\xffmeta"))
    letters, unknown = open_letters(path, "journal-1")
    letters.close()
    assert unknown


def test_a_letter_of_another_number_is_damage(tmp_path, rows):
    """Its entry would never leave the list; the index knows it by the number it had."""
    path = tmp_path / "l"
    with contextlib.closing(open_letters(path, "journal-1")[0]) as letters:
        letters.hold(rows[0], 0x90, "one", AT)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        page, size = (
            connection.execute(query).fetchone()[0]
            for query in (
                "SELECT rootpage FROM sqlite_schema WHERE name = 'letters'",
                "PRAGMA page_size",
            )
        )
    content = bytearray(path.read_bytes())
    begin = (page - 1) * size
    cell = begin + int.from_bytes(content[begin + 8 : begin + 10])
    while content[cell] & 0x80:  # the length of the row; fileformat2.html, 1.6
        cell += 1
    assert content[cell + 1] == rows[0].n
    content[cell + 1] ^= 0x40
    path.write_bytes(content)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT n FROM letters NOT INDEXED").fetchone() == (
            rows[0].n ^ 0x40,
        )
        assert connection.execute("PRAGMA quick_check").fetchone() == ("ok",)
    letters, unknown = open_letters(path, "journal-1")
    letters.close()
    assert unknown


def test_a_list_of_another_journal_or_program_is_set_aside(tmp_path, rows):
    path = tmp_path / "l"
    letters, _ = open_letters(path, "journal-1")
    letters.hold(rows[0], 0x90, "one", AT)
    letters.close()
    letters, unknown = open_letters(path, "journal-2")
    assert unknown
    assert letters.all() == []
    letters.close()
    other = tmp_path / "other"
    with contextlib.closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE theirs (x)")
    letters, unknown = open_letters(other, "journal-1")
    letters.close()
    assert unknown
    assert (tmp_path / "other.aside-1").exists()


def test_a_list_that_is_only_locked_is_not_set_aside(tmp_path, rows, monkeypatch):
    path = tmp_path / "l"
    open_letters(path, "journal-1")[0].close()
    monkeypatch.setattr("capture.publish.letters._BUSY_MS", 50)
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(PublishError, match="locked"):
            open_letters(path, "journal-1")
        other.execute("ROLLBACK")
    assert not list(tmp_path.glob("l.aside*"))


def test_the_letterbox_notices_what_another_process_does(tmp_path, rows):
    clock = ManualClock()
    mine, theirs = Letters(tmp_path / "l"), Letters(tmp_path / "l")
    try:
        box = Letterbox(mine, 3, clock)
        box.hold(
            rows[0],
            0x90,
            "one",
        )
        box.hold(rows[1], 0x90, "two")
        assert box.next_due() is None
        theirs.retry([rows[1].id])
        clock.advance(1)
        box.look()
        assert box.next_due().row == rows[1]
        assert box.next_due() is None, "each once"
        box.delivered(rows[1].n)
        assert box.numbers == {rows[0].n}
        theirs.drop(rows[0].id, "no", AT)
        clock.advance(1)
        box.look()
        assert box.numbers == set()
        assert not box.full
    finally:
        mine.close()
        theirs.close()


@pytest.mark.parametrize("name", ["lock", "new", "delivered", "letters", "a-b"])
def test_no_name_of_a_publisher_meets_another_ones_files(tmp_path, name):
    journal = tmp_path / "bench.journal"
    mine, other = Files.of(journal, name), Files.of(journal, "broker")
    paths = {mine.cursor, mine.letters, mine.lock, other.cursor, other.letters, other.lock}
    assert len(paths) == 6
    mine.letters.touch()
    assert names_on_disk(journal) == [name]
    other.cursor.touch()
    assert names_on_disk(journal) == sorted(["broker", name])
