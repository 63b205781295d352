"""What the bench counts, as OpenMetrics text.

Labels are bounded: instruments and publishers come from the configuration, states from the code.
No value, unit, machine, operator or job is ever a label.
"""

import ipaddress
import platform
from collections.abc import Iterator

from fastapi import APIRouter, Request, Response
from prometheus_client import CollectorRegistry, ProcessCollector
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
    StateSetMetricFamily,
)
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector
from starlette.exceptions import HTTPException

from capture import __version__
from capture.errors import JournalError
from capture.operation import Facts, judge
from capture.publish import Report
from capture.runtime import State
from capture.web.bench import Bench
from capture.web.problems import responses

_STATUSES = ("ok", "degraded", "failing")
# A proxy on this computer makes everybody look local; these are what it says of them.
_FORWARDED = ("forwarded", "x-forwarded-for", "x-real-ip")
_NOT_HERE = 404


def make_router(bench: Bench) -> APIRouter:
    """Make the route of the metrics; none where the configuration has them off."""
    router = APIRouter(tags=["live"])
    wanted = "off" if bench.config.web is None else bench.config.web.metrics
    if wanted == "off":
        return router

    @router.get("/metrics", responses=responses(404), response_class=Response)
    def metrics(request: Request) -> Response:
        """Give all counts as OpenMetrics text (application/openmetrics-text, version 1.0.0)."""
        if wanted == "loopback" and not _is_local(request):
            raise HTTPException(_NOT_HERE, "/metrics is for programs on this computer")
        text = generate_latest(make_registry(bench))  # type: ignore[no-untyped-call] # the library's
        return Response(text, media_type=CONTENT_TYPE_LATEST)

    return router


def open_paths(bench: Bench) -> frozenset[str]:
    """Give the paths that need no session, because they look themselves at who asks."""
    settings = bench.config.web
    open_ = settings is not None and settings.metrics == "loopback"
    return frozenset({"/metrics"}) if open_ else frozenset()


def make_registry(bench: Bench) -> CollectorRegistry:
    """Gather everything that is counted, for one answer."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_BenchCollector(bench))
    ProcessCollector(registry=registry)
    return registry


def _is_local(request: Request) -> bool:
    if any(name in request.headers for name in _FORWARDED) or request.client is None:
        return False
    try:
        return ipaddress.ip_address(request.client.host).is_loopback
    except ValueError:
        return False


class _BenchCollector(Collector):
    """Turns what is known of a bench into metrics."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench

    def collect(self) -> Iterator[Metric]:
        """Give all of them."""
        facts = self._bench.facts()
        entries: int | None
        try:
            with self._bench.reader() as reader:
                entries = reader.last_n()
        except JournalError:
            entries = None
        yield InfoMetricFamily(
            "benchtally_build",
            "What runs here.",
            {"version": __version__, "python": platform.python_version()},
        )
        status = judge(facts, readable=entries is not None).status
        yield StateSetMetricFamily(
            "benchtally_health", "How the bench is.", {each: each == status for each in _STATUSES}
        )
        yield from _instruments(facts)
        yield from _journal(facts, entries)
        yield from _publishers(facts)
        yield from _parts(facts)
        streams = self._bench.changes.count()
        yield _gauge("web_streams", "Streams of events that are open.", streams)


def _gauge(name: str, says: str, value: float) -> Metric:
    return GaugeMetricFamily(f"benchtally_{name}", says, value)


def _counter(name: str, says: str, value: float) -> Metric:
    return CounterMetricFamily(f"benchtally_{name}", says, value)


def _instruments(facts: Facts) -> Iterator[Metric]:
    label = ("instrument",)
    readings = CounterMetricFamily(
        "benchtally_readings", "Readings stored since the start.", labels=label
    )
    malformed = CounterMetricFamily(
        "benchtally_malformed", "Frames that were no frame, since the start.", labels=label
    )
    unanswered = CounterMetricFamily(
        "benchtally_unanswered", "Queries without an answer, since the start.", labels=label
    )
    state = StateSetMetricFamily(
        "benchtally_instrument_state", "What an instrument's worker does.", labels=label
    )
    last = GaugeMetricFamily(
        "benchtally_last_reading_timestamp_seconds",
        "When the newest reading was taken, UTC.",
        labels=label,
        unit="seconds",
    )
    silent = GaugeMetricFamily(
        "benchtally_instrument_silent", "1 where a worker gives no sign of life.", labels=label
    )
    for each in facts.instruments:
        names = (each.instrument,)
        readings.add_metric(names, each.readings)
        malformed.add_metric(names, each.malformed)
        unanswered.add_metric(names, each.unanswered)
        state.add_metric(names, {str(one): one is each.state for one in State})
        silent.add_metric(names, int(each.instrument in facts.silent))
        if each.last_reading is not None:
            last.add_metric(names, each.last_reading.timestamp())
    yield from (readings, malformed, unanswered, state, silent, last)


def _journal(facts: Facts, entries: int | None) -> Iterator[Metric]:
    journal = facts.journal
    if entries is not None:
        yield _gauge("journal_entries", "Number of the newest entry.", entries)
    taking = journal.taking and not facts.damaged
    yield _gauge("journal_taking", "1 where the journal stores what it is given.", int(taking))
    yield _counter("journal_commits", "Batches stored since the start.", journal.commits)
    yield _counter("journal_refused", "Batches refused since the start.", journal.refused)
    yield _gauge("journal_log_bytes", "The journal's log now.", journal.log_bytes)
    yield _gauge("journal_log_peak_bytes", "Its longest since the start.", journal.log_peak)
    reserve = int(journal.reserve == "held")
    yield _gauge("journal_reserve_held", "1 where room is kept for a clean end.", reserve)
    if journal.free_bytes is not None:
        yield _gauge("disk_free_bytes", "Room where the journal lies.", journal.free_bytes)


_OF_PUBLISHERS = (
    ("connected", "1 where the broker has accepted us."),
    ("paused", "1 where nothing is sent until a person has looked."),
    ("nobody_listens", "1 where the broker says that nobody takes our readings."),
    ("backlog", "Entries that are not delivered."),
    ("delivered_entries", "Number of the newest entry up to which all are settled."),
    ("dead_letters", "Refused entries that wait for a person."),
)
_COUNTED_BY_PUBLISHERS = (
    ("refused", "Messages that the broker refused, since the publisher's start."),
    ("unheard", "Readings that the broker had nobody to give to."),
    ("resent", "Entries sent again on request."),
    ("requests_refused", "Requests to send again that were not taken."),
)


def _publishers(facts: Facts) -> Iterator[Metric]:
    kinds = ((GaugeMetricFamily, _OF_PUBLISHERS), (CounterMetricFamily, _COUNTED_BY_PUBLISHERS))
    for kind, metrics in kinds:
        for name, says in metrics:
            made = kind(f"benchtally_publisher_{name}", says, labels=("publisher",))
            for publisher, report in facts.publishers.items():
                made.add_metric((publisher,), _value(report, name))
            yield made


def _value(report: Report, name: str) -> int:
    if name == "delivered_entries":
        return report.delivered
    value = getattr(report, name)
    return int(bool(value)) if isinstance(value, str) else int(value)


def _parts(facts: Facts) -> Iterator[Metric]:
    age = GaugeMetricFamily(
        "benchtally_heartbeat_age_seconds",
        "Time since a part last came round.",
        labels=("part",),
        unit="seconds",
    )
    for part, seconds in facts.ages.items():
        age.add_metric((part,), seconds)
    yield age
    if facts.hands_free is not None:
        taken, not_taken = facts.hands_free.taken, facts.hands_free.not_taken
        yield _counter("hands_free_taken", "Steps taken hands-free.", taken)
        yield _counter("hands_free_not_taken", "Takes that were refused.", not_taken)
