"""The entry that was just stored, as a line from the daemon to its publisher.

A lone reading is so on its way to the broker a look at the journal sooner. What the line says is
committed; a publisher that has not sent all before it reads the journal, so no line matters.
"""

import select

from capture.journal import Row

MARK = b"="
# What a pipe takes without blocking, and in one piece, once it is ready for writing (POSIX).
_LONGEST = select.PIPE_BUF


def line_of(row: Row | None) -> bytes:
    """Give the line that tells of a row; the one that says "look" where it has to be looked up."""
    if row is None or b"\n" in row.body:
        return b"\n"
    words = f"{row.n} {row.key.hex()} {row.kind} {row.instrument} {row.subject} ".encode()
    line = b"".join((MARK, words, row.body, b"\n"))
    return line if len(line) <= _LONGEST and words.count(b" ") == len(Row._fields) - 1 else b"\n"


def row_of(line: bytes) -> Row:
    """Give the row of a line without its end."""
    n, key, kind, instrument, subject, body = line[len(MARK) :].split(b" ", len(Row._fields) - 1)
    return Row(
        int(n),
        bytes.fromhex(key.decode()),
        kind.decode(),
        instrument.decode(),
        subject.decode(),
        body,
    )
