"""The gate: who may come in, who is in, and who goes out."""

import ipaddress
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from capture.access.audit import Audit
from capture.access.backoff import BackOff
from capture.access.file import AccessFile
from capture.access.names import key_of, tidy_name
from capture.access.operators import Operators
from capture.access.secret import Hasher
from capture.access.sessions import TOUCH_S, Session, Sessions
from capture.clock import Clock
from capture.config import Config, WebConfig
from capture.errors import CaptureError, ConfigError, NotThereError
from capture.model.audit import AuditEntry

#: What a lone bench proposes to be called, where no operators are registered.
PROPOSED = "technician"
#: Attempts on one operator from addresses that are new to them, before those are slowed down.
_FREE_FOR_STRANGERS = 20


class WrongSecretError(CaptureError):
    """No such operator, or not this secret; which of the two is not told."""


class TooSoonError(CaptureError):
    """Too many attempts; ``wait`` says for how many seconds."""

    def __init__(self, wait: float) -> None:
        self.wait = int(wait) + 1  # never a moment too early
        super().__init__(f"too many attempts; wait {self.wait} s, then try again")


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt to log in, already counted."""

    name: str
    address: str
    keys: tuple[tuple[str, ...], ...]


class Access:
    """Lets operators of one bench in and out. Any thread."""

    def __init__(
        self,
        config: Config,
        clock: Clock,
        append: Callable[[list[AuditEntry]], Any],
        hasher: Hasher | None = None,
    ) -> None:
        """Open the file of operators and sessions.

        Raises:
            AccessError: it cannot be opened.
        """
        self.settings = config.web or WebConfig()
        self._clock = clock
        self._hasher = hasher or Hasher()
        self._file = AccessFile(config.access_path)
        self.operators = Operators(self._file)
        self._sessions = Sessions(
            self._file,
            idle_s=self.settings.session_idle_minutes * 60,
            longest_s=self.settings.session_longest_hours * 3600,
            unproven=not self.settings.for_others,
        )
        self._back_off = BackOff()
        self._audit = Audit(config.site, config.bench, clock, append)

    def close(self) -> None:
        """Write what is still to be written, and close the file."""
        self._audit.flush()
        self._file.close()

    def check_ready(self) -> None:
        """Refuse to serve others while nobody is registered.

        Raises:
            ConfigError: says the command that registers somebody.
        """
        if self.settings.for_others and not self.operators.any():
            fault = (
                "web: others than this computer are served, and no operator is registered; "
                "run `benchtally operator add NAME` here first"
            )
            raise ConfigError([fault])

    @property
    def secret_needed(self) -> bool:
        """Whether a log-in takes a PIN or password, and not the name alone."""
        return self.settings.for_others or self.operators.any()

    # ── in ───────────────────────────────────────────────────────────────────────────────────

    def admit(self, operator: str, address: str) -> Attempt:
        """Begin an attempt to log in; looks at no secret yet, and costs next to nothing.

        Raises:
            InputError: nobody can be called that.
            TooSoonError: there were too many attempts; this one does not count.
        """
        name, now = tidy_name(operator), self._clock.monotonic()
        here = ("here", key_of(name), network_of(address))
        keys: tuple[tuple[str, ...], ...] = (here,)
        wait = self._back_off.wait(here, now)
        if not self._sessions.has_come_from(name, address):
            # Many addresses are no way round; whom the operator is known to come from waits for
            # none of them.
            strangers = ("strangers", key_of(name))
            keys = (here, strangers)
            wait = max(wait, self._back_off.wait(strangers, now, _FREE_FOR_STRANGERS))
        if wait > 0:
            raise TooSoonError(wait)
        for key in keys:
            self._back_off.begin(key, now)
        return Attempt(name, address, keys)

    def log_in(self, attempt: Attempt, secret: str | None) -> Session:
        """Begin a session. Takes a good part of a second where there is a secret to verify.

        Raises:
            WrongSecretError: no such operator, or not this secret.
            AccessError: the file cannot be used.
        """
        if not self.secret_needed:
            return self._begin(attempt, attempt.name, proven=False)
        known = self.operators.find(attempt.name)
        right = self._hasher.verify(None if known is None else known[1], secret or "")
        if known is None or not right:
            self._audit.failed(None if known is None else known[0], attempt.address)
            raise WrongSecretError(
                "there is no such operator, or that is not the secret; try again"
            )
        return self._begin(attempt, known[0], proven=True)

    def _begin(self, attempt: Attempt, name: str, *, proven: bool) -> Session:
        now = self._clock.utc()
        begun = self._sessions.begin(name, now, attempt.address, proven=proven)
        session = self._sessions.find(begun.token, now)  # with the operator's role
        if session is None:
            raise WrongSecretError("the operator was removed meanwhile; register them again first")
        for key in attempt.keys:
            self._back_off.passed(key)
        self._audit.note("logged-in", name, attempt.address, proven=proven)
        return session

    # ── while in, and out ────────────────────────────────────────────────────────────────────

    def find(self, token: str) -> Session | None:
        """Give the session of a token, if it stands."""
        return self._sessions.find(token, self._clock.utc())

    def stands(self, session: Session) -> bool:
        """Tell whether a session still stands."""
        return self.find(session.token) is not None

    def is_stale(self, session: Session) -> bool:
        """Tell whether it is to be noted again that a session is in use."""
        return abs(self._clock.utc().timestamp() - session.seen) >= TOUCH_S

    def touch(self, session: Session) -> None:
        """Note that a session is in use."""
        self._sessions.touch(session, self._clock.utc())

    def second(self, name: str, first: str) -> str:
        """Give the name of a second operator as it is stored; ``first`` where they are the same.

        Raises:
            NotThereError: operators are registered, and this is none of them.
        """
        name = tidy_name(name)
        if key_of(name) == key_of(first):
            return first
        if not self.secret_needed:
            return name
        known = self.operators.find(name)
        if known is None:
            raise NotThereError(f"second_operator: there is no operator {name!r}")
        return known[0]

    def log_out(self, session: Session, address: str) -> None:
        """End a session."""
        self._sessions.end(session.token)
        self._audit.note("logged-out", session.operator, address)


def network_of(address: str) -> str:
    """Give what one attacker can be taken to hold: an IPv4 address, or 64 bits of an IPv6 one."""
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(ip, ipaddress.IPv6Address):
        if ip.ipv4_mapped is not None:
            return str(ip.ipv4_mapped)
        return str(ipaddress.IPv6Network((int(ip) >> 64 << 64, 64)))
    return str(ip)
