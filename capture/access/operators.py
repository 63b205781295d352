"""The operators of a bench: registered by a command at this computer, never over the network."""

import sqlite3
from dataclasses import dataclass
from datetime import UTC, datetime

from capture.access.file import AccessFile, keep_sum
from capture.access.names import key_of
from capture.errors import InputError, NotThereError


@dataclass(frozen=True, slots=True)
class Operator:
    """Somebody who may use the bench."""

    name: str
    role: str
    added: datetime
    changed: datetime
    """When the secret was set."""


class Operators:
    """Adds, lists and removes operators."""

    def __init__(self, file: AccessFile) -> None:
        self._file = file

    def any(self) -> bool:
        """Tell whether anybody is registered.

        Raises:
            AccessError: nobody is, but somebody was when the file was last written.
        """
        with self._file.reads() as file:
            found = file.execute("SELECT 1 FROM operators LIMIT 1").fetchone() is not None
        if not found:
            self._file.refuse_lost()  # whoever comes would get in
        return found

    def all(self) -> list[Operator]:
        """List the operators by name."""
        with self._file.reads() as file:
            rows = file.execute(
                "SELECT name, role, added, changed FROM operators ORDER BY key"
            ).fetchall()
        return [Operator(name, role, _utc(added), _utc(at)) for name, role, added, at in rows]

    def find(self, name: str) -> tuple[str, str] | None:
        """Give the name as registered and the hashed secret of an operator."""
        with self._file.reads() as file:
            row = file.execute(
                "SELECT name, secret FROM operators WHERE key = ?", (key_of(name),)
            ).fetchone()
        return None if row is None else (row[0], row[1])

    def add(self, name: str, role: str, hashed: str, now: datetime) -> None:
        """Register an operator.

        Raises:
            InputError: the name is taken.
        """
        at = now.timestamp()
        with self._file.writes() as file:
            try:
                file.execute(
                    "INSERT INTO operators VALUES (?, ?, ?, ?, ?, ?)",
                    (key_of(name), name, role, hashed, at, at),
                )
            except sqlite3.IntegrityError as error:
                raise InputError(
                    f"operator {name!r} is there already; `benchtally operator set-pin` changes "
                    "the PIN or password"
                ) from error
            keep_sum(file)

    def set_secret(self, name: str, hashed: str, now: datetime) -> str:
        """Change a secret, which ends the sessions begun with the old one; give the name as stored.

        Raises:
            NotThereError: nobody is called that.
        """
        with self._file.writes() as file:
            self._ended(file, name)
            file.execute(
                "UPDATE operators SET secret = ?, changed = ? WHERE key = ?",
                (hashed, now.timestamp(), key_of(name)),
            )
            keep_sum(file)
            row = file.execute("SELECT name FROM operators WHERE key = ?", (key_of(name),))
            return str(row.fetchone()[0])

    def remove(self, name: str) -> str:
        """Remove an operator and end all sessions of them; give the name as it was stored.

        Raises:
            NotThereError: nobody is called that.
        """
        with self._file.writes() as file:
            stored = self._ended(file, name)
            file.execute("DELETE FROM operators WHERE key = ?", (key_of(name),))
            keep_sum(file)
        return stored

    def _ended(self, file: sqlite3.Connection, name: str) -> str:
        row = file.execute("SELECT name FROM operators WHERE key = ?", (key_of(name),)).fetchone()
        if row is None:
            raise NotThereError(
                f"there is no operator {name!r}; `benchtally operator list` names them"
            )
        file.execute("DELETE FROM sessions WHERE key = ?", (key_of(name),))
        return str(row[0])


def _utc(stamp: float) -> datetime:
    return datetime.fromtimestamp(stamp, UTC)
