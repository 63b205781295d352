"""The small files beside a journal, damaged: operators, dead letters, cursors, counted connections.

Operators: the file works or is refused in one line; nobody gets in with a wrong secret or with none,
and no damaged file looks like one of a bench where nobody is registered. Dead letters: none disappears in silence; a list that cannot be read is set aside, whole, and all is delivered again.
Cursors and numbers: a number that can be, and every cursor that is ahead of its journal is set aside.
"""

import uuid
from contextlib import closing
from datetime import UTC, datetime
from functools import cache

from choices import Choices
from damage import damaged, folder
from legal import refused_in_words
from structlog.testing import capture_logs

from capture.access.file import AccessFile
from capture.access.operators import Operators
from capture.access.secret import Hasher
from capture.access.sessions import Sessions
from capture.clock import ManualClock
from capture.errors import AccessError, InputError, PublishError
from capture.filelock import FileLock
from capture.journal import Row
from capture.publish.files import names_on_disk
from capture.publish.letterbox import Letterbox
from capture.publish.letters import Letters, open_letters
from capture.publish.progress import delivered_by, known_journal, set_aside_ahead
from capture.publish.sparkplug.numbers import BirthNumbers

MUTATIONS = 250
_NOW = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
_HASHER = Hasher(passes=1, kibibytes=8)
_NAMES = ("technician", "shift lead", "winder")
_SECRET = "371 594 826"
_LETTERS = tuple(
    Row(n, uuid.UUID(int=n << 64 | 7).bytes, "reading", "ohm-1", "resistance", b'{"n": %d}' % n)
    for n in range(3, 40, 3)
)
_JOURNAL = "0195c0de-0000-7000-8000-000000000001"


def seeds():
    """Give whole files, cut ones, pages gone, and cursors of all kinds."""
    for kind in (0, 1):
        yield bytes((kind,))
        for change in (3, 4, 5, 6):
            for place in range(0, 256, 64):
                for file in (0, 1):
                    yield bytes((kind, 1, file, change, place, place, 0))
    cursor = b'{"journal": "%s", "delivered": %s}'
    for delivered in (b"12", b"0", b"-1", b"1e300", b"NaN", b"9" * 30, b"true", b'"7"', b"null"):
        yield b"\2" + cursor % (_JOURNAL.encode(), delivered)
    yield b"\2" + cursor % (b"another", b"5")
    yield b"\2" + b"[" * 3000
    yield b"\2" + b" " * 3000 + b"1"
    for text in (b"0\n", b"255\n", b"-1", b"9" * 5000, b"", b"\xb2", b"1_0", b" 7 ", b"x"):
        yield b"\3" + text


def target(data):
    """Let whoever uses a file use it."""
    choices = Choices(data)
    used = choices.of((_operators, _dead_letters, _cursor, _numbers))
    with folder() as where:
        used(choices, where)


@cache
def _access():
    """Make a file of operators, and what its log holds, with the token of one who is in."""
    with folder() as made:
        path = made / "b.journal.operators"
        with closing(AccessFile(path)) as file:
            operators = Operators(file)
            for name in _NAMES[:2]:
                operators.add(name, "rewinds", _HASHER.hash(_SECRET), _NOW)
            with file.writes() as connection:
                pass
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            operators.add(_NAMES[2], "", _HASHER.hash(_SECRET), _NOW)
            token = _sessions(file).begin("winder", _NOW, "127.0.0.1", proven=True).token
            files = path.read_bytes(), path.with_name(path.name + "-wal").read_bytes()
    return files, token


def _sessions(file):
    return Sessions(file, idle_s=600, longest_s=6000, unproven=True)


def _operators(choices, where):
    files, token = _access()
    main, log = damaged(choices, files)
    path = where / "b.journal.operators"
    path.write_bytes(main)
    if log:
        path.with_name(path.name + "-wal").write_bytes(log)
    with refused_in_words(AccessError, InputError), closing(AccessFile(path)) as file:
        operators, sessions = Operators(file), _sessions(file)
        assert operators.any(), "as if nobody were registered"
        for each in operators.all():
            assert each.added.tzinfo is UTC
        for name in _NAMES:
            known = operators.find(name)
            assert not _HASHER.verify(known and known[1], "")
            assert not _HASHER.verify(known and known[1], _SECRET[:-1])
        assert sessions.find("A" * 43, _NOW) is None
        session = sessions.find(token, _NOW)
        assert session is None or isinstance(session.operator, str)
        made = sessions.begin("technician", _NOW, "127.0.0.1", proven=True)
        sessions.touch(made, _NOW)
        sessions.end(made.token)
        assert sessions.find(made.token, _NOW) is None
        operators.add("foreman", "", _HASHER.hash(_SECRET), _NOW)
        operators.set_secret("foreman", _HASHER.hash("725 916 043"), _NOW)
        operators.remove("foreman")


@cache
def _list():
    with folder() as made:
        with closing(Letters(made / "l")) as letters:
            assert letters.belongs_to(_JOURNAL)
            for row in _LETTERS:
                letters.hold(row, 151, "refused: quota exceeded", _NOW)
            letters.retry([_LETTERS[1].id])
            letters.drop(_LETTERS[2].id, "known", _NOW)
        return ((made / "l").read_bytes(),)


def _dead_letters(choices, where):
    (content,) = damaged(choices, _list())
    path = where / "b.journal.letters"
    path.write_bytes(content)
    with refused_in_words(PublishError), capture_logs() as told:
        letters, unknown = open_letters(path, _JOURNAL)
        with closing(letters):
            assert [each["event"] for each in told] == ["outbox.set_aside"] * unknown
            asides = list(where.glob("*.aside-*"))
            assert unknown == bool(asides)
            for aside in asides:
                assert aside.read_bytes() == content
            box = Letterbox(letters, 100, ManualClock())
            letters.all(dropped=True)
            if unknown:
                assert not box.numbers
            else:
                assert {row.n for row in _LETTERS} == {
                    each.row.n for each in letters.all(dropped=True)
                }, "letters are gone, and nothing says so"
            while box.next_due() is not None:
                pass
            box.hold(_LETTERS[0], 151, "refused")
            letters.count()
            letters.find(_LETTERS[3].id)
            letters.drop(_LETTERS[3].id, "known", _NOW)
            letters.retry()
            box.delivered(_LETTERS[0].n)
            assert _LETTERS[0].n not in {each.row.n for each in letters.all(dropped=True)}


def _cursor(choices, where):
    journal, content = where / "b.journal", choices.rest()
    journal.with_name("b.journal.delivered").write_bytes(content)
    journal.with_name("b.journal.plant.delivered").write_text(
        f'{{"journal": "{_JOURNAL}", "delivered": 7}}'
    )
    found = delivered_by(journal, _JOURNAL)
    assert found["b.journal.plant.delivered"] == 7
    assert all(isinstance(each, int) and each >= 0 for each in found.values())
    assert known_journal(journal) in (None, _JOURNAL)
    assert names_on_disk(journal) == ["broker", "plant"]
    ahead = {each.name for each in set_aside_ahead(journal, _JOURNAL, 10, _NOW)}
    assert ahead == {name for name, delivered in found.items() if delivered > 10}
    assert all(each <= 10 for each in delivered_by(journal, _JOURNAL).values())


def _numbers(choices, where):
    content = choices.rest()
    (where / "n").write_bytes(content)
    numbers = BirthNumbers(where / "n")
    first = numbers.take()
    assert 0 <= first < 256
    assert BirthNumbers(where / "n").take() == numbers.take() == (first + 1) % 256
    (where / "lock").write_bytes(content)
    assert "\n" not in FileLock(where / "lock").holder()
