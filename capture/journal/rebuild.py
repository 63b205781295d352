"""The projections put back to what the entries say."""

from pathlib import Path

from capture.errors import JournalError
from capture.filelock import FileLock
from capture.journal.beside import lock_of
from capture.journal.chain import facts_of, read_body
from capture.journal.database import BODY, base_of, connect, refuse_disorder, translated
from capture.journal.replay import Replay

_PAGE = 2000


def rebuild(path: Path) -> dict[str, int]:
    """Rebuild the projections by replay; give the rows that were wrong, by projection.

    The chain is not checked; see `capture.journal.verify`. No daemon may run meanwhile, because
    nothing can be written to the journal until this is done.

    Raises:
        JournalError: a daemon runs, or an entry cannot be read.
    """
    lock = FileLock(lock_of(path))
    if path.exists() and not lock.try_take():
        raise JournalError(f"{path}: {lock.holder()} runs a daemon on this journal; end it first")
    try:
        connect(path, read_only=True).close()  # says so where there is none; this makes none
        return _rebuild(path)
    finally:
        lock.release()


def _rebuild(path: Path) -> dict[str, int]:
    connection = connect(path)
    try:
        with translated(path):
            connection.execute("BEGIN IMMEDIATE")
            base = base_of(connection)
            replay = Replay(connection, base)
            n = base.n
            while rows := connection.execute(
                f"SELECT n, {BODY} FROM entries WHERE n > ? ORDER BY n LIMIT ?",  # noqa: S608 - fixed words only
                (n, _PAGE),
            ).fetchall():
                for number, body in rows:
                    refuse_disorder(path, n, 1, number)
                    try:
                        content = read_body(body)
                        replay.take(number, facts_of(content), content)
                    except ValueError as error:
                        raise JournalError(
                            f"{path}: entry {number} is {error}; nothing was changed, see "
                            "`benchtally journal verify`"
                        ) from error
                    n = number
                replay.flush()
            replay.finish()
            wrong = replay.differences()
            if wrong:
                replay.put_in_place()
            connection.execute("COMMIT")
    finally:
        connection.close()  # undoes what was not committed
    return wrong
