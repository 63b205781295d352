"""Whatever is written comes back by export and import; whatever is changed is found out."""

import io
import sqlite3
import sys
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "unit" / "journal"))

import journal_entries as make

from capture.errors import CaptureError
from capture.journal import Store
from capture.journal.transfer import export, import_into
from capture.journal.verify import Held, verify
from capture.model import ReadingTag

INSTRUMENTS = st.sampled_from(["ohm-1", "lcr-1", "hand"])
NOTES = st.text(
    st.characters(exclude_categories=["Cs", "Cc"], exclude_characters="\x7f"),
    min_size=1,
    max_size=20,
)
COLUMNS = ("id", "kind", "instrument", "subject", "sequence", "body", "hash")


@st.composite
def batches(draw, draft):
    """Batches of entries; some readings are handed in twice, some results named twice."""
    made = []
    for _ in range(draw(st.integers(1, 4))):
        batch = []
        for _ in range(draw(st.integers(1, 5))):
            kind = draw(
                st.sampled_from(["reading", "named", "again", "tag", "gap", "machine", "job"])
            )
            readings = [
                each for every in [*made, batch] for each in every if hasattr(each, "digits")
            ]
            if kind == "named":
                batch.append(draft(instrument=draw(INSTRUMENTS), record=draw(NOTES)))
            elif kind == "again" and readings:
                batch.append(draw(st.sampled_from(readings)))
            elif kind == "tag" and readings:
                batch.append(make.tag(draw(st.sampled_from(readings)), note=draw(NOTES)))
            elif kind == "gap":
                batch.append(make.gap(draw(INSTRUMENTS)))
            elif kind == "machine":
                batch.append(make.machine(description=draw(NOTES)))
            elif kind == "job":
                batch.append(make.started(make.new_job()))
            else:
                tag = draw(st.none() | st.just(ReadingTag(machine="FAN-08")))
                batch.append(draft(instrument=draw(INSTRUMENTS), tag=tag))
        made.append(batch)
    return made


@pytest.fixture
def fresh():
    """Give a new folder for every example."""
    folders = []

    def make_folder():
        folders.append(tempfile.TemporaryDirectory())
        return Path(folders[-1].name)

    yield make_folder
    for folder in folders:
        folder.cleanup()


def written(folder, all_batches):
    path = folder / "bench.journal"
    store = Store(path)
    for batch in all_batches:
        store.append(batch)
    store.close()
    return path


SETTINGS = settings(
    max_examples=40,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@SETTINGS
@given(st.data())
def test_an_export_read_back_gives_the_same_export_and_the_same_head(draft, fresh, data):
    path = written(fresh(), data.draw(batches(draft)))
    found = verify(path)
    assert found.ok, found.faults
    out = io.BytesIO()
    moved = export(path, out)
    other = path.with_name("other.journal")
    assert import_into(other, io.BytesIO(out.getvalue())) == moved
    assert verify(other, [Held(moved.last, moved.head)]) == found.__class__(
        **{name: getattr(found, name) for name in found.__slots__ if name != "held"}, held=1
    )
    again = io.BytesIO()
    export(other, again)
    assert again.getvalue() == out.getvalue()


@SETTINGS
@given(st.data())
def test_any_change_to_any_column_of_any_entry_is_found_out(draft, fresh, data):
    path = written(fresh(), data.draw(batches(draft)))
    connection = sqlite3.connect(path)
    rows = connection.execute("SELECT n FROM entries ORDER BY n").fetchall()
    (n,) = data.draw(st.sampled_from(rows))
    column = data.draw(st.sampled_from(COLUMNS))
    (old,) = connection.execute(f"SELECT {column} FROM entries WHERE n = ?", (n,)).fetchone()
    if isinstance(old, bytes):
        place = data.draw(st.integers(0, len(old) - 1))
        new = old[:place] + bytes([old[place] ^ data.draw(st.integers(1, 255))]) + old[place + 1 :]
    elif isinstance(old, int):
        new = old + data.draw(st.integers(1, 9))
    else:
        new = data.draw(st.sampled_from(["else", None] if old else ["else"]))
    try:
        with connection:
            connection.execute(f"UPDATE entries SET {column} = ? WHERE n = ?", (new, n))
    except sqlite3.IntegrityError:
        return  # SQLite itself does not allow this one
    finally:
        connection.close()
    found = verify(path)
    assert not found.ok
    # A content that does not fit its hash is named itself, never only a later entry.
    assert found.faults[0].n == n


@SETTINGS
@given(st.data())
def test_any_removal_is_found_out(draft, fresh, data):
    path = written(fresh(), data.draw(batches(draft)))
    last = verify(path).last
    first = data.draw(st.integers(1, last))
    count = data.draw(st.integers(1, last))
    connection = sqlite3.connect(path)
    with connection:
        connection.execute("DELETE FROM entries WHERE n >= ? AND n < ?", (first, first + count))
    connection.close()
    assert not verify(path).ok


@SETTINGS
@given(st.data())
def test_any_flipped_byte_of_an_export_is_refused_or_changes_nothing(draft, fresh, data):
    """A flip that JSON reads as the same text (none is known) would have to give the same bytes."""
    path = written(fresh(), data.draw(batches(draft)))
    out = io.BytesIO()
    export(path, out)
    text = bytearray(out.getvalue())
    begin = text.index(b"\n") + 1  # the first line names the journal, which nothing vouches for
    place = data.draw(st.integers(begin, len(text) - 1))
    text[place] ^= data.draw(st.sampled_from([1, 2, 4, 8, 16, 32, 64, 128]))
    other = path.with_name("other.journal")
    try:
        import_into(other, io.BytesIO(bytes(text)))
    except CaptureError:
        assert not other.exists()
        return
    again = io.BytesIO()
    export(other, again)
    assert again.getvalue() == out.getvalue()
