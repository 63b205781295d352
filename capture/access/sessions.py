"""Sessions: begun by a log-in, found by a token, kept on the disk so that a restart ends none.

They are timed by the wall clock, which alone goes on while the daemon does not run. A clock that is
set back lengthens a session by as much; one that is set forward may end it early.
"""

import hashlib
import hmac
import re
import secrets
import sqlite3
from dataclasses import dataclass
from datetime import datetime

from capture.access.file import AccessFile
from capture.access.names import key_of

_TOKEN_BYTES = 32
_TOKEN = re.compile(r"[A-Za-z0-9_-]{43}")
_MOST = 200
_MOST_OF_ONE = 20
#: Seconds between two notes that a session is in use.
TOUCH_S = 60.0


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody who has logged in.

    Attributes:
        proven: by a secret; else the name was taken as it was given, which a lone bench allows.
        seen: when it was last noted to be in use, seconds of Unix time.
    """

    token: str
    operator: str
    role: str
    proven: bool
    seen: float

    @property
    def csrf(self) -> str:
        """What a page of ours sends along with everything it writes; others cannot know it."""
        return hmac.new(self.token.encode(), b"benchtally csrf", hashlib.sha256).hexdigest()


class Sessions:
    """Begins, finds and ends sessions."""

    def __init__(
        self, file: AccessFile, *, idle_s: float, longest_s: float, unproven: bool
    ) -> None:
        """Take the lifetimes; ``unproven`` lets sessions without a secret stand.

        Even then they stand only while no operator is registered.
        """
        self._file = file
        self._idle_s = idle_s
        self._longest_s = longest_s
        self._unproven = unproven

    def begin(self, name: str, now: datetime, address: str, *, proven: bool) -> Session:
        """Begin a session under a new token, whatever token the browser had before."""
        token, at, key = secrets.token_urlsafe(_TOKEN_BYTES), now.timestamp(), key_of(name)
        with self._file.writes() as file:
            self._tidy(file, key, at)
            file.execute(
                "INSERT INTO sessions VALUES (?, ?, ?, ?, ?, ?, ?)",
                (_digest(token), key, name, int(proven), address, at, at),
            )
        return Session(token, name, "", proven, at)

    def find(self, token: str, now: datetime) -> Session | None:
        """Give the session of a token, if it stands."""
        if not _TOKEN.fullmatch(token):
            return None
        at = now.timestamp()
        with self._file.reads() as file:
            row = file.execute(
                "SELECT s.name, s.proven, s.seen, o.name, o.role, "
                "EXISTS (SELECT 1 FROM operators) FROM sessions s "
                "LEFT JOIN operators o ON o.key = s.key "
                "WHERE s.token = ? AND s.started > ? AND s.seen > ?",
                (_digest(token), at - self._longest_s, at - self._idle_s),
            ).fetchone()
        if row is None:
            return None
        name, proven, seen, registered, role, any_operator = row
        if proven and registered is not None:
            return Session(token, registered, role, proven=True, seen=seen)
        if not proven and self._unproven and not any_operator:
            return Session(token, name, "", proven=False, seen=seen)
        return None

    def touch(self, session: Session, now: datetime) -> None:
        """Note that a session is in use."""
        with self._file.writes() as file:
            file.execute(
                "UPDATE sessions SET seen = max(seen, ?) WHERE token = ?",
                (now.timestamp(), _digest(session.token)),
            )

    def end(self, token: str) -> None:
        """End a session; ending it twice does nothing."""
        with self._file.writes() as file:
            file.execute("DELETE FROM sessions WHERE token = ?", (_digest(token),))

    def has_come_from(self, name: str, address: str) -> bool:
        """Tell whether somebody has logged in from an address, in a session not yet ended."""
        with self._file.reads() as file:
            row = file.execute(
                "SELECT 1 FROM sessions WHERE key = ? AND address = ? AND proven LIMIT 1",
                (key_of(name), address),
            ).fetchone()
        return row is not None

    def _tidy(self, file: sqlite3.Connection, key: str, at: float) -> None:
        """Drop what has ended, and what was used longest ago where there are too many."""
        file.execute(
            "DELETE FROM sessions WHERE started <= ? OR seen <= ?",
            (at - self._longest_s, at - self._idle_s),
        )
        for condition, most in (("key = ?", _MOST_OF_ONE), ("? <> ''", _MOST)):
            file.execute(
                "DELETE FROM sessions WHERE token IN (SELECT token FROM sessions "  # noqa: S608 - fixed words only
                f"WHERE {condition} ORDER BY seen DESC LIMIT -1 OFFSET ?)",
                (key, most - 1),
            )


def _digest(token: str) -> bytes:
    # No slow hash: 256 random bits cannot be guessed.
    return hashlib.sha256(token.encode()).digest()
