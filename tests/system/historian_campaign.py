"""Faults from the meter to the database: ids in the journal = ids in PostgreSQL, whatever fails.

Two numbered streams, daemon, mosquitto, two workers on two slots (a third stands by), PostgreSQL with
fsync on. Everything is drawn from one seed.
"""

import os
import random
import signal
import time
from collections import Counter, defaultdict
from dataclasses import dataclass

import campaign_oracle as oracle
import harness
from historian_bench import Historian
from postgres import Postgres

_RECOVERY = 120.0


@dataclass
class Tally:
    injected: int = 0
    worst: float = 0.0


class Campaign:
    """One bench and one historian under faults."""

    def __init__(self, rig, seed, *, rate=200, pace=1.0, say=lambda _text: None):
        self.rig, self.seed, self.pace, self._say = rig, seed, pace, say
        self._random = random.Random(seed)
        self.tallies = defaultdict(Tally)
        self.server = rig.own(Postgres(durable=True))
        self.broker = rig.mosquitto()
        self.historian = Historian(
            rig, self.broker.port, self.server.database(), slots=2,
            more="keepalive_s = 5\n", gaps="every_s = 1\nwait_s = 2\n",
        )  # fmt: skip
        self.workers = [self.historian.worker() for _ in range(3)]
        harness.wait_until(
            lambda: sum("historian.listens" in each.said() for each in self.workers) == 2,
            "two listen",
        )
        self.counters = {}
        lines = []
        for name in ("line-1", "line-2"):
            self.counters[name], line = rig.counter(name, rate / 2, catch_up=True)
            lines.append(line)
        rig.configure(self.broker.port, *lines)
        self._began = time.monotonic()
        self.daemon = rig.daemon()
        self._recover("the start")

    # ── faults: each begins, lasts, and ends ─────────────────────────────────────────────────

    def worker_killed(self):
        """The two that serve, alternately; the one that stands by takes over, another one comes."""
        victim = self.workers.pop(0)
        self.historian.kill(victim)
        self._hold(2)
        self.workers.append(self.historian.worker())

    def worker_stopped(self):
        victim = self.workers.pop(0)
        assert victim.stop(60) == 0, victim.said()[-2000:]
        self._hold(1)
        self.workers.append(self.historian.worker())

    def worker_hangs(self):
        self.workers[0].signal(signal.SIGSTOP)
        self._hold(8)
        self.workers[0].signal(signal.SIGCONT)

    def database_restarted(self):
        self.server.stop()
        self._hold(4)
        self.server.start()

    def database_killed(self):
        self.server.stop(at_once=True)
        self._hold(4)
        self.server.start()

    def broker_restarted(self):
        self.broker.stop()
        self._hold(4)
        self.broker.start()

    def daemon_killed(self):
        self.daemon.signal(signal.SIGKILL)
        self.daemon.wait()
        self._hold(1)
        self.daemon = self.rig.daemon()

    def publisher_killed(self):
        os.kill(self.daemon.publisher(), signal.SIGKILL)

    def database_and_worker_killed(self):
        self.server.stop(at_once=True)
        self.worker_killed()
        self.server.start()

    def backlog(self):
        """Nobody stores for a while; then it all comes at once."""
        for each in self.workers:
            self.historian.kill(each)
        self._hold(12)
        self.workers = [self.historian.worker() for _ in range(3)]

    FAULTS = (
        ("worker killed (kill -9)", worker_killed),
        ("worker stopped (SIGTERM)", worker_stopped),
        ("worker hangs (SIGSTOP)", worker_hangs),
        ("database restarted (fast)", database_restarted),
        ("database killed (immediate)", database_killed),
        ("database killed, and a worker", database_and_worker_killed),
        ("broker stopped (SIGTERM) and started", broker_restarted),
        ("daemon killed (kill -9)", daemon_killed),
        ("publisher killed (kill -9)", publisher_killed),
        ("all workers killed, a backlog", backlog),
    )

    # ── the course of it ─────────────────────────────────────────────────────────────────────

    def run_each(self):
        for name, fault in self._random.sample(self.FAULTS, len(self.FAULTS)):
            self._inject(name, fault)

    def run_for(self, seconds):
        end, order = time.monotonic() + seconds, []
        while time.monotonic() < end:
            order = order or self._random.sample(self.FAULTS, len(self.FAULTS))
            self._inject(*order.pop())

    def _inject(self, name, fault):
        fault(self)
        took = self._recover(name)
        tally = self.tallies[name]
        tally.injected += 1
        tally.worst = max(tally.worst, took)
        self._say(f"{time.monotonic() - self._began:7.1f} s  {name}: recovered in {took:.2f} s")

    def _hold(self, longest):
        harness._NEVER.wait(self._random.uniform(0.3, longest) * self.pace)

    def _newest(self):
        return dict(
            self.historian.rows(
                "SELECT i.instrument, (SELECT max(sequence) FROM benchtally.readings r WHERE "
                "(r.site, r.bench, r.instrument) = (i.site, i.bench, i.instrument)) "
                "FROM benchtally.instruments i"
            )
        )

    def _recover(self, name):
        """Wait until of each stream a reading made after this is in the database."""
        began = time.monotonic()
        before = {}
        if self.rig.journal.exists():
            before = oracle.newest_sequences(self.rig.journal, self.counters)

        def stored():
            newest = self._newest()
            return all(newest.get(each, 0) > before.get(each, 0) for each in self.counters)

        harness.wait_until(stored, f"{name}: {before}, {self._last_words()}", _RECOVERY)
        return time.monotonic() - began

    def _last_words(self):
        return "\n".join(each.said()[-800:] for each in (self.daemon, *self.workers))

    def finish(self):
        """End the load, wait for everything, compare; give the lines of the report."""
        for name, counter in self.counters.items():
            last = counter.hand("stop").rpartition(" ")[2]
            harness.wait_until(
                lambda name=name, last=last: oracle.newest_digits(self.rig.journal, name) == last,
                last,
                60,
            )
        wanted = oracle.ids_to_deliver(self.rig.journal)
        self.historian.wait_for_ids(wanted, 120)
        # A worker looks at the table of gaps now and then: what has come since it looked last heals
        # with its next look, and not with its end.
        harness.wait_until(lambda: not self._gaps(), "all gaps are healed", 30)
        seconds = time.monotonic() - self._began
        assert self.daemon.stop(60) == 0, self.daemon.said()[-2000:]
        for each in self.workers:
            assert each.stop(60) == 0, each.said()[-2000:]
        return self._report(seconds)

    def _gaps(self):
        return self.historian.rows("SELECT first FROM benchtally.gaps")

    def _report(self, seconds):
        entries = [each for each in self.rig.entries() if each.kind not in oracle._STAYS]
        stored = {
            str(id_): (instrument, sequence, body)
            for id_, instrument, sequence, body in self.historian.rows(
                "SELECT id, instrument, sequence, body FROM benchtally.readings"
            )
        }
        others = set(self.historian.ids()) - stored.keys()
        readings = {each.id: each for each in entries if each.kind == "reading"}
        counted = Counter((instrument, sequence) for instrument, sequence, _ in stored.values())
        found = {
            "lost": len({each.id for each in entries} - stored.keys() - others),
            "never committed": len((stored.keys() | others) - {each.id for each in entries}),
            "stored twice": sum(count - 1 for count in counted.values()),
            "out of order": sum(
                stored[id_][:2] != (each.instrument, each.sequence)
                for id_, each in readings.items()
                if id_ in stored
            ),
            "other bytes": sum(
                stored[id_][2] != each.body.decode()
                for id_, each in readings.items()
                if id_ in stored
            ),
            "gaps in the sequence": len(self._gaps()),
            "in quarantine": len(self.historian.rows("SELECT n FROM benchtally.quarantine")),
        }
        self.good = not any(found.values())
        width = max(len(name) for name in self.tallies)
        yield f"{'fault':<{width}}  injected  worst time to recover"
        for name, tally in self.tallies.items():
            yield f"{name:<{width}}  {tally.injected:>8}  {tally.worst:>19.2f} s"
        yield ""
        yield (
            f"seed {self.seed}: {sum(each.injected for each in self.tallies.values())} faults of "
            f"{len(self.tallies)} kinds in {seconds / 60:.1f} minutes; readings in the journal "
            f"{len(readings)}, in the database {len(stored)}"
        )
        yield ", ".join(f"{what} {count}" for what, count in found.items())
