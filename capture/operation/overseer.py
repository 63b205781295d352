"""The overseer: the main thread's look at all that must move, and what it says of it.

The service manager is told that we move only when the journal's writer, the supervisor's workers
and hands-free capture have really come round. So a daemon that is there and stores nothing is
ended and started again, instead of looking well.
"""

from collections.abc import Callable

import structlog

from capture.clock import Clock
from capture.operation.facts import Facts
from capture.operation.health import Health, judge
from capture.operation.notify import Notifier
from capture.runtime.worker import State

_TURN = 0.5  # seconds between two looks
_PART = 3  # so many looks fit into the time that the service manager gives


class Overseer:
    """Looks now and then; used by the main thread."""

    def __init__(self, facts: Callable[[], Facts], notifier: Notifier, clock: Clock) -> None:
        self._facts = facts
        self._notifier = notifier
        self._clock = clock
        self._still: tuple[str, ...] = ()
        self._health = Health("ok")
        self._told: str = "ok"
        self._log = structlog.get_logger()
        limit = notifier.watchdog_s
        #: Seconds between two looks.
        self.turn = _TURN if limit is None else min(_TURN, limit / _PART)

    def look(self) -> Facts:
        """Look once: say that we move if we do, and how we are if that has turned."""
        facts = self._facts()
        if not facts.still:
            self._notifier.watchdog()
        if facts.still != self._still:
            if facts.still:
                self._log.error("daemon.stands_still", parts=list(facts.still))
            else:
                self._log.info("daemon.moves_again")
            self._still = facts.still
        health = judge(facts)
        # Told when it has lasted for two looks: what is over by then is nobody's business.
        if health.status == self._health.status != self._told:
            self._told = health.status
            log = self._log.info if health.status == "ok" else self._log.warning
            log("daemon.health", status=health.status, reasons=list(health.reasons))
        self._health = health
        self._notifier.status(summary(facts, health))
        return facts


def summary(facts: Facts, health: Health | None = None) -> str:
    """Write how a bench is in one line, for people who look at the service."""
    health = health or judge(facts)
    running = sum(each.state is State.RUNNING for each in facts.instruments)
    said = f"{health.status}: {running} of {len(facts.instruments)} instruments running"
    return "; ".join((said, *health.reasons))
