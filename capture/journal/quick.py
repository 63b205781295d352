"""A quick look over the journal: whether its newest entries are chained as they should be.

`capture.journal.verify` looks at everything, which takes long for a long journal.
"""

from dataclasses import dataclass
from pathlib import Path

from capture.journal.chain import link
from capture.journal.database import BODY, HASH, base_of, connect, translated

_NEWEST = 2000


@dataclass(frozen=True, slots=True)
class LookOver:
    """What a quick look found.

    Attributes:
        last: number of the newest entry; 0 where there is none.
        checked: entries whose hash was computed anew.
        fault: the first one that does not hold; empty where all do.
    """

    last: int
    checked: int
    fault: str = ""


def look_over(path: Path, newest: int = _NEWEST) -> LookOver:
    """Compute the chain over the ``newest`` entries anew. Writes nothing.

    Raises:
        JournalError: there is no journal, it cannot be read, or SQLite finds it damaged.
    """
    connection = connect(path, read_only=True)
    try:
        with translated(path):
            rows = connection.execute(
                f"SELECT n, {BODY}, {HASH} FROM entries ORDER BY n DESC LIMIT ?",  # noqa: S608 - fixed words only
                (newest + 1,),
            ).fetchall()[::-1]
            base = base_of(connection)
    finally:
        connection.close()
    if not rows:
        return LookOver(base.n, 0)
    if len(rows) > newest:
        (_, _, head), *rows = rows
    else:
        head = bytes.fromhex(base.hash)
        rows = [row for row in rows if row[0] > base.n]  # an interrupted trim leaves some before it
    for count, (n, body, hash_) in enumerate(rows):
        head = link(head, body)
        if head != hash_:
            return LookOver(int(rows[-1][0]), count, f"entry {n} is not what its hash says")
    return LookOver(int(rows[-1][0]) if rows else base.n, len(rows))
