"""A whole job at the bench by the command line alone: real daemon, simulated instruments."""

import io
import json
import signal

import harness
import pytest
from PIL import Image
from rig import Rig

pytestmark = pytest.mark.takes(35)

PAIRS = ("U-V", "V-W", "W-U")
WHO = ("--operator", "technician")
PLATE = """\
rated_volts = 400
rated_watts = 15000
rated_hertz = 50
connection = "star"
winding = "random"
year = 2004
thermal_class = 155
description = "extraction fan, hall 2"
"""
# A sound winding but for two turns of phase V that touch each other.
WINDING = ("ohms=0.41", "henries=0.031", "celsius=22")
FAULT = "shorted-turns:phase=V,turns=2"
SHORT = """\
schema_version = 1
name = "short-insulation"
title = "Insulation with short times, then pulses"
cautions = ["Isolate the machine, lock it off and tag it."]
include = []

[[steps]]
id = "insulation"
title = "Insulation of the whole winding to the frame"
cautions = ["The tester puts its voltage on the winding."]
points = ["U+V+W-frame"]
quantity = "insulation_resistance"
energy = "test-voltage"
take = { how = "timed", at_s = [0.5, 1], within_s = 0.2 }

[[steps]]
id = "pulse"
title = "Pulse times"
cautions = ["Pulses of high voltage are on both leads."]
points = ["U-V", "V-W", "W-U"]
quantity = "pulse_time"
energy = "pulse"
take = { how = "keyed" }
"""


# A source of 50 Ohm settles fast; the site has taken over the limits that ship for information.
_ADOPTED = ("resistance-unbalance-random", "inductance-unbalance", "insulation-random")
_MORE = "[jobs]\nlongest_time_constant_s = 0.5\n" + "".join(
    f"[limits.{name}]\nadopted = true\n" for name in (*_ADOPTED, "pulse-deviation")
)


class Bench:
    """Four instruments on one winding, a daemon, and a person with a terminal."""

    def __init__(self, rig, broker, tester):
        self.rig = rig
        self._broker = broker
        winding = [part for each in WINDING for part in ("--winding", each)]
        winding += ["--winding-fault", FAULT]
        self.ohm = rig.simulate(
            "scpi-resistance", "--tcp", 0, "-o", "rate=20", "-o", "source_ohms=50", *winding
        )
        self.lcr = rig.simulate("scpi-lcr", "--tcp", 0, "-o", "rate=20", *winding)
        options = [part for each in tester for part in ("-o", each)]
        self.insulation = rig.simulate("insulation-tester", "--tcp", 0, *winding, *options)
        self.pulse = rig.simulate("pulse-tester", *winding)
        self.daemon = None
        self.said = []

    def start(self):
        self.rig.configure(
            self._broker.port,
            self._scpi("ohm-meter", "scpi-meter", self.ohm, quantity="resistance"),
            self._scpi("lcr-bridge", "scpi-lcr", self.lcr),
            Rig.instrument(
                "insulation-tester",
                "ascii-meter",
                {"kind": "tcp", **_place(self.insulation)},
                {"profile": "insulation-series"},
            ),
            more=_MORE,
        )
        self.daemon = self.rig.daemon()
        self.daemon.wait_for("daemon.started")

    def kill(self):
        self.daemon.signal_all(signal.SIGKILL)
        self.daemon.wait()

    def do(self, *arguments, **more):
        """Run a command; give what it said."""
        said = self.rig.command(*arguments, **more)
        self.said.append((arguments, said))
        return said

    def job(self, command, *arguments, **more):
        return self.do("job", command, "last", *arguments, **more)

    def act(self, command, *arguments, **more):
        return self.job(command, *arguments, *WHO, **more)

    def look(self):
        return json.loads(self.rig.command("job", "show", "last", "--json"))

    def step(self, id_):
        return next(each for each in self.look()["steps"] if each["id"] == id_)

    def measure(self, instrument, name, quantity, pair):
        """Touch, let the reading be taken by itself, lift the leads again."""
        self.wait_open(name)
        said = self.watch(f"{quantity}-{pair.lower()}", instrument, f"pair {pair}")
        instrument.hand("lift")
        return said

    def watch(self, step, instrument, act):
        """Watch in the terminal while a hand does something; give what was printed."""
        arguments = ("job", "watch", "last", "--until", f"taken:{step}", "--timeout", harness.LONG)
        watching = self.rig.staying(*arguments, "--config", self.rig.config)
        harness.wait_until(lambda: "Next: " in watching.said(), "the watch to begin")
        instrument.hand(act)
        assert watching.wait(2 * harness.LONG) == 0, watching.said()
        self.said.append((arguments, watching.said()))
        return watching.said()

    def tell(self):
        """Leave what a person saw beside the journal."""
        told = "".join(
            f"$ benchtally {' '.join(map(str, each))}\n{said}\n" for each, said in self.said
        )
        (self.rig.folder / "terminal.txt").write_text(told, "utf-8")

    def wait_open(self, name):
        """Wait until the instrument has said, since now, that its leads are off."""
        before = self.rig.length()

        def is_open():
            news = harness.journal_entries(self.rig.journal, after=before)
            mine = [each for each in news if each.kind == "reading" and each.instrument == name]
            return mine and mine[-1].json()["value"] is None

        harness.wait_until(is_open, f"the leads of {name} are off")

    @staticmethod
    def _scpi(name, driver, simulator, **options):
        options = {"interval_s": 0.05, "measures_every_s": 0.05, **options}
        return Rig.instrument(name, driver, {"kind": "tcp", **_place(simulator)}, options)


def _place(simulator):
    return {"host": "127.0.0.1", "port": int(simulator.ready["tcp"].rpartition(":")[2])}


@pytest.fixture
def bench(rig, broker):
    """A bench whose insulation tester counts thirty seconds in one."""
    made = Bench(rig, broker, ("speed=30", "duration=75"))
    made.start()
    return made


@pytest.fixture
def quick_bench(rig, broker):
    """A bench whose insulation test is over in a second and a half."""
    tester = ("rate=20", "duration=1.5", "rise=0.02", "clock=seconds")
    made = Bench(rig, broker, tester)
    made.start()
    return made


@pytest.fixture
def photo(tmp_path):
    """A photo of a display."""
    path = tmp_path / "display.jpg"
    out = io.BytesIO()
    Image.effect_noise((320, 200), 40).convert("RGB").save(out, "JPEG")
    path.write_bytes(out.getvalue())
    return path


def test_an_after_rewind_job_from_start_to_verdict(bench, subscriber, photo):  # noqa: PLR0915 - one job, told in order
    """Leads in both hands, a terminal beside; the daemon dies in the middle and nothing is lost."""
    plate = bench.rig.folder / "fan-07.toml"
    plate.write_text(PLATE, "utf-8")
    assert "400 V" in bench.do("machine", "add", "fan-07", "--from", plate, *WHO)
    said = bench.do(
        "job", "start", "fan-07", "after-rewind", *WHO,
        "--rotor", "out", "--state", "as-left", "--winding-celsius", "22",
    )  # fmt: skip
    assert said.index("CAUTION: Isolate") < said.index("Next: resistance-u-v")

    # Resistance: each touch is one reading, and the leads stay on until the current is zero.
    for pair in PAIRS:
        said = bench.measure(bench.ohm, "ohm-meter", "resistance", pair)
        assert "settled by itself" in said
        assert "ramp the meter's current down" in said
        bench.act("ramped-down")
    assert "resistance unbalance" in bench.job("show")

    # kill -9 in the middle, and the job goes on where it was.
    assert "settled by itself" in bench.measure(bench.lcr, "lcr-bridge", "inductance", "U-V")
    before = bench.look()
    bench.kill()
    assert bench.look()["steps"] == before["steps"]  # the job is in the journal, not in the daemon
    bench.act("note", "the host went down; nothing was touched")
    bench.start()
    for pair in PAIRS[1:]:
        bench.measure(bench.lcr, "lcr-bridge", "inductance", pair)
    bench.act("redo", "inductance-v-w", "--reason", "lead sat on the wrong terminal")
    bench.measure(bench.lcr, "lcr-bridge", "inductance", "V-W")
    assert len(bench.step("inductance-v-w")["superseded"]) == 2

    # Insulation: what is set is said, and it is taken at its times.
    said = bench.job("next")
    assert said.startswith("CAUTION: ")
    assert "A person sets the test voltage: 500 V direct, for 400 V rated" in said
    refused = bench.act("take", "pulse", code=2)
    assert "no reading of pulse_time has come" in refused
    said = bench.watch("insulation", bench.insulation, "press")
    assert "at 60 s (taken at its time)" in said
    harness.wait_until(lambda: _under_voltage(bench) > 70, "the whole time under voltage")

    # Pulses wait for the discharge; whoever passes that says why. The six times come off a display.
    six = _pulse_times(bench)
    key = ("key", "pulse_time", "--job", "last", "--block", "--instrument", "pulse", *WHO)
    key += ("--law", "period", "--photo", photo)
    refused = bench.do(*key, given=six, code=1)
    assert "wait" in refused
    assert "job discharged" in refused
    reason = "simulated winding; there is no charge to wait for"
    bench.act("override", "pulse", "discharge", "--reason", reason)
    slipped = six.replace(" us", " ms", 1)
    refused = bench.do(*key, given=slipped, code=1)
    assert "U-V" in refused
    assert "--confirm" in refused
    bench.do(*key, given=six)
    bench.act("finish")
    said = bench.act("sign-off", "--statement", "phase V is to be looked at")

    # The verdict, and everything again after another kill: the same words, the photo.
    bench.kill()
    shown = bench.job("show")
    first = shown.splitlines()[0]
    assert "overall" in first
    assert first in said
    assert "overall fail" in first
    assert "Verdict: fail." in shown
    found = bench.look()
    assert found["status"] == "signed-off"
    assert found["not_run"] == []
    assert found["suspicion"]["hypothesis"] == "shorted turns"
    assert set(found["suspicion"]["coils"].values()) == {"V"}
    (digest,) = {each for value in bench.step("pulse")["values"] for each in value["photos"]}
    kept = bench.rig.folder / "bench.journal.evidence" / digest[:2] / f"{digest}.jpg"
    assert kept.is_file()
    listed = bench.do("machine", "show", "fan-07")
    assert first in listed
    bench.start()
    assert bench.daemon.stop() == 0, bench.daemon.said()
    bench.rig.check_delivery(subscriber)
    bench.tell()


def test_a_short_insulation_test_is_discharged_for_four_times_as_long(quick_bench):
    """The wait follows from the time under voltage, whatever the procedure; then pulses may go.

    What a second tells of insulation decides nothing, so a person passes that lock.
    """
    bench = quick_bench
    bench.do("machine", "add", "fan-07", "--rated-volts", "400", "--year", "2004", *WHO)
    own = bench.rig.folder / "short-insulation.toml"
    own.write_text(SHORT, "utf-8")
    bench.do("job", "start", "fan-07", own, *WHO)
    bench.watch("insulation", bench.insulation, "press")
    harness.wait_until(lambda: _under_voltage(bench) > 1.2, "the whole time under voltage")
    assert "is locked" in bench.act("discharged", code=1)
    harness.wait_until(lambda: _waited(bench), "four times the time under voltage", 60)
    assert "is noted" in bench.act("discharged")
    values = "112.6 us\n112.9 us\n112.4 us\n"
    keying = ("key", "pulse_time", "--job", "last", "--block", *WHO)
    held = bench.rig.command(*keying, given=values, code=1)
    assert "has failed, or is undecided" in held
    bench.act("override", "pulse", "insulation", "--reason", "one second is all that was asked for")
    said = bench.do(*keying, given=values)
    assert "pulse is keyed" in said
    assert "Every step is done" in said


def _pulse_times(bench):
    """Read six times off the pulse tester's display, two at a time."""
    found = {}
    for there, back in (("U-V", "V-U"), ("V-W", "W-V"), ("W-U", "U-W")):
        bench.pulse.hand(f"pairs {there} {back}")
        bench.pulse.hand("pulse")
        first, second, _ = bench.pulse.hand("display").split("  ")
        found[there], found[back] = first, second
    return "".join(f"{point} {value}\n" for point, value in found.items())


def _applied(bench):
    entries = [each.json() for each in bench.rig.entries() if each.kind == "job"]
    return [each["event"] for each in entries if each["event"]["action"] == "applied"]


def _under_voltage(bench):
    return sum(each["seconds"] for each in _applied(bench)[-1:])


def _waited(bench):
    """Tell whether nothing is to be waited for any more, as the job itself says."""
    (after,) = bench.step("insulation")["after"]
    return " more" not in after["words"]
