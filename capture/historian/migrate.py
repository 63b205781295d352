"""Brings the database's schema up to date: numbered SQL files, each run once, in order.

A released file is never edited; its SHA-256 is kept beside its number, so that an edit is noticed.
"""

import hashlib
from dataclasses import dataclass
from importlib.resources import files

import psycopg
from psycopg import sql

from capture.errors import HistorianError

SCHEMA = "benchtally"
_LOCK = 0x6265_6E63  # of migrations; any number does that nobody else takes


@dataclass(frozen=True, slots=True)
class Migration:
    """One file."""

    number: int
    name: str
    text: str

    @property
    def digest(self) -> str:
        """SHA-256 of the file's text."""
        return hashlib.sha256(self.text.encode()).hexdigest()


def migrations() -> list[Migration]:
    """Give all migrations of this version, in order."""
    found = [
        Migration(int(each.name[:4]), each.name, each.read_text("utf-8"))
        for each in files("capture.historian").joinpath("migrations").iterdir()
        if each.name.endswith(".sql")
    ]
    return sorted(found, key=lambda each: each.number)


def migrate(connection: psycopg.Connection) -> list[str]:
    """Run what has not been run yet, in one transaction; give the names of the files.

    Several workers may do so at once: one does it, the others wait.

    Raises:
        HistorianError: the database was made by a newer version, or by an edited file.
    """
    with connection.transaction(), connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", (_LOCK,))
        done = applied(connection)
        wanted = migrations()
        _compare(done, wanted)
        missing = [each for each in wanted if each.number not in done]
        if not missing:
            return []
        cursor.execute(sql.SQL("CREATE SCHEMA IF NOT EXISTS {}").format(sql.Identifier(SCHEMA)))
        cursor.execute(sql.SQL("SET LOCAL search_path TO {}").format(sql.Identifier(SCHEMA)))
        cursor.execute(
            "CREATE TABLE IF NOT EXISTS migrations (number integer PRIMARY KEY, name text NOT NULL,"
            " sha256 text NOT NULL, applied_at timestamptz NOT NULL DEFAULT now())"
        )
        for each in missing:
            cursor.execute(each.text.encode())
            cursor.execute(
                "INSERT INTO migrations (number, name, sha256) VALUES (%s, %s, %s)",
                (each.number, each.name, each.digest),
            )
    return [each.name for each in missing]


def require(connection: psycopg.Connection) -> None:
    """Check that the database is as this version needs it, and change nothing.

    Raises:
        HistorianError: it is not; says what to do.
    """
    done, wanted = applied(connection), migrations()
    _compare(done, wanted)
    if len(done) < len(wanted):
        raise HistorianError(
            f"the database has {len(done)} of {len(wanted)} migrations; "
            "run `benchtally historian migrate`"
        )


def applied(connection: psycopg.Connection) -> dict[int, str]:
    """Give number and digest of what was run."""
    cursor = connection.execute("SELECT to_regclass(%s)", (f"{SCHEMA}.migrations",))
    row = cursor.fetchone()
    if row is None or row[0] is None:
        return {}
    found = connection.execute(f"SELECT number, sha256 FROM {SCHEMA}.migrations")
    return dict(found.fetchall())


def _compare(done: dict[int, str], wanted: list[Migration]) -> None:
    digests = {each.number: each.digest for each in wanted}
    for number, digest in done.items():
        if number not in digests:
            raise HistorianError(
                f"the database has migration {number}, which this version does not know; "
                "install the version that made it, or a newer one"
            )
        if digests[number] != digest:
            raise HistorianError(
                f"migration {number} was run with another text than this version's; "
                "compare the schema by hand before anything is written"
            )
