"""The composition root: a configuration becomes a running daemon, and a running daemon stops.

Nothing else wires the parts together, so what starts before what, and what stops after what, is
read here.
"""

import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from types import FrameType
from typing import TYPE_CHECKING, Any

import structlog

from capture.beginning import nothing_is_rubbish
from capture.clock import Clock, SystemClock
from capture.config import Config, LinkSettings
from capture.discovery import Change, Listing, Watcher, is_meant
from capture.errors import ConfigError, JournalDamaged, JournalError
from capture.extras import require_extra
from capture.instruments import build_instruments
from capture.jobs.results import ResultCache
from capture.jobs.setup import check_limits, make_watcher
from capture.jobs.watcher import Watch
from capture.journal import Entry, Expectation, Stored, Writer
from capture.journal.aside import begin_anew, clear_mark, damage_of, mark_damaged, set_aside
from capture.journal.broken_log import BrokenLog, keep_broken_log
from capture.model.fields import rfc3339
from capture.opening import daemon_lock, hold_cursors_back, looking, tell_of_broken_log
from capture.operation import Facts, HandsFree, Notifier, Overseer
from capture.operation.overseer import summary
from capture.plugins import DriverRegistry
from capture.publish import (
    ProcessPublisher,
    Publisher,
    Publishers,
    PublisherSettings,
    ThreadPublisher,
)
from capture.publish.progress import delivered_by, known_journal
from capture.runtime import (
    Snapshot,
    Supervisor,
)
from capture.web.changes import Changes

if TYPE_CHECKING:
    from capture.web.server import WebServer
_WATCHER_TIMEOUT = 2.0
_WORKERS_TIMEOUT = 3.0
_PUBLISHER_TIMEOUT = 6.0
_JOURNAL_TIMEOUT = 5.0
_JOBS_TIMEOUT = 3.0
_WEB_TIMEOUT = 3.0
_LOCK_TRIES = 30
_LOCK_EVERY = 0.1  # seconds


class Daemon:
    """A whole bench, running."""

    def __init__(self, config: Config, clock: Clock | None = None) -> None:
        """Build everything; nothing is opened but the journal.

        Raises:
            ConfigError, PluginError, JournalError: what is wrong, one line a fault.
        """
        self._config = config
        self.clock = clock or SystemClock()
        self._log = structlog.get_logger()
        registry = DriverRegistry.load()
        for failure in registry.failures:
            self._log.warning(
                "driver.not_loaded", name=failure.name, of=failure.distribution, why=failure.reason
            )
        instruments = build_instruments(config, registry)
        check_limits(config)
        self.changes = Changes()
        self.results = ResultCache()
        self.web = make_web(config, self)
        path = config.journal_path
        path.parent.mkdir(parents=True, exist_ok=True)
        self._lock = daemon_lock(path)
        try:
            with looking(path, self.clock):  # commands wait until the daemon has looked
                self._take_lock()
                self._look_at_the_journal()
            self.publishers = Publishers(
                [self._make_publisher(name) for name in config.publishers], self.clock
            )
            self._writer = Writer(path, self.clock, self._on_commit)
        except BaseException:
            self._lock.release()
            if self.web is not None:
                self.web.stop(0)
            raise
        self.jobs = make_watcher(
            config, self._writer.append, self.clock, self._on_watch, self.results
        )
        self.supervisor = Supervisor(instruments, self._writer, self.clock, self._on_change)
        self._ports = {name: port_of(each.link) for name, each in config.instruments.items()}
        paths = [port for port in self._ports.values() if port]
        self._watcher = Watcher(Listing(paths), self.clock, self._on_ports)

    def start(self) -> None:
        """Start from the far end: journal, then delivery, then intake.

        Raises:
            ConfigError: the web server's address cannot be listened on; nothing was started.
        """
        if self.web is not None:
            self.web.listen()
        self._writer.start()
        self.publishers.start()
        if self._config.jobs.hands_free:
            self.jobs.start()
        if self.web is not None:
            self.web.start()
        self._watcher.look()  # so that whatever happens after the first opening is a change
        self.supervisor.start()
        self._watcher.start()
        self._log.info(
            "daemon.started", journal=str(self._config.journal_path), bench=self._config.bench
        )

    def stop(self) -> bool:
        """Stop intake first, let delivery drain, close the journal last; True where all ended."""
        answered = self.web is None or self.web.stop(_WEB_TIMEOUT)
        if not answered:
            self._log.error("web.did_not_stop")
        self._writer.prepare_to_stop()  # whatever is still held may use the room kept for this
        watched = self._watcher.stop(_WATCHER_TIMEOUT)
        if not watched:
            self._log.error("ports.watcher_did_not_stop")
        late = self.supervisor.stop(_WORKERS_TIMEOUT)
        for name in late:
            self._log.error("worker.did_not_stop", instrument=name)
        ended = self.jobs.stop(_JOBS_TIMEOUT)
        if not ended:
            self._log.error("jobs.watcher_did_not_stop")
        hanging = self.publishers.stop(_PUBLISHER_TIMEOUT)
        for name in hanging:
            self._log.error("publisher.did_not_stop", publisher=name)
        closed = self._writer.stop(_JOURNAL_TIMEOUT)
        self._lock.release()
        reports = self.publishers.reports.values()
        self._log.info("daemon.stopped", delivered=min(each.delivered for each in reports))
        return answered and watched and not late and ended and not hanging and closed

    def _take_lock(self) -> None:
        """Take the lock; the daemon before may be about to end, and have it for a moment."""
        never = threading.Event()
        for _ in range(_LOCK_TRIES):
            if self._lock.try_take():
                return
            self.clock.wait(never, _LOCK_EVERY)
        raise JournalError(
            f"{self._config.journal_path}: {self._lock.holder()} runs a daemon on this journal; "
            "end it first"
        )

    def _look_at_the_journal(self) -> None:
        """Tell of what is missing of it, before anything is appended or delivered."""
        path, now = self._config.journal_path, self.clock.utc()
        broken = keep_broken_log(path, now)  # first: whoever else opens the journal ends its log
        why = damage_of(path)
        if clear_mark(path) and why is None:
            self._log.warning("journal.whole_after_all", journal=str(path))
        if why is not None:
            self._set_aside(why, now)
            return
        if path.exists():
            self._hold_cursors_back()  # before anything gets a number that they have passed
        if broken is not None:
            self._tell_of_broken_log(broken, now)

    def _tell_of_broken_log(self, broken: BrokenLog, now: datetime) -> None:
        tell_of_broken_log(self._config, broken, now)
        self._log.error(
            "journal.log_broken",
            kept=str(broken.kept),
            commits=broken.commits,
            after=broken.last,
            hint="a bit of the log was changed, so SQLite does not read what was committed after "
            "it; keep the file, and look for the entries at the historian",
        )

    def _hold_cursors_back(self) -> None:
        held, last = hold_cursors_back(self._config.journal_path)
        for name, delivered in held.items():
            self._log.warning("cursor.held_back", cursor=name, was=delivered, now=last)

    def _set_aside(self, why: str, now: datetime) -> None:
        """Begin a new journal where SQLite cannot read the old one; it is kept, and told of."""
        path = self._config.journal_path
        delivered = delivered_by(path, known_journal(path) or "")
        aside = set_aside(path, why, min(delivered.values(), default=0), now)
        begin_anew(
            path,
            aside,
            site=self._config.site,
            bench=self._config.bench,
            instruments=self._config.instruments,
            now=now,
        )
        self._log.error(
            "journal.set_aside",
            damaged=str(aside.to),
            why=why,
            new=str(path),
            hint=f"`benchtally journal export --damaged --journal {aside.to} --out FILE` saves "
            "what can be read; keep the file",
        )

    def _make_publisher(self, name: str) -> Publisher:
        settings = PublisherSettings.of(self._config, name)
        if self._config.publishers[name].process == "thread":
            return ThreadPublisher(settings, self.clock)
        return ProcessPublisher(settings, self._config.log, self.clock)

    def _on_watch(self) -> None:
        self.changes.tell()

    def _on_commit(self) -> None:
        self.publishers.wake(self._writer.news)
        self.jobs.wake()
        self.changes.tell()

    def _on_change(self, snapshot: Snapshot) -> None:
        self.publishers.set_state(snapshot.instrument, instrument_state(snapshot))
        self.changes.tell()

    def append(
        self, entries: Sequence[Entry], expecting: Expectation | None = None
    ) -> list[Stored]:
        """Store entries; returns after the commit."""
        return self._writer.append(entries, expecting)

    def instruments(self) -> list[dict[str, Any]]:
        """Tell how every instrument is now, as it is published."""
        return [instrument_state(snapshot) for snapshot in self.supervisor.snapshots()]

    def facts(self) -> Facts:
        """Tell what is known of the bench now; opens and asks nothing."""
        hands_free = self._config.jobs.hands_free
        parts = {"journal": self._writer.heartbeat, "hands-free": self.jobs.heartbeat}
        still = [name for name, beat in parts.items() if beat.late]
        if self.supervisor.lost():
            still.append("supervisor")
        reports = self.publishers.reports
        journal = self._writer.health
        found = (journal.damaged, self.jobs.damaged, *(r.journal_damaged for r in reports.values()))
        return Facts(
            journal=journal,
            publishers=reports,
            instruments=tuple(self.supervisor.snapshots()),
            still=tuple(still),
            silent=tuple(self.supervisor.silent()),
            ages={name: age for name, beat in parts.items() if (age := beat.age) is not None},
            hands_free=HandsFree(*self.jobs.counts) if hands_free else None,
            damaged=next(filter(None, found), ""),
        )

    def watch(self) -> Watch | None:
        """Tell what hands-free capture sees; None where it is off."""
        return self.jobs.seen if self._config.jobs.hands_free else None

    def _on_ports(self, change: Change) -> None:
        """Wake the instruments whose ports came back: they need not wait for their next attempt."""
        self.supervisor.wake(
            name
            for name, port in self._ports.items()
            if any(is_meant(port, device) for device in change.appeared)
        )


def make_web(config: Config, daemon: Daemon) -> "WebServer | None":
    """Make the HTTP server of a daemon; None where none is configured.

    Raises:
        MissingExtraError: what it needs is not installed.
        ConfigError: a certificate cannot be used, or others are to be served and nobody is
            registered.
    """
    settings = config.web
    if settings is None:
        return None
    require_extra("web", "web")
    from capture.access.gate import Access  # noqa: PLC0415 - an extra
    from capture.web.application import make_app  # noqa: PLC0415 - same
    from capture.web.bench import Bench  # noqa: PLC0415 - same
    from capture.web.server import WebServer  # noqa: PLC0415 - same
    from capture.web.tls import Tls  # noqa: PLC0415 - same

    tls = None
    if settings.tls_certificate is not None and settings.tls_key is not None:
        tls = Tls(config.folder / settings.tls_certificate, config.folder / settings.tls_key)
    config.access_path.parent.mkdir(parents=True, exist_ok=True)
    access = Access(config, daemon.clock, daemon.append)
    try:
        access.check_ready()
    except ConfigError:
        access.close()
        raise
    bench = Bench(
        config=config,
        clock=daemon.clock,
        append=daemon.append,
        changes=daemon.changes,
        instruments=daemon.instruments,
        watch=daemon.watch,
        access=access,
        facts=daemon.facts,
        cache=daemon.results,
    )
    app = make_app(bench)
    return WebServer(app, daemon.changes, settings.host, settings.port, tls, bench.close)


def port_of(link: LinkSettings) -> str:
    """Give the port or device that a link names; empty for one that is reached over a network."""
    port = getattr(link, "device", None) or getattr(link, "path", None)
    if port is None:
        port = getattr(link, "port", "")
    return port if isinstance(port, str) else ""


def instrument_state(snapshot: Snapshot) -> dict[str, Any]:
    """Write an instrument's state as it is published."""
    return {
        "schema_version": 1,
        "instrument": snapshot.instrument,
        "state": str(snapshot.state),
        "reason": snapshot.reason,
        "since": rfc3339(snapshot.since),
        "link": snapshot.link,
        "identity": snapshot.identity,
    }


def run_daemon(config: Config) -> bool:
    """Run until a signal asks to stop; True where everything ended as it should.

    The first signal asks, a second one ends the process at once.

    Raises:
        ConfigError, PluginError, JournalError: it cannot start; what is wrong, one line a fault.
        JournalDamaged: the journal was found damaged while running. All has been stopped, and the
            next start sets the file aside.
    """
    notifier = Notifier.from_environment()
    with nothing_is_rubbish():
        daemon = Daemon(config)
    overseer = Overseer(daemon.facts, notifier, daemon.clock)
    damaged = ""
    with _signals() as signals:
        daemon.start()
        notifier.ready(summary(daemon.facts()))
        # In short waits: on some systems a signal does not interrupt a lock.
        while not signals.stop.wait(overseer.turn) and not damaged:
            damaged = overseer.look().damaged
            signals.tell_of_hangup()
        notifier.stopping("the journal is damaged" if damaged else "stopping")
        if damaged:
            structlog.get_logger().error("journal.damaged", why=damaged)
            mark_damaged(config.journal_path, damaged)
        ended = daemon.stop()
    if damaged:
        raise JournalDamaged(
            f"{config.journal_path}: found damaged while running ({damaged}); the next start sets "
            "it aside and begins a new one; keep the file"
        )
    return ended


class _Asked:
    """What signals have asked for."""

    def __init__(self) -> None:
        self.stop = threading.Event()
        self.hangup = False

    def tell_of_hangup(self) -> None:
        """Log a SIGHUP; not in the handler, which may have come in the middle of another log."""
        if self.hangup:
            self.hangup = False
            structlog.get_logger().info(
                "daemon.hangup_ignored", hint="a changed configuration is read at the next start"
            )


@contextmanager
def _signals() -> Iterator[_Asked]:
    """Turn signals into flags, and put the old handlers back afterwards."""
    asked = _Asked()

    def ask(number: int, _frame: FrameType | None) -> None:
        if asked.stop.is_set():
            signal.signal(number, signal.SIG_DFL)
            signal.raise_signal(number)
        asked.stop.set()

    def hang_up(_number: int, _frame: FrameType | None) -> None:
        # The terminal has closed, or somebody wants a new configuration: neither is worth a gap.
        asked.hangup = True

    handlers: dict[int, Callable[[int, FrameType | None], None]] = {
        signal.SIGINT: ask,
        signal.SIGTERM: ask,
    }
    if sys.platform == "win32":
        handlers[signal.SIGBREAK] = ask
    else:
        handlers[signal.SIGHUP] = hang_up
    old = {number: signal.signal(number, handler) for number, handler in handlers.items()}
    try:
        yield asked
    finally:
        for number, handler in old.items():
            signal.signal(number, handler)
