"""A fault campaign: a whole bench under load, and faults at random, until nothing may be missing.

Everything is drawn from one seed. A campaign is not repeatable to the millisecond, since real
programs run in it, but the same seed injects the same faults in the same order.
"""

import random
import time
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import campaign_oracle as oracle
import harness
from campaign_faults import KINDS, partner_of
from proxy import Proxy
from recorder import Recorder
from small_disk import small_disk

_RECOVERY = 120.0
"""Seconds after which a bench that has not recovered from a fault has failed."""

_AT_ONCE = "two at once"
_STEPPED_CLOCK = Path(__file__).parent / "stepped_clock.py"


@dataclass
class Tally:
    """What came of one kind of fault."""

    injected: int = 0
    worst: float = 0.0


@dataclass
class Report:
    """What a campaign has to tell."""

    seed: int
    seconds: float
    disk: str
    tallies: dict
    findings: oracle.Findings
    verified: str

    def good(self):
        """Tell whether nothing is as it must not be."""
        sound = "all as they should be by" in self.verified and "by 0 heads" not in self.verified
        return not self.findings.faults() and sound

    def table(self):
        """Give the lines of the report."""
        width = max(len(name) for name in self.tallies)
        yield f"{'fault':<{width}}  injected  worst time to recover"
        for name, tally in self.tallies.items():
            worst = f"{tally.worst:.2f} s" if tally.worst else "-"
            yield f"{name:<{width}}  {tally.injected:>8}  {worst:>21}"
        found = self.findings
        kinds = sum(bool(each.injected) for name, each in self.tallies.items() if name != _AT_ONCE)
        total = sum(each.injected for name, each in self.tallies.items() if name != _AT_ONCE)
        yield ""
        yield (
            f"seed {self.seed}: {total} faults of {kinds} kinds in {self.seconds / 60:.1f} minutes, "
            f"disk: {self.disk}"
        )
        yield (
            f"readings {found.readings}, entries {found.entries}, of them to deliver "
            f"{found.delivered}, at the subscriber {found.arrived}"
        )
        yield (
            f"lost {found.lost}, stored twice {found.stored_twice}, reordered {found.reordered}, "
            f"gaps in the sequence {found.gaps}, other bytes {found.other_bytes}, "
            f"never committed {found.foreign}"
        )
        yield (
            f"lines missing inside a session {found.lines_missing}, stored by a command and not "
            f"there {len(found.broken_promises)}, sent again (same id) {found.came_again}"
        )
        yield f"chain {'BROKEN' if found.broken_chain else 'holds'}; {self.verified}"


class Campaign:
    """One bench: broker behind a proxy, consumer, small disk, four instruments, daemon."""

    def __init__(self, rig, seed, *, rate=300, pace=1.0, say=lambda _text: None):
        """Take the readings a second in all, and `pace`: by how much less long faults last."""
        self.rig, self.seed, self.pace = rig, seed, pace
        self._say = say
        self._random = random.Random(seed)
        self.disk = rig.own(small_disk(rig.folder / "disk"))
        rig.journal = self.disk.path / "bench.journal"
        self.broker = rig.mosquitto()
        self.proxy = rig.own(Proxy(self.broker.port))
        self.recorder = rig.own(Recorder(self.broker.port))
        self.streams = ("line-1", "line-2", "net-1")
        self.jobs, self.promised = [], []
        self.tallies = defaultdict(Tally)
        self._clock = rig.folder / "clock"
        self.step_clock(0)
        self._configure(rate / len(self.streams))
        self._began = time.monotonic()
        self.daemon = None
        self.start_daemon()
        self._recover(time.monotonic(), "the start")

    def _configure(self, rate):
        rig = self.rig
        one, lines_1 = rig.counter("line-1", rate, catch_up=True)
        two, lines_2 = rig.counter("line-2", rate, catch_up=True)
        net = rig.simulate("counter", "--tcp", 0, "--lossless", "--rate", rate)
        ohm = rig.simulate("scpi-resistance", "--tcp", 0, "-o", "rate=20", "-o", "pair=U-V")
        self._counters = dict(zip(self.streams, (one, two, net), strict=True))
        self.simulators = (one, two, net, ohm)
        rig.configure(
            self.proxy.port,
            lines_1,
            lines_2,
            rig.lines("net-1", **_place(net)),
            rig.scpi("ohm-1", 0.1, **_place(ohm)),
            broker="keepalive_s = 5\n",  # so that a half-open connection is found out soon
        )
        path = f'"{rig.journal}"'
        text = rig.config.read_text("utf-8").replace('"bench.journal"', path)
        rig.config.write_text(text, "utf-8")

    # ── what faults need ─────────────────────────────────────────────────────────────────────

    def start_daemon(self):
        self.daemon = self.rig.daemon(program=(_STEPPED_CLOCK, self._clock))

    def begin_command(self, *arguments):
        command = [*harness.PYTHON, "-m", "capture.cli", *arguments, "--config", self.rig.config]
        return self.rig.child(*command)

    def command(self, *arguments):
        return self.rig.command(*arguments)

    def wait_connected(self):
        """Wait until bytes go to the broker and back."""
        seen = self.recorder.messages
        harness.wait_until(lambda: self.recorder.messages > seen, "messages", 60)

    def step_clock(self, offset):
        """Let the daemon's clock be so many seconds off."""
        new = self._clock.with_suffix(".new")
        new.write_text(f"{offset}\n")
        new.replace(self._clock)

    # ── faults ───────────────────────────────────────────────────────────────────────────────

    def run_each(self):
        """Inject each kind once, in random order, then two at once."""
        order = self._random.sample(KINDS, len(KINDS))
        for kind in order:
            self._inject(kind)
        first = order[0]
        self._inject(first, partner_of(first, self._random))

    def run_for(self, seconds):
        """Inject faults at random for so long: all kinds in turn, each turn in an order of its own."""
        end = time.monotonic() + seconds
        order = []
        while time.monotonic() < end:
            order = order or self._random.sample(KINDS, len(KINDS))
            kind = order.pop()
            if self._random.random() < 0.25:
                self._inject(kind, partner_of(kind, self._random))
            else:
                self._inject(kind)

    def _inject(self, *kinds):
        kinds = sorted(kinds, key=lambda each: not each.messages)
        name = " + ".join(each.name for each in kinds)
        acts = [each.act(self, self._random) for each in kinds]
        for each in acts:
            # What a fault yields is how long it lasts; of two, the second begins meanwhile.
            _wait(next(each) / len(acts))
        for each in acts:
            for seconds in each:
                _wait(seconds)
        took = self._recover(time.monotonic(), name)
        self._say(f"{time.monotonic() - self._began:7.1f} s  {name}: recovered in {took:.2f} s")
        for each in kinds:
            self.tallies[each.name].injected += 1
        tally = self.tallies[kinds[0].name if len(kinds) == 1 else _AT_ONCE]
        tally.injected += len(kinds) > 1
        tally.worst = max(tally.worst, took)

    def _recover(self, began, name):
        """Wait until of each instrument a reading made after this has come; give the seconds."""
        instruments = (*self.streams, "ohm-1")
        before = dict.fromkeys(instruments, 0)
        if self.recorder.newest:  # else there may be no journal yet
            before = oracle.newest_sequences(self.rig.journal, instruments)
        newest = self.recorder.newest

        def all_came():
            return all(newest[each] > before[each] for each in instruments)

        end = time.monotonic() + _RECOVERY
        while not self.recorder.wait(all_came, 0.5):
            assert self.daemon.running(), f"{name}: {self.daemon.said()[-3000:]}"
            late = {each: (before[each], newest[each]) for each in instruments}
            assert time.monotonic() < end, f"{name}: not recovered: {late}, {self._last_words()}"
        return time.monotonic() - began

    def _last_words(self):
        return self.daemon.said()[-3000:]

    # ── the end ──────────────────────────────────────────────────────────────────────────────

    def finish(self):
        """End the load, wait until all has been delivered, end the daemon; give the report."""
        self.settle()
        assert self.daemon.stop(60) == 0, self._last_words()
        self.recorder.wait_for_ids(oracle.ids_to_deliver(self.rig.journal), 60)
        seconds = time.monotonic() - self._began
        found = oracle.judge(self.rig.journal, self.recorder, self.streams, self.promised)
        verified = self._verify()
        return Report(self.seed, seconds, self.disk.kind, dict(self.tallies), found, verified)

    def _verify(self):
        """Hold the journal against all heads that the consumer heard of; give what was said."""
        heard = {f"{head['hash']}@{head['n']}" for head in self.recorder.heads}
        heads = [part for each in sorted(heard) for part in ("--head", each)]
        said = self.command("journal", "verify", *heads).strip().splitlines()
        return f"{said[0].rpartition(': ')[2]} by {len(heard)} heads that the subscriber kept"

    def settle(self):
        """Stop the numbered lines, and wait until all that is committed has come."""
        for name, counter in self._counters.items():
            last = counter.hand("stop").rpartition(" ")[2]
            harness.wait_until(
                lambda name=name, last=last: oracle.newest_digits(self.rig.journal, name) == last,
                f"line {last} of {name} in the journal: {self._last_words()}",
                60,
            )
        self.recorder.wait_for_ids(oracle.ids_to_deliver(self.rig.journal), 120)


def _place(simulator):
    return {"host": "127.0.0.1", "port": int(simulator.ready["tcp"].rpartition(":")[2])}


def _wait(seconds):
    harness._NEVER.wait(seconds)
