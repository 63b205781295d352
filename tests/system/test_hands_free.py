"""Hands-free capture from the display to the stored result: meters' physics, a writer, the thread.

The daemon is left out: what it would store is stored by its writer here, in the meters' own time.
"""

import random

import harness
import pytest

from capture.clock import ManualClock
from capture.jobs.desk import Desk
from capture.jobs.following import JobWatcher
from capture.jobs.procedure import load_procedure
from capture.jobs.service import Who
from capture.jobs.state import StepStatus
from capture.jobs.watcher import JobWatch
from capture.journal import JournalReader, Writer
from capture.model import new_id
from capture.model.job import JobConditions, RampedDown, Redone
from capture.model.machine import Nameplate
from simulators.physical import PhysicalSpecimen
from simulators.scpi_resistance import ScpiResistanceMeter, ScpiResistanceSettings
from simulators.scpi_syntax import INFINITY
from simulators.winding import Winding

RATE = 2.0  # measurements a second
PAIRS = ("U-V", "V-W", "W-U")


class BenchClock(ManualClock):
    """Time that passes with the meter's measurements; waiting takes none of it."""

    def wait(self, event, seconds):
        return event.wait(min(seconds, 0.05))


class HandsFree:
    """A resistance meter on a winding, its readings in a journal, and the thread that watches."""

    def __init__(self, path, draft, winding):
        self.clock = BenchClock()
        self.draft = draft
        self.path = path
        self.meter = ScpiResistanceMeter(
            ScpiResistanceSettings(rate=RATE, source_ohms=0.05), PhysicalSpecimen(winding)
        )
        self.noise = random.Random(7)
        self.now = 0.0
        self.writer = Writer(path, self.clock, self.wake)
        self.writer.start()
        self.reader = JournalReader(path)
        self.desk = self.make_desk(self.reader)
        self.watcher = None
        self.start()

    def make_desk(self, reader):
        return Desk(reader, self.writer.append, self.clock, "sawmill", "bench-1")

    def start(self):
        """Start the thread, as the daemon does."""
        self.watcher = JobWatcher(
            self.path, lambda reader: JobWatch(self.make_desk(reader), self.clock), self.clock
        )
        self.watcher.start()
        harness.wait_until(lambda: self.watcher._watch is not None, "the watch is there")

    def wake(self):
        if self.watcher is not None:
            self.watcher.wake()

    def close(self):
        assert self.watcher.stop(harness.LONG)
        self.reader.close()
        assert self.writer.stop(harness.LONG)

    def hand(self, words):
        assert self.meter.hand.obey(words, self.now).startswith("ok")

    def measure(self, seconds, until=lambda: False):
        """Let the meter measure for so long, or until something has come about.

        The thread sees each reading before the next.
        """
        for _ in range(round(seconds * RATE)):
            self.now += 1 / RATE
            self.clock.advance(1 / RATE)
            (value,) = self.meter.measure(self.now - 1 / RATE, self.now, self.noise)
            shown = {"status": "above-range", "value": None, "digits": "9.9E37"}
            if value != INFINITY:
                shown = {"value": float(f"{value:.6g}"), "digits": f"{value:.6g}"}
            reading = self.draft(time=self.clock.utc(), shown_unit="Ohm", **shown)
            self.seen(self.writer.append([reading])[0].n)
            if until():
                return

    def seen(self, n):
        """Wait until the thread has seen an entry."""
        harness.wait_until(lambda: self.watcher._cursor >= n, f"entry {n} is seen")

    def touched(self, job, step):
        """Let the meter measure until the step is taken; give the step."""
        self.measure(90, lambda: self.state(job).step(step).status is StepStatus.TAKEN)
        return self.state(job).step(step)

    def state(self, job):
        return self.desk.service.state(job)

    def act(self, job, event):
        self.desk.act(job, event, Who("technician", new_id()), self.state(job).last)
        self.seen(self.reader.last_n())


@pytest.fixture
def bench(tmp_path, draft):
    """A winding whose pairs settle with some seconds, under a meter."""
    made = HandsFree(tmp_path / "bench.journal", draft, Winding(ohms=0.4, henries=0.3))
    yield made
    made.close()


def test_three_pairs_by_two_hands_and_a_start_in_the_middle(bench):
    """Touch, taken, ramped down, lifted, three times over; each value is the winding's own."""
    job = new_id()
    service = bench.desk.service
    service.register("fan-07", Nameplate(zero_resistance_celsius=235), Who("technician", new_id()))
    service.start(
        job,
        "fan-07",
        load_procedure("three-pair-resistance"),
        Who("technician", new_id()),
        JobConditions(winding_celsius=22.0),
    )
    for pair in PAIRS:
        step = f"resistance-{pair.lower()}"
        bench.measure(1)
        bench.hand(f"pair {pair}")
        if pair == "V-W":
            # The program is started again in the middle of the touch: that one is not taken.
            bench.measure(1)
            assert bench.watcher.stop(harness.LONG)
            bench.start()
            bench.measure(15)
            assert bench.state(job).step(step).status is StepStatus.OPEN
            bench.hand("lift")
            bench.measure(1)
            bench.hand(f"pair {pair}")
        taken = bench.touched(job, step)
        assert taken.status is StepStatus.TAKEN
        assert (taken.how, len(taken.readings)) == ("settled", 1)
        bench.act(job, RampedDown(step=step))
        bench.hand("lift")
    done = bench.state(job)
    held = service.readings_of(done)
    values = [held[id_]["value"] for each in done.steps.values() for id_ in each.readings]
    assert values == pytest.approx([0.8, 0.8, 0.8], rel=1e-3)
    assert done.current is None
    names = [each.name for each in service.results(job)]
    assert "resistance unbalance (mean)" in names
    assert "resistance U-V at 25 °C" in names
    assert len(names) == len(set(names))

    # Done again: the leads that lie on do not count, the next touch does.
    bench.hand("pair U-V")
    bench.measure(5)
    bench.act(job, Redone(step="resistance-u-v", reason="clip slipped"))
    bench.measure(15)
    assert bench.state(job).step("resistance-u-v").status is StepStatus.OPEN
    bench.hand("lift")
    bench.measure(1)
    bench.hand("pair U-V")
    again = bench.touched(job, "resistance-u-v")
    assert again.status is StepStatus.TAKEN
    assert len(again.superseded) == 1
