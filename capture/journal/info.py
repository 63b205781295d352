"""What there is to say of a journal at a glance."""

from dataclasses import dataclass
from pathlib import Path

from pydantic_core import from_json

from capture.journal.beside import log_of, size_of
from capture.journal.database import BODY, HASH, base_of, connect, journal_id, translated
from capture.model.anchor import Base


@dataclass(frozen=True, slots=True)
class Info:
    """A journal at a glance.

    Attributes:
        size, log: bytes of the file, and of the log beside it.
        entries: how many, in all and by kind.
        first, last: numbers of the first and last; 0 where there is none.
        first_time, last_time: their own stamps, UTC.
        head: hash of the last entry, or of what the journal begins after.
        base: what stands before the first entry.
    """

    journal: str
    size: int
    log: int
    entries: int
    kinds: dict[str, int]
    first: int
    last: int
    first_time: str
    last_time: str
    head: bytes
    base: Base


def look(path: Path) -> Info:
    """Look at a journal; nothing is checked.

    Raises:
        JournalError: there is none, or it cannot be read.
    """
    connection = connect(path, read_only=True)
    try:
        with translated(path):
            base = base_of(connection)
            kinds = dict(
                connection.execute(
                    "SELECT kind, count(*) FROM entries WHERE kind <> 'reading' GROUP BY kind"
                ).fetchall()
            )
            count = int(connection.execute("SELECT count(*) FROM entries").fetchone()[0])
            if readings := count - sum(kinds.values()):
                kinds = {"reading": readings, **kinds}
            ends = [
                connection.execute(
                    f"SELECT n, {BODY}, {HASH} FROM entries ORDER BY n {order} LIMIT 1"  # noqa: S608 - fixed words only
                ).fetchone()
                for order in ("ASC", "DESC")
            ]
            (first, first_body, _), (last, last_body, head) = (
                end or (0, b"{}", bytes.fromhex(base.hash)) for end in ends
            )
            return Info(
                journal=journal_id(connection),
                size=path.stat().st_size,
                log=size_of(log_of(path)),
                entries=count,
                kinds=kinds,
                first=first,
                last=last,
                first_time=stamp_of(first_body),
                last_time=stamp_of(last_body),
                head=head,
                base=base,
            )
    finally:
        connection.close()


def stamp_of(body: bytes) -> str:
    """Give an entry's own UTC stamp as text; empty where it has none."""
    try:
        content = from_json(body)
        found = content.get("time") or content.get("end") or ""
    except (ValueError, AttributeError):
        return ""
    return str(found)
