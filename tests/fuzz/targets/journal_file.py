"""A damaged journal: its file and its log cut, flipped and overwritten anywhere, then used.

As a daemon does at its start: what SQLite finds damaged is set aside whole, and the new journal
verifies, goes on and takes readings. As commands do: each works, or is refused in one line. No entry
is lost in silence: where `verify` finds no fault, the journal holds what was written, from the first
entry on. Only of a damaged log the end may be missing, because SQLite takes a log up to the first
frame that does not hold: that is how it tells what a power cut left half written. A daemon tells of
it where it is more than that.
"""

import io
import json
from contextlib import closing
from datetime import UTC, datetime
from functools import cache
from uuid import UUID

import entries
from choices import Choices
from damage import damaged, flip, folder
from legal import refused_in_words

from capture.errors import InputError, JournalError
from capture.journal import JournalReader, Store
from capture.journal.aside import begin_anew, damage_of, set_aside
from capture.journal.backup import backup
from capture.journal.broken_log import keep_broken_log, tell_of
from capture.journal.info import look
from capture.journal.quick import look_over
from capture.journal.rebuild import rebuild
from capture.journal.transfer import export, export_readable
from capture.journal.trim import plan, trim
from capture.journal.verify import verify
from capture.publish.progress import delivered_by, known_journal

MUTATIONS = 60
_PAGES = (512, 4096)
_NOW = datetime(2026, 2, 1, 8, 0, tzinfo=UTC)
_NEW = entries.reading(5000)
_ID = UUID("0195c0de-0003-7000-8000-000000000003")
_BENCH = {"site": "sawmill", "bench": "bench-1"}
_CUT = "cut.jsonl"
_REFUSED = (JournalError, InputError)
_journal = cache(entries.journal)


def seeds():
    """Give a whole journal, cuts of file and log to nothing and in the middle, and pages gone."""
    for flags in range(16):
        for what in range(len(_COMMANDS) if flags in (8, 9) else 1):
            yield bytes((flags, what))
        for file in (0, 1):
            yield bytes((flags, 0, 1, file, 4, 0, 0, 0))  # cut to nothing
    for place in range(0, 256, 64):
        for change in (0, 3, 4, 5):
            for flags in (0, 9):
                yield bytes((flags, place // 32, 1, 0, change, place | 1, place, 7))
                yield bytes((flags, place // 32 + 1, 1, 1, change, place, place, 7))
    yield bytes((2, 0, 1, 0, 4, 0, 0, 0, 1, 4, 0, 0, 0))


def target(data):
    """Damage a journal, and let a daemon start on it or a command use it."""
    choices = Choices(data)
    flags, command = choices.byte(), choices.of(_COMMANDS)
    made = _journal(_PAGES[flags & 1])
    done = []
    main, log = damaged(choices, made.files, done)
    with folder() as where:
        path = where / "b.journal"
        path.write_bytes(main)
        if log:
            path.with_name("b.journal-wal").write_bytes(log)
        if flags & 2:
            path.with_name("b.journal.reserve").write_bytes(b"")
        if flags & 4:
            path.with_name("b.journal.delivered").write_text('{"journal": "x", "delivered": 3}')
        least = len(made.entries) if log == made.files[1] else made.settled
        if flags & 8:
            command(path)
        else:
            _start(path)
            if done == [flip] and not list(where.glob("b.journal.log-*")):
                # Each of the last entries is a commit. Of one that looks like what a power cut
                # left, and of one whose own mark the bit was, nothing is said.
                least = max(least, len(made.entries) - 2)
        _nothing_lost(where, made.entries, least)


def _start(path):
    """Do what the daemon does before it opens its journal, then write to it."""
    try:
        with refused_in_words(JournalError):
            broken = keep_broken_log(path, _NOW)
            why = damage_of(path)
            if why is None and broken is not None:
                tell_of(path, broken, instruments=["ohm-1"], now=_NOW, **_BENCH)
            if why is not None:
                assert why
                assert "\n" not in why
                _begin_anew(path, why)
            _append(path)
            return
    except _NotOursError:
        pass


class _NotOursError(Exception):
    """Nothing shows that the file was a journal."""


def _begin_anew(path, why):
    delivered = delivered_by(path, known_journal(path) or "")
    signs = [
        each for each in (".reserve", ".delivered") if path.with_name(path.name + each).exists()
    ]
    marked = path.read_bytes()[68:72] == b"BTLY"
    try:
        aside = set_aside(path, why, min(delivered.values(), default=0), _NOW)
    except JournalError:
        assert not signs
        assert not marked
        assert path.exists()
        raise _NotOursError from None
    assert aside.to.exists()
    begin_anew(path, aside, instruments=["ohm-1"], now=_NOW, **_BENCH)
    with closing(Store(path)) as store:
        names = sorted({"ohm-1", *aside.sequences})
        stored = store.append([entries.reading(6000 + n, name) for n, name in enumerate(names)])
    for name, each in zip(names, stored, strict=True):
        assert each.n
        assert each.sequence == aside.sequences.get(name, 0) + 1
    found = verify(path, deep=True)
    assert found.ok, found.faults
    assert damage_of(path) is None


def _nothing_lost(where, written, least):
    """Look at each journal that claims to be whole: it holds what was written, from the first on."""
    for path in (where / "b.journal", *where.glob("b.journal.corrupt-*Z")):
        try:
            found = verify(path)
            if not found.ok:
                continue
            with closing(JournalReader(path)) as reader:
                rows = [(row.n, row.body) for row in reader.after(0, 1000)]
        except JournalError as error:
            assert "\n" not in str(error)
            continue
        if rows and b'"set-aside"' in rows[0][1]:
            assert list(where.glob("b.journal.corrupt-*")), "it tells of a file that is not there"
            continue
        known = {body for _, body in written}
        while rows and rows[-1][1] not in known:
            rows.pop()  # was added by the command
        cut = found.base.n
        rows = [row for row in rows if row[0] > cut]  # a trim that was interrupted leaves some
        if cut:
            kept = [json.loads(line)["body"].encode() for line in _lines(where / _CUT)[1:-1]]
            assert kept == [body for _, body in written[:cut]], "cut off, and not written out"
        there = cut + len(rows)
        assert rows == written[cut:there]
        assert there >= least, f"{least - there} entries are gone, and nothing says so"


def _lines(path):
    return path.read_bytes().splitlines()


def _append(path):
    with closing(Store(path)) as store:
        (stored,) = store.append([_NEW])
        assert stored.n
        assert stored.sequence


def _read(path):
    with closing(JournalReader(path)) as reader:
        reader.journal_id  # noqa: B018 - whether it can be read
        reader.head()
        reader.after(0, 1000)
        reader.entry(_ID)
        reader.reading("ohm-1", 3)
        reader.last_reading("ohm-1")
        reader.readings_between("ohm-1", 1, 5)
        reader.last_readings()
        list(reader.readings())
        list(reader.readings(newest_first=True, instrument="ohm-1", machine="FAN-09"))
        reader.with_tag({"id": str(_ID)})
        reader.current_tag_id(_ID)
        list(reader.newest("resistance", since=0))
        reader.first_after(_NOW)
        reader.newest_by_subject("machine")
        reader.of_subject("machine", "FAN-07")
        reader.quantities()
        reader.last_n()


def _copy(path):
    backup(path, path.with_name("copy.journal"))


def _save(path):
    assert export_readable(path, io.BytesIO()).entries >= 0


def _rebuild(path):
    rebuild(path)
    assert rebuild(path) == {}


def _trim(path):
    def found():
        return plan(path, _NOW, {"b.journal.delivered": 30})

    trim(path, found, to=path.with_name(_CUT), operator="technician", now=_NOW, **_BENCH)


def _in_words(command):
    def told(path):
        with refused_in_words(*_REFUSED):
            command(path)

    return told


_COMMANDS = tuple(
    _in_words(each)
    for each in (
        _append,
        _read,
        lambda path: verify(path, deep=True),
        look,
        look_over,
        lambda path: export(path, io.BytesIO()),
        _save,
        _copy,
        _rebuild,
        _trim,
    )
)
