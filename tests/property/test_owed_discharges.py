"""Whatever people and clocks do on a bench, no step is shown open while a discharge is owed.

Several jobs of two machines, two kinds of people (who looked, and who looked a while ago), voltages
that the watch writes at any moment, clocks that jump. What is owed, and who was shown it, is kept
here from the journal's own entries, apart from the code that is tested.
"""

import json
import sys
import tempfile
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

sys.path.insert(0, str(Path(__file__).parents[1] / "unit" / "jobs"))

from jobs_bench import JobBench

from capture.errors import InputError
from capture.jobs.procedure import parse_procedure
from capture.jobs.rules import LockedError
from capture.jobs.service import Who
from capture.jobs.state import WATCHER
from capture.journal import StaleError
from capture.model import new_id
from capture.model.job import (
    Applied,
    Discharged,
    Finished,
    Noted,
    Overridden,
    Paused,
    Redone,
    Resumed,
    Selected,
    SignedOff,
    Skipped,
)
from capture.model.machine import Nameplate

PROCEDURE = """\
schema_version = 1
name = "x"
title = "Phase by phase, then pulses"
cautions = ["Lock it off."]
[[steps]]
id = "u"
title = "Insulation U"
cautions = ["Keep everybody away."]
points = ["U-frame"]
quantity = "insulation_resistance"
energy = "test-voltage"
[[steps]]
id = "v"
title = "Insulation V"
cautions = ["Keep everybody away."]
points = ["V-frame"]
quantity = "insulation_resistance"
energy = "test-voltage"
[[steps]]
id = "pair"
title = "Inductance"
points = ["U-V"]
quantity = "inductance"
[[steps]]
id = "pulse"
title = "Pulses"
cautions = ["Keep everybody away."]
points = ["U-V"]
quantity = "pulse_time"
energy = "pulse"
take = { how = "keyed" }
"""
STEPS = ("u", "v", "pair", "pulse")
TESTS = ("u", "v")
MACHINES = ("fan-07", "fan-08")
PLATE = Nameplate(rated_volts=400, connection="star", winding="random", year=2004)
SECONDS = st.sampled_from([1.0, 20.0, 60.0, 600.0])
REFUSED = (InputError, LockedError, StaleError)


@dataclass
class Voltage:
    """One voltage of the journal."""

    n: int
    machine: str
    job: str
    step: str
    ended: float
    seconds: float
    confirmed: bool = False


@dataclass
class Look:
    """What somebody was shown of a job."""

    job: object
    last: int
    up_to: int
    voltages: frozenset


@dataclass
class Told:
    """What the journal says, read entry by entry."""

    at: int = 0
    machines: dict = field(default_factory=dict)
    voltages: list = field(default_factory=list)
    insulated: dict = field(default_factory=dict)
    changed: dict = field(default_factory=dict)

    def read(self, reader):
        """Take in what is new."""
        for row in reader.after(self.at, 1000):
            self.at = row.n
            if row.kind == "job":
                self._entry(row.n, json.loads(row.body))

    def _entry(self, n, body):
        job, event = body["job"], body["event"]
        step = event.get("step")
        match event["action"]:
            case "started":
                self.machines[job] = event["machine"]
                self.insulated[job] = set()
            case "applied":
                ended = _seconds(body["time"])
                made = Voltage(n, self.machines[job], job, step, ended, event["seconds"])
                self.voltages.append(made)
            case "discharged":
                for each in self.voltages:
                    each.confirmed |= (each.job, each.step) == (job, step)
            case "taken" if step in TESTS:
                self.insulated[job].add(step)
                self.changed[job] = n
            case "redone" if step in TESTS:
                self.insulated[job].discard(step)
                self.changed[job] = n

    def open(self, machine):
        """Give what nobody has confirmed on a machine."""
        return [each for each in self.voltages if each.machine == machine and not each.confirmed]


def _seconds(text):
    return datetime.fromisoformat(text).timestamp()


class Bench(RuleBasedStateMachine):
    """Everything that may happen to jobs of two machines."""

    @initialize()
    def begin(self):
        self.folder = tempfile.TemporaryDirectory(prefix="owed-")
        self.bench = JobBench(Path(self.folder.name))
        for machine in MACHINES:
            self.bench.service.register(machine, PLATE, self.bench.who())
        self.jobs, self.looks = [], []
        self.told = Told()
        self.passed = {}  # numbers of the voltages that somebody passed, by job and step
        self.passed_insulation = {}  # number of the newest entry by which it was, by job
        for _ in range(2):
            self.start("fan-07")

    def teardown(self):
        if hasattr(self, "bench"):
            self.bench.close()
            self.folder.cleanup()

    def act(self, job, event, operator="technician", seen=None, desk=None):
        last = self.bench.service.state(job).last if seen is None else seen
        who = Who(operator, new_id())
        after = (desk or self.bench.desk).act(job, event, who, last)
        self.told.read(self.bench.reader)
        return after

    def one(self, number):
        return self.jobs[number % len(self.jobs)]

    # ── what happens ─────────────────────────────────────────────────────────────────────────

    @precondition(lambda self: len(self.jobs) < 4)
    @rule(machine=st.sampled_from(MACHINES))
    def start(self, machine):
        job = new_id()
        procedure = parse_procedure(PROCEDURE, "x")
        self.bench.service.start(job, machine, procedure, self.bench.who(), beside=True)
        self.jobs.append(job)
        self.told.read(self.bench.reader)

    @rule(
        number=st.integers(0, 3), step=st.sampled_from(STEPS), seconds=SECONDS, watch=st.booleans()
    )
    def voltage(self, number, step, seconds, watch):
        who = WATCHER if watch else "technician"
        self.act(self.one(number), Applied(step=step, seconds=seconds), who)

    @rule(seconds=st.sampled_from([1, 30, 241, 2401]))
    def time_passes(self, seconds):
        self.bench.clock.advance(seconds)

    @rule(seconds=st.sampled_from([-7200, -600, -30, 30, 600, 7200]))
    def the_clock_is_set(self, seconds):
        self.bench.clock.step_utc(seconds)

    def look(self, job):
        """Look at a job; what is shown may be pressed on at once, or a while later."""
        view = self.bench.desk.view(self.bench.service.state(job))
        shown = frozenset(each.n for each in self.told.open(view["machine"]))
        self.looks.append(Look(job, view["last"], view["up_to"], shown))

    @rule(number=st.integers(0, 3), step=st.sampled_from(STEPS), data=st.data())
    def pass_the_discharge(self, number, step, data):
        """By who has just looked, or a while ago; voltages come before, between and after it."""
        number = number % len(self.jobs)
        others = [*self.jobs[:number], *self.jobs[number + 1 :]]
        some = st.lists(st.sampled_from(self.jobs), max_size=1)
        for other in data.draw(some, "before the look"):
            self.act(other, Applied(step="u", seconds=20), WATCHER)
        if not self.looks or data.draw(st.booleans(), "a new look"):
            self.look(self.jobs[number])
        for other in data.draw(some, "since the look"):
            self.act(other, Applied(step="u", seconds=20), WATCHER)
        look = self.looks[-1]
        told = (
            {"up_to": look.up_to} if data.draw(st.booleans(), "it is said what was shown") else {}
        )
        late = data.draw(st.lists(st.sampled_from(others), max_size=1) if others else st.just([]))
        desk = self.racing(late[0]) if late and late[0] != look.job else None
        event = Overridden(step=step, lock="discharge", reason="earthed", **told)
        with suppress(*REFUSED):
            self.act(look.job, event, seen=look.last, desk=desk)
            self.passed.setdefault((str(look.job), step), set()).update(look.voltages)
        self.told.read(self.bench.reader)

    def racing(self, other):
        """Give a desk whose writing is overtaken by a voltage in another job."""
        done = []

        def append(batch, expecting=None):
            if not done:
                done.append(other)
                self.act(other, Applied(step="u", seconds=30), WATCHER)
            return self.bench.append(batch, expecting)

        return self.bench.another_desk(append=append)

    @rule(number=st.integers(0, 3))
    def pass_the_insulation(self, number):
        event = Overridden(step="pulse", lock="insulation", reason="tested before")
        with suppress(*REFUSED):
            after = self.act(self.one(number), event)
            self.passed_insulation[str(after.job)] = after.last

    @rule(number=st.integers(0, 3), step=st.sampled_from(STEPS))
    def confirm(self, number, step):
        with suppress(*REFUSED):
            self.act(self.one(number), Discharged(step=step))

    @rule(number=st.integers(0, 3), step=st.sampled_from(("u", "v", "pair")), seconds=SECONDS)
    def take(self, number, step, seconds):
        """Taken or refused: never taken where a voltage holds it that nobody passed."""
        job = self.one(number)
        quantity = "inductance" if step == "pair" else "insulation_resistance"
        reading = self.bench.reading(quantity, 0.06 if step == "pair" else 3e9)
        state = self.bench.service.state(job)
        holds = self.not_passed(job, step)
        try:
            applied = seconds if step in TESTS else None
            self.bench.desk.take(
                job, step, [reading], self.bench.who(), state.last, applied_seconds=applied
            )
            assert not holds, f"{step} was taken over {holds}"
        except REFUSED:
            pass
        self.told.read(self.bench.reader)

    @rule(
        number=st.integers(0, 3),
        step=st.sampled_from(STEPS),
        kind=st.sampled_from([Skipped, Redone, Selected]),
    )
    def on_a_step(self, number, step, kind):
        told = {} if kind is Selected else {"reason": "as it goes"}
        with suppress(*REFUSED):
            self.act(self.one(number), kind(step=step, **told))

    @rule(
        number=st.integers(0, 3),
        event=st.sampled_from([Paused(reason="tea"), Resumed(), Finished(), SignedOff()]),
    )
    def on_the_job(self, number, event):
        with suppress(*REFUSED):
            self.act(self.one(number), event)

    @rule(number=st.integers(0, 3))
    def void(self, number):
        """That a job counts for nothing takes nothing off what its voltages have left."""
        with suppress(*REFUSED):
            self.act(self.one(number), Noted(text="for training only", voids=True))

    @rule()
    def the_program_starts_again(self):
        self.bench.reopen()

    # ── what must hold ───────────────────────────────────────────────────────────────────────

    def not_passed(self, job, step):
        """Give the voltages that nobody has confirmed, nor passed for a step having been shown."""
        name = str(job)
        passed = self.passed.get((name, step), set())
        return [each.n for each in self.told.open(self.told.machines[name]) if each.n not in passed]

    @invariant()
    def no_step_is_shown_open_over_a_voltage(self):
        now = self.bench.clock.utc().timestamp()
        for job in self.jobs:
            view = self.bench.desk.view(self.bench.service.state(job))
            steps = [each for each in view["steps"] if each["status"] == "open"]
            own = [each for each in self.told.voltages if each.machine == view["machine"]]
            over = all(v.confirmed and now >= v.ended + 4 * v.seconds for v in own)
            for step in steps:
                names = {each["name"] for each in step["locks"]}
                holds = self.not_passed(job, step["id"])
                assert "discharge" in names or not holds, (step["id"], holds)
                assert not (over and "discharge" in names), "nothing is owed any more"
                if step["id"] == "pulse":
                    self.pulses_wait(str(job), names)

    def pulses_wait(self, job, names):
        """No pulses over a phase that is not tested, whatever its step's status, but by a person."""
        tested = self.told.insulated[job] == set(TESTS)
        decided = self.passed_insulation.get(job, -1) > self.told.changed.get(job, 0)
        assert tested or decided or "insulation" in names


Bench.TestCase.settings = settings(max_examples=25, stateful_step_count=20, deadline=None)
test_no_step_is_shown_open_over_a_voltage = Bench.TestCase
