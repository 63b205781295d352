"""Retention: old entries cut off the journal, and an anchor that vouches for the rest.

A cut never splits a job, and never touches one that is not signed off. It is written out first.
The anchor and the new beginning are stored in one transaction; the deleting that follows goes in
short ones, so that the daemon can write in between. If it is interrupted, the next trim ends it.
"""

import hashlib
import os
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from pydantic import ValidationError

from capture.errors import JournalError
from capture.journal.chain import read_body
from capture.journal.database import BODY, HASH, ID, base_of, connect, set_meta, translated
from capture.journal.info import stamp_of
from capture.journal.store import Transaction
from capture.journal.transfer import export
from capture.model import new_id
from capture.model.anchor import Anchor, Base
from capture.model.fields import rfc3339
from capture.model.machine import MachineEntry

_PAGE = 2000
_CHUNK = 1000  # deleted at once: some 20 ms, for which nobody else can write
_PATIENCE_MS = 60_000  # a busy daemon may come first for long; it must not wait for us, but we can
_PAUSE = 0.02  # seconds between two deletions, for whoever waits to write
_MOST_PLANS = 3
_OPEN = 1 << 62  # where a job ends that has not ended


@dataclass(frozen=True, slots=True)
class Plan:
    """What a trim would cut.

    Attributes:
        base: what the journal would begin after; as it is now where nothing is to be cut.
        count: entries that would go.
        first: number of the first of them.
        held_by: what keeps the next entry, in words.
        newest: number of the newest entry when this was planned.
    """

    base: Base
    count: int
    first: int
    held_by: str
    newest: int


@dataclass(frozen=True, slots=True)
class Span:
    """What belongs together: from its first reading or entry to its last."""

    first: int
    last: int
    name: str


class _MovedOn(Exception):
    """Somebody has written to a job since the plan was made."""


def plan(path: Path, before: datetime, delivered: Mapping[str, int]) -> Plan:
    """Find what can be cut: entries older than ``before`` that every publisher has delivered.

    The cut ends before the first entry that is not older (the host's clock may have been wrong for
    a while, so a stamp alone proves little), and never inside a job.

    Raises:
        JournalError: the journal cannot be read, or an entry is not as it must be.
    """
    connection = connect(path, read_only=True)
    try:
        with translated(path):
            return _plan(connection, before, delivered)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise JournalError(
            f"{path}: an entry is not as it must be ({type(error).__name__}: {error}); nothing was "
            "cut, see `benchtally journal verify`"
        ) from error
    finally:
        connection.close()


def trim(
    path: Path,
    plan_: Callable[[], Plan],
    *,
    to: Path,
    site: str,
    bench: str,
    operator: str,
    now: datetime,
) -> Anchor | None:
    """Cut what ``plan_`` finds, after writing it to ``to``; None where there is nothing to cut.

    ``plan_`` is asked again where a job was written to in between.

    Raises:
        JournalError: the chain is broken there, ``to`` exists or cannot be written, or jobs are
            being written to all the time; nothing was cut.
    """
    connection = connect(path)
    connection.execute(f"PRAGMA busy_timeout = {_PATIENCE_MS}")
    try:
        _refuse_unvouched(connection, path)
        _delete(connection, path)  # what an earlier trim left behind
        for _ in range(_MOST_PLANS):
            found = plan_()
            if not found.count:
                return None
            digest = _write_out(path, to, found)
            anchor = Anchor(
                id=new_id(),
                site=site,
                bench=bench,
                time=now,
                cause="trimmed",
                base=found.base,
                count=found.count,
                operator=operator,
                export=to.name,
                export_sha256=digest,
            )
            try:
                anchor = _set_anchor(connection, path, anchor, found)
            except _MovedOn:
                to.unlink()
                continue
            _delete(connection, path)
            return anchor
    finally:
        connection.close()
    raise JournalError(f"{path}: jobs are being written to; trim it when the bench is quiet")


def _plan(connection: sqlite3.Connection, before: datetime, delivered: Mapping[str, int]) -> Plan:
    base = base_of(connection)
    newest = int(connection.execute("SELECT max(n) FROM entries").fetchone()[0] or base.n)
    last, held_by = _delivered_up_to(delivered, newest)
    sequences, records = dict(base.sequences), list(base.records)
    stamp = rfc3339(before)
    cut, keyed = base.n, dict[str, int]()
    for n, body in _entries(connection, base.n, last):
        if stamp_of(body) >= stamp:
            held_by = f"entry {n} is not older than {stamp}"
            break
        cut = n
        tag = read_body(body).get("tag") or {}
        if job := tag.get("job"):
            keyed.setdefault(str(job), n)
    for span in sorted(_spans(connection, keyed), key=lambda each: each.first, reverse=True):
        if span.first <= cut < span.last:
            cut, held_by = span.first - 1, span.name
    cut = max(cut, base.n)
    count = 0
    for _, body in _entries(connection, base.n, cut):
        count += 1
        content = read_body(body)
        if "quantity" in content:
            sequences[content["instrument"]] = content["sequence"]
            if record := content.get("record"):
                records.append((content["instrument"], record))
    row = connection.execute(
        f"SELECT n, {HASH} FROM entries WHERE n = ?",  # noqa: S608 - fixed words only
        (cut,),
    ).fetchone()
    if count and row is not None:
        base_after = Base(n=cut, hash=row[1].hex(), sequences=sequences, records=tuple(records))
    else:
        base_after, count = base, 0
    return Plan(base_after, count, base.n + 1, held_by, newest)


def _delivered_up_to(delivered: Mapping[str, int], newest: int) -> tuple[int, str]:
    if not delivered:
        return 0, "no publisher has delivered anything yet"
    slowest = min(delivered, key=lambda name: delivered[name])
    last = delivered[slowest]
    if last >= newest:
        return newest, "nothing"
    return last, f"publisher {slowest} has delivered up to entry {last} only"


def _entries(connection: sqlite3.Connection, after: int, last: int) -> Iterator[tuple[int, bytes]]:
    while rows := connection.execute(
        f"SELECT n, {BODY} FROM entries WHERE n > ? AND n <= ? ORDER BY n LIMIT ?",  # noqa: S608 - fixed words only
        (after, last, _PAGE),
    ).fetchall():
        if rows[-1][0] < after + len(rows):
            raise ValueError("entries are not in the order of their numbers")
        yield from rows
        after = rows[-1][0]


def _spans(connection: sqlite3.Connection, keyed: Mapping[str, int]) -> list[Span]:
    """Give what must not be split: a job's entries, readings, results, records; other results."""
    first: dict[str, int] = dict(keyed)
    last: dict[str, int] = {}
    signed: set[str] = set()
    void: set[str] = set()
    owed: dict[str, set[str]] = {}
    rows = connection.execute(
        f"SELECT kind, n, {ID}, subject, {BODY} FROM entries "  # noqa: S608 - fixed words only
        "WHERE kind IN ('job', 'result', 'record') ORDER BY n"
    )
    for kind, n, id_, subject, body in rows:
        name = subject or id_.hex()
        content = read_body(body)
        if kind == "result" and subject is None:
            signed.add(name)  # stands by itself: complete as soon as it is there
        event = content.get("event", {})
        if event.get("action") == "signed-off":
            signed.add(name)
        elif event.get("voids") is True:
            void.add(name)
        elif event.get("action") == "applied":
            owed.setdefault(name, set()).add(event.get("step"))
        elif event.get("action") == "discharged":
            owed.get(name, set()).discard(event.get("step"))
        numbers = [n, *_numbers(connection, _readings_of(content))]
        first[name] = min(first.get(name, n), *numbers)
        last[name] = max(last.get(name, n), n)
    # Nobody signs a void job off; it is over once every discharge it owes has been confirmed.
    signed |= {name for name in void if not owed.get(name)}
    why = dict.fromkeys(void, "is void, and a discharge in it is not confirmed")
    return [
        Span(begin, last[name], f"job {name} lies across that place")
        if name in signed
        else Span(begin, _OPEN, f"job {name} {why.get(name, 'is not signed off')}")
        for name, begin in first.items()
    ]


def _readings_of(content: dict[str, Any]) -> list[str]:
    event = content.get("event") or {}
    found = [*event.get("readings", ()), *content.get("inputs", ())]
    return [*found, event["reading"]] if "reading" in event else found


def _numbers(connection: sqlite3.Connection, ids: list[str]) -> list[int]:
    found = []
    for text in ids:
        try:
            id_ = bytes.fromhex(text.replace("-", ""))
        except ValueError:
            continue  # an input of a result need not be a reading
        row = connection.execute("SELECT n FROM entries WHERE id = ?", (id_,)).fetchone()
        if row is not None:
            found.append(int(row[0]))
    return found


class _Hashing:
    """Writes through to a file and keeps the digest."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self.digest = hashlib.sha256()

    def write(self, data: bytes) -> int:
        self.digest.update(data)
        return self._file.write(data)


def _write_out(path: Path, to: Path, found: Plan) -> str:
    """Write what is to be cut, read it back, and give its SHA-256."""
    try:
        with to.open("xb") as file:
            through = _Hashing(file)
            moved = export(path, through, last=found.base.n)  # type: ignore[arg-type] # writes only
            file.flush()
            os.fsync(file.fileno())
        with to.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except FileExistsError as error:
        raise JournalError(f"{to}: is there already; give the export another name") from error
    except OSError as error:
        to.unlink(missing_ok=True)
        raise JournalError(f"{to}: cannot be written: {error.strerror}; nothing cut") from error
    wanted = (found.count, found.base.n, found.base.hash, digest)
    if wanted != (moved.entries, moved.last, moved.head.hex(), through.digest.hexdigest()):
        raise JournalError(f"{to}: does not hold what is to be cut; nothing was cut")
    return digest


def _set_anchor(connection: sqlite3.Connection, path: Path, anchor: Anchor, found: Plan) -> Anchor:
    with translated(path):
        connection.execute("BEGIN IMMEDIATE")
        try:
            moved_on = connection.execute(
                "SELECT 1 FROM entries WHERE n > ? AND kind IN ('job', 'result') LIMIT 1",
                (found.newest,),
            ).fetchone()
            if moved_on or base_of(connection).n + 1 != found.first:
                raise _MovedOn
            anew = _said_anew(connection, anchor.base.n)
            pairs = tuple((old, entry.id) for old, entry in anew)
            anchor = anchor.model_copy(update={"restated": pairs})
            Transaction(connection).append_all([*(entry for _, entry in anew), anchor])
            set_meta(connection, "base", anchor.base.model_dump_json())
            for table in ("last_values", "current_tags"):
                connection.execute(
                    f"DELETE FROM {table} WHERE n <= ?",  # noqa: S608 - fixed words only
                    (anchor.base.n,),
                )
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    return anchor


def _said_anew(connection: sqlite3.Connection, cut: int) -> list[tuple[Any, MachineEntry]]:
    """Say anew what is known of machines, where the entry that holds is about to go.

    By whom and when it was said stays as it was.
    """
    rows = connection.execute(
        "SELECT body FROM entries WHERE n IN (SELECT max(n) FROM entries WHERE kind = 'machine' "
        "GROUP BY subject) AND n <= ? ORDER BY n",
        (cut,),
    ).fetchall()
    entries = [MachineEntry.model_validate_json(body) for (body,) in rows]
    return [(entry.id, entry.model_copy(update={"id": new_id()})) for entry in entries]


def _refuse_unvouched(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse to delete what stands before a beginning that no anchor entry tells of.

    The beginning is a word beside the chain; where it is wrong, what would go was written out
    nowhere.
    """
    with translated(path):
        base = base_of(connection)
        before = connection.execute(
            "SELECT 1 FROM entries WHERE n <= ? LIMIT 1", (base.n,)
        ).fetchone()
        row = connection.execute(
            f"SELECT {BODY} FROM entries WHERE kind = 'anchor' ORDER BY n DESC LIMIT 1"  # noqa: S608 - fixed words only
        ).fetchone()
    try:
        vouched = row is not None and Anchor.model_validate_json(row[0]).base == base
    except ValidationError:
        vouched = False
    if before is not None and not vouched:
        raise JournalError(
            f"{path}: it is said to begin after entry {base.n}, entries before that are there, and "
            "no anchor entry vouches for it; nothing was cut, see `benchtally journal verify`"
        )


def _delete(connection: sqlite3.Connection, path: Path) -> None:
    """Delete what lies before the beginning, a little at a time."""
    pause = threading.Event()
    gone = _CHUNK
    while gone == _CHUNK:
        with translated(path):
            gone = connection.execute(
                "DELETE FROM entries WHERE n IN (SELECT n FROM entries WHERE n <= ? "
                "ORDER BY n LIMIT ?)",
                (base_of(connection).n, _CHUNK),
            ).rowcount
        if gone == _CHUNK:
            pause.wait(_PAUSE)
