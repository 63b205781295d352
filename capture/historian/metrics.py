"""What a worker counts, and what its database says, as OpenMetrics text.

Labels are bounded: all come from the code. Whatever benches call themselves and their instruments
is a stranger's text, and never a label; `historian status` tells of each.
"""

import platform
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import psycopg
from prometheus_client import CollectorRegistry, ProcessCollector
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
    StateSetMetricFamily,
)
from prometheus_client.registry import Collector

from capture import __version__
from capture.clock import Clock
from capture.errors import CaptureError, HistorianError
from capture.historian.migrate import SCHEMA
from capture.historian.overview import unserved_slots
from capture.historian.settings import HistorianConfig
from capture.historian.store import Database
from capture.historian.vitals import STATES, STATUSES, Vitals

_FRESH = 15.0  # seconds for which the database is not asked again, however often we are
_PATIENCE_MS = 1500  # for one question to it

_BENCH_STATES = ("online", "offline", "not-told")
_INCOMPLETE_STATES = (
    "open", "given-up", "cut-off", "not-compared", "offline", "no-answer", "gone", "not-told",
    "reused", "refused",
)  # fmt: skip


_BENCHES = (
    f"SELECT coalesce(j.state, 'not-told'), count(*) FROM ("
    f"SELECT site, bench FROM {SCHEMA}.instruments UNION SELECT site, bench FROM {SCHEMA}.journals"
    f") b LEFT JOIN {SCHEMA}.journals j ON j.site = b.site AND j.bench = b.bench AND j.is_current "
    "GROUP BY 1"
)
_LETTERS = f"SELECT coalesce(sum(dead_letters), 0) FROM {SCHEMA}.journals WHERE is_current"
_INCOMPLETE = f"SELECT state, count(*) FROM {SCHEMA}.incomplete GROUP BY 1"


@dataclass(frozen=True, slots=True)
class Said:
    """What the database says.

    Attributes:
        up: whether it answers.
        slots_served: slots that some worker serves; None where it did not say.
        benches, incomplete: counts by state; None where it did not say.
        dead_letters: entries that wait for a person at their benches.
    """

    up: bool
    slots_served: int | None = None
    benches: dict[str, int] | None = None
    incomplete: dict[str, int] | None = None
    dead_letters: int | None = None


class Asking:
    """Asks the database, not too often, over a connection that it does not keep."""

    def __init__(
        self, connect: Callable[[], Database], config: HistorianConfig, clock: Clock
    ) -> None:
        self._connect = connect
        self._config = config
        self._clock = clock
        self._asked_at = float("-inf")
        self._said = Said(up=False)

    def __call__(self) -> Said:
        """Give what it says, or said a moment ago."""
        now = self._clock.monotonic()
        if now - self._asked_at >= _FRESH:
            self._said = self._ask()
            self._asked_at = self._clock.monotonic()
        return self._said

    def _ask(self) -> Said:
        try:
            database = self._connect()
        except CaptureError:  # away, or its password's file is
            return Said(up=False)
        said = Said(up=True)
        try:
            database.connection.execute(f"SET statement_timeout = {_PATIENCE_MS}".encode())
            served = self._config.slots - len(unserved_slots(database, self._config))
            said = replace(said, slots_served=served)
            said = replace(said, benches=_counts(database, _BENCHES))
            ((letters,),) = database.fetch(_LETTERS)
            said = replace(said, dead_letters=int(letters))
            # The longest of them by far: what it takes too long for is left out.
            said = replace(said, incomplete=_counts(database, _INCOMPLETE))
        except (HistorianError, psycopg.Error):
            pass  # what it did not say is left out; a zero would be a lie
        finally:
            database.close()
        return said


def _counts(database: Database, query: str) -> dict[str, int]:
    return {state: int(count) for state, count in database.fetch(query)}


def make_registry(vitals: Vitals, ask: Callable[[], Said], slots: int) -> CollectorRegistry:
    """Gather everything that is counted, for one answer."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_WorkerCollector(vitals, ask, slots))
    ProcessCollector(registry=registry)
    return registry


class _WorkerCollector(Collector):
    """Turns what is known of a worker into metrics."""

    def __init__(self, vitals: Vitals, ask: Callable[[], Said], slots: int) -> None:
        self._vitals = vitals
        self._ask = ask
        self._slots = slots

    def collect(self) -> Iterator[Metric]:
        """Give all of them."""
        yield InfoMetricFamily(
            "benchtally_build",
            "What runs here.",
            {"version": __version__, "python": platform.python_version()},
        )
        status = self._vitals.health().status
        yield _states("health", "How the worker is.", STATUSES, status)
        now = self._vitals.now
        yield _states("state", "What the worker does.", STATES, now.state)
        if now.slot is not None:
            yield _gauge("slot", "The slot that it serves.", now.slot)
        age = self._vitals.age
        yield _gauge("heartbeat_age_seconds", "Time since its last sign of life.", age, "seconds")
        if now.stored_at is not None:
            at = now.stored_at.timestamp()
            says = "When the newest message was stored, UTC."
            yield _gauge("last_stored_timestamp_seconds", says, at, "seconds")
        for name, says, count in (
            ("stored", "Messages that were new, since the worker's start.", now.stored),
            ("known", "Messages that were there already.", now.known),
            ("quarantined", "Messages that are not what they claim.", now.quarantined),
            ("dropped", "Messages at QoS 0 that found no room.", now.dropped),
            ("words_dropped", "Words of benches that found no room.", now.words_dropped),
            ("failures", "Times that broker or database were lost.", now.failures),
        ):  # fmt: skip
            yield CounterMetricFamily(f"benchtally_historian_{name}", says, count)
        yield _gauge("words_waiting", "Words of benches not written down.", now.words_waiting)
        yield _gauge("slots", "Slots that there are.", self._slots)
        yield from self._of_database()

    def _of_database(self) -> Iterator[Metric]:
        said = self._ask()
        yield _gauge("database_up", "1 where the database answers.", int(said.up))
        if said.slots_served is not None:
            yield _gauge("slots_served", "Slots that some worker serves.", said.slots_served)
        if said.dead_letters is not None:
            says = "Entries that the broker refused; they wait for a person at their benches."
            yield _gauge("dead_letters", says, said.dead_letters)
        if said.benches is not None:
            says = "Benches, by what they said last."
            yield _by_state("benches", says, _BENCH_STATES, said.benches)
        if said.incomplete is not None:
            says = "Rows of `historian gaps`, each of which may be a range."
            yield _by_state("incomplete", says, _INCOMPLETE_STATES, said.incomplete)


def _gauge(name: str, says: str, value: float, unit: str = "") -> Metric:
    return GaugeMetricFamily(f"benchtally_historian_{name}", says, value, unit=unit)


def _states(name: str, says: str, states: tuple[str, ...], now: str) -> Metric:
    return StateSetMetricFamily(
        f"benchtally_historian_{name}", says, {each: each == now for each in states}
    )


def _by_state(name: str, says: str, states: tuple[str, ...], counts: dict[str, int]) -> Metric:
    made = GaugeMetricFamily(f"benchtally_historian_{name}", says, labels=("state",))
    for state in states:
        made.add_metric((state,), counts.get(state, 0))
    return made
