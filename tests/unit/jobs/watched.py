"""A watched bench: what was taken on it, how displays stand still, an insulation tester."""

from capture.jobs.state import StepStatus
from capture.jobs.watcher import JobWatch
from capture.model import new_id

U_V, V_W, W_U = "inductance-u-v", "inductance-v-w", "inductance-w-u"


def steady(value, count=12):
    return [value * (1 + 2e-5 * (-1) ** n) for n in range(count)]


def taken(bench):
    """List the steps that are taken, in order."""
    return [id_ for id_, each in bench.state.steps.items() if each.status is StepStatus.TAKEN]


def racing(bench, act):
    """Let somebody act just before the watch writes; gives how often that was."""
    done = []

    def late(batch, expecting=None):
        if expecting is not None and expecting.kind == "job" and not done:
            done.append(1)
            act()
        return bench.append(batch, expecting)

    desk = bench.another_desk(append=late)
    bench.cursor = bench.reader.last_n()
    bench.watch = JobWatch(desk, bench.clock)
    bench.watch.load()
    return done


class InsulationTester:
    """An insulation tester: a line each second, with or without its voltage and its own count."""

    def __init__(self, bench, *, series=True, volts=None, rise=0.0):
        self.bench = bench
        self.series = new_id() if series else None
        self.volts = volts
        self.rise = rise
        self.at = 0.0
        self.ids = {}

    def run(self, until, ohms=lambda at: 1e9 * (at / 60) ** 0.4, every=1.0, **members):
        """Send lines until so many seconds of the test."""
        while self.at + every <= until + 1e-9:
            self.at += every
            self.bench.clock.advance(every)
            self.send(ohms(self.at), **members)
            self.bench.follow()

    def send(self, ohms, **members):
        told = {} if self.series is None else {"series": {"id": self.series, "elapsed": self.at}}
        group = {"group": new_id(), "session": new_id()}
        batch = []
        if self.volts is not None:
            part = 1.0 if self.at > self.rise else 0.9 * self.at / (self.rise + 1)
            batch.append(self.bench.draft("test_voltage", self.volts * part, **told, **group))
        batch.append(self.bench.draft("insulation_resistance", ohms, **told, **group, **members))
        self.bench.append(batch)
        self.ids[self.at] = batch[-1].id


def at_times(bench, tester):
    """Give the tester's own seconds of the readings that the step holds."""
    known = {id_: at for at, id_ in tester.ids.items()}
    return [known[id_] for id_ in bench.step("insulation").readings]


def applied(bench):
    return [each.seconds for each in bench.state.applications]
