"""A bench with one job on it: a real journal, a desk, a watch, and a clock that moves when told."""

from watched import steady

from capture.clock import ManualClock
from capture.jobs.desk import Desk
from capture.jobs.keyed import KeyedValues, TypedValue
from capture.jobs.procedure import load_procedure, parse_procedure
from capture.jobs.service import Who
from capture.jobs.watcher import JobWatch
from capture.journal import JournalReader, Store
from capture.keying import Keying
from capture.model import ReadingDraft, Streamed, new_id
from capture.model.job import Discharged, JobConditions, RampedDown
from capture.model.machine import Nameplate

PLATE = Nameplate(
    rated_volts=400,
    rated_watts=15000,
    connection="star",
    winding="random",
    year=2004,
    thermal_class=155,
    zero_resistance_celsius=235,
)
UNITS = {
    "resistance": "Ohm",
    "inductance": "H",
    "insulation_resistance": "Ohm",
    "test_voltage": "V",
    "pulse_time": "s",
    "quality_factor": "1",
}
INSTRUMENTS = {"resistance": "ohm-1", "inductance": "lcr-1", "quality_factor": "lcr-1"}


class JobBench:
    """Everything on one bench; time passes only where a test says so."""

    def __init__(self, folder):
        self.path = folder / "bench.journal"
        self.clock = ManualClock()
        self.job = new_id()
        self.watch = None
        self.cursor = 0
        self.open()

    # ── the file ─────────────────────────────────────────────────────────────────────────────

    def open(self):
        """Open the journal, as after a start of the program."""
        self.store = Store(self.path)
        self.reader = JournalReader(self.path)
        self.desk = self.another_desk()
        self.service = self.desk.service

    def another_desk(self, reader=None, append=None):
        """Give a desk as another device has one."""
        return Desk(reader or self.reader, append or self.append, self.clock, "sawmill", "bench-1")

    def append(self, batch, expecting=None):
        return self.store.append(batch, expecting=expecting)

    def close(self):
        self.reader.close()
        self.store.close()

    def reopen(self):
        self.close()
        self.open()

    def count(self, kind):
        """Count the entries of a kind."""
        return sum(row.kind == kind for row in self.reader.after(0, 100_000))

    # ── people ───────────────────────────────────────────────────────────────────────────────

    @staticmethod
    def who(operator="technician"):
        return Who(operator, new_id())

    def begin(self, procedure="after-rewind", plate=PLATE, **conditions):
        """Register the machine and start a job; a procedure by name, or as TOML text.

        Whoever begins another one meanwhile means it.
        """
        made = parse_procedure(procedure, "x") if "\n" in procedure else load_procedure(procedure)
        self.service.register("fan-07", plate, self.who())
        held = JobConditions(**conditions)
        return self.service.start(self.job, "fan-07", made, self.who(), held, beside=True)

    @property
    def state(self):
        return self.service.state(self.job)

    def step(self, id_):
        return self.state.step(id_)

    def act(self, event, operator="technician", **more):
        return self.desk.act(self.job, event, self.who(operator), self.state.last, **more)

    def take(self, step, readings, who=None, **more):
        return self.desk.take(self.job, step, readings, who or self.who(), self.state.last, **more)

    def typed(self, values, **more):
        """Give values as typed, with their ids; `again` are those of a second person."""
        again = more.pop("again", None) or [None] * len(values)
        keying = Keying(
            site="sawmill",
            bench="bench-1",
            instrument="pulse-1",
            quantity="",
            operator="technician",
            time=self.clock.utc(),
            second_operator=more.pop("second", None),
            conditions=more.pop("settings", {}),
        )
        typed = [
            TypedValue(id=new_id(), typed=text, again=other)
            for text, other in zip(values, again, strict=True)
        ]
        return KeyedValues(keying=keying, values=typed, **more)

    def key(self, step, keyed, who=None, seen=None, **more):
        if isinstance(keyed, tuple | list):
            keyed = self.typed(keyed)
        last = self.state.last if seen is None else seen
        return self.desk.key(self.job, step, keyed, who or self.who(), last, **more)

    def ramped_down(self, step):
        return self.act(RampedDown(step=step))

    def discharge(self, step="insulation"):
        """Wait for as long as the voltage asks for, then confirm."""
        self.clock.advance(4 * max(each.seconds for each in self.state.applications) + 1)
        return self.act(Discharged(step=step))

    # ── instruments ──────────────────────────────────────────────────────────────────────────

    def reading(self, quantity, value, **members):
        """Store a reading as an instrument sends it; gives its id. The watch sees it next."""
        draft = self.draft(quantity, value, **members)
        self.append([draft])
        return draft.id

    def draft(self, quantity, value, **members):
        status = members.pop("status", "ok" if value is not None else "above-range")
        given = {
            "id": new_id(),
            "site": "sawmill",
            "bench": "bench-1",
            "instrument": members.pop("instrument", INSTRUMENTS.get(quantity, "ins-1")),
            "time": self.clock.utc(),
            "quantity": quantity,
            "unit": UNITS[quantity],
            "value": value,
            "digits": "OL" if value is None else f"{value:.6g}",
            "shown_unit": UNITS[quantity],
            "status": status,
            "source": Streamed(driver="simulated", driver_version="1", link="memory"),
        }
        return ReadingDraft(**given | members)

    def pair(self, pair, henries=0.0623, ohms=0.83, hertz=1000):
        """Store what a bridge shows at once: inductance and the series resistance beside it."""
        group, session = new_id(), new_id()
        at = {"frequency": {"value": hertz, "unit": "Hz"}}
        common = {"group": group, "session": session, "conditions": at, "instrument": "lcr-1"}
        made = [
            self.draft("inductance", henries, **common),
            self.draft("resistance", ohms, **common),
        ]
        self.append(made)
        return [each.id for each in made]

    # ── the watch ────────────────────────────────────────────────────────────────────────────

    def watching(self, **settings):
        """Start hands-free capture, as the program does when it starts."""
        self.cursor = self.reader.last_n()
        self.watch = JobWatch(self.desk, self.clock, **settings)
        self.watch.load()
        return self.watch

    def follow(self):
        """Let the watch see what is new, if there is one."""
        if self.watch is None:
            return
        while rows := self.reader.after(self.cursor, 100):
            for row in rows:
                self.watch.row(row)
                self.cursor = row.n
        self.watch.tick()

    def show(self, quantity, values, every=0.5, **members):
        """Let an instrument show values one after another; the watch sees each at once."""
        for value in values:
            self.clock.advance(every)
            self.reading(quantity, value, **members)
            self.follow()

    def touch(self, quantity, value, count=12, **members):
        """Leads off, then on a winding for a while."""
        self.show(quantity, [None], **members)
        self.show(quantity, steady(value, count), **members)

    def quiet(self, seconds):
        """Let time pass without a line."""
        for _ in range(int(seconds / 0.5)):
            self.clock.advance(0.5)
            self.follow()
