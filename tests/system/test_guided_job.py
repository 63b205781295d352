"""A whole job at the bench, by the HTTP API: real daemon, real ports, simulated instruments."""

import io
import signal
from datetime import datetime

import harness
import pytest
from PIL import Image
from rig import Rig
from tablet import Stream, Tablet

PAIRS = ("U-V", "V-W", "W-U")
SIX = ("112.6 µs", "112.4 µs", "121.7 µs", "121.9 µs", "112.9 µs", "112.8 µs")
PLATE = {
    "rated_volts": 400,
    "rated_watts": 15000,
    "connection": "star",
    "winding": "random",
    "year": 2004,
    "thermal_class": 155,
}
_WEB = "[web]\nport = 0\n[jobs]\nlongest_time_constant_s = 0.5\n"


class Bench:
    """Four instruments, a daemon, and a person with a tablet."""

    def __init__(self, rig, broker):
        self.rig = rig
        self._broker = broker
        self.ohm = rig.simulate(
            "scpi-resistance", "--tcp", 0, "-o", "rate=20", "-o", "source_ohms=50"
        )
        self.lcr = rig.simulate("scpi-lcr", "--tcp", 0, "-o", "rate=20")
        self.insulation = rig.simulate(
            "insulation-tester", "--tcp", 0, "-o", "speed=30", "-o", "rate=1", "-o", "duration=75"
        )
        self.daemon = None
        self.tablet = None

    def start(self):
        self.rig.configure(
            self._broker.port,
            self._scpi("ohm-meter", "scpi-meter", self.ohm, quantity="resistance"),
            self._scpi("lcr-bridge", "scpi-lcr", self.lcr),
            self.rig.instrument(
                "insulation-tester",
                "ascii-meter",
                {"kind": "tcp", **_place(self.insulation)},
                {"profile": "insulation-series"},
            ),
            more=_WEB,
        )
        self.daemon = self.rig.daemon()
        self.tablet = self.another("technician")

    def port(self):
        return int(self.daemon.wait_for("web.started")["url"].rpartition(":")[2])

    def another(self, operator):
        """Give somebody else a tablet on the same job."""
        made = Tablet(self.port(), operator)
        made.job = None if self.tablet is None else self.tablet.job
        return self.rig.own(made)

    def measure(self, instrument, quantity, pair):
        """Touch, let the reading be taken by itself, lift the leads again."""
        step = f"{quantity}-{pair.lower()}"
        self.tablet.wait_watch("the leads are off")
        instrument.hand(f"pair {pair}")
        taken = self.tablet.wait_taken(step)
        instrument.hand("lift")
        return taken

    @staticmethod
    def _scpi(name, driver, simulator, **options):
        options = {"interval_s": 0.05, "measures_every_s": 0.05, **options}
        return Rig.instrument(name, driver, {"kind": "tcp", **_place(simulator)}, options)


def _place(simulator):
    return {"host": "127.0.0.1", "port": int(simulator.ready["tcp"].rpartition(":")[2])}


@pytest.fixture
def bench(rig, broker):
    """A bench with four instruments."""
    made = Bench(rig, broker)
    made.start()
    return made


@pytest.fixture
def photo():
    """A photo of a display."""
    out = io.BytesIO()
    Image.effect_noise((320, 200), 40).convert("RGB").save(out, "JPEG")
    return out.getvalue()


def test_an_after_rewind_job_from_start_to_verdict(bench, subscriber, photo):  # noqa: PLR0915 - one job, told in order
    """Two leads, no hand on the tablet; the daemon dies in the middle and nothing is lost."""
    tablet = bench.tablet
    tablet.register("fan-07", **PLATE)
    tablet.start("fan-07", "after-rewind", rotor="out", state="as-left", winding_celsius=22.0)

    # Resistance: each touch is one reading, taken once it stands still.
    for pair in PAIRS:
        taken = bench.measure(bench.ohm, "resistance", pair)
        assert taken["how"] == "settled"
        assert taken["after"][0]["name"] == "ramp-down"
        tablet.act("ramped-down", step=taken["id"])
    assert "resistance unbalance" in " ".join(each["name"] for each in tablet.look()["results"])

    # The leads stay on after a take: the same touch never serves the next step.
    tablet.wait_watch("the leads are off")
    bench.lcr.hand("pair U-V")
    tablet.wait_taken("inductance-u-v")
    tablet.wait_watch("lift the leads")
    assert tablet.step("inductance-v-w")["status"] == "open"
    bench.lcr.hand("lift")

    # kill -9 in the middle, and the job goes on where it was.
    before = tablet.look()
    bench.daemon.signal_all(signal.SIGKILL)
    bench.daemon.wait()
    bench.start()
    tablet = bench.tablet
    assert tablet.look()["steps"][:4] == before["steps"][:4]
    for pair in PAIRS[1:]:
        bench.measure(bench.lcr, "inductance", pair)

    # A slip is done again; the old reading stays.
    tablet.act("redone", step="inductance-v-w", reason="lead sat on the wrong terminal")
    again = bench.measure(bench.lcr, "inductance", "V-W")
    assert again["superseded"][0]["reason"] == "lead sat on the wrong terminal"

    # Insulation is taken at its times, and holds the pulses back until the discharge is confirmed.
    refused = tablet.key("pulse", SIX, 423)
    assert refused["locks"][0]["name"] == "insulation"
    bench.insulation.hand("press")
    taken = tablet.wait_taken("insulation")
    assert taken["how"] == "timed"
    assert [each["elapsed"] for each in taken["values"]] == pytest.approx([15, 30, 60], abs=6)
    refused = tablet.key("pulse", SIX, 423)
    assert refused["locks"][0]["name"] == "discharge"
    bench.insulation.hand("lift")
    harness.wait_until(lambda: _under_voltage(tablet) > 70, "the whole time under voltage")
    reason = "simulated winding; no charge to wait for"
    tablet.act("overridden", step="pulse", lock="discharge", reason=reason)

    # The pulse times are read off, with a photo; a slipped prefix is asked about.
    digest = tablet.photograph(photo)
    display = {"instrument": "pulse", "law": "period", "photos": [digest]}
    asked = tablet.key("pulse", ("112.6 ms", *SIX[1:]), 422, display=display)
    assert asked["doubts"][0]["suggestion"] == pytest.approx(112.6e-6)
    done = tablet.key("pulse", SIX, display=display)
    assert done["current"] is None
    assert done["not_run"] == []
    assert done["suspicion"]["statement"] != "balanced"

    tablet.act("finished")
    signed = tablet.act("signed-off", statement="one coil is to be looked at")
    assert signed["status"] == "signed-off"

    # Everything again after another kill: the same job, the same words, the photo.
    bench.daemon.signal_all(signal.SIGKILL)
    bench.daemon.wait()
    bench.start()
    found = bench.tablet.look()
    assert found["sentence"] == signed["sentence"]
    assert _lasting(found["steps"]) == _lasting(signed["steps"])
    assert bench.tablet.client.get(f"/api/evidence/{digest}").status_code == 200
    assert len(bench.tablet.step("pulse")["values"]) == 6
    assert bench.daemon.stop() == 0  # while it runs, it goes on reading and delivering
    bench.rig.check_delivery(subscriber)
    results = [each for each in subscriber.entries() if "/result/" in each.topic]
    assert {each.json()["job"] for each in results} == {bench.tablet.job}


def _under_voltage(tablet):
    """Give for how long the winding was under voltage, as the wait for the discharge tells."""
    step = tablet.step("insulation")
    until = datetime.fromisoformat(step["after"][-1]["until"])
    return (until - datetime.fromisoformat(step["taken_at"])).total_seconds() / 4


def _lasting(steps):
    """Give steps without what changes by the second: how long is still to be waited."""
    return [{**step, "after": [each["until"] for each in step["after"]]} for step in steps]


def test_two_people_on_one_job_see_each_other(bench):
    """What one writes the other is told at once; who has not seen it is asked to look again."""
    one = bench.tablet
    one.register("fan-07", **PLATE)
    one.start("fan-07", "three-pair-resistance")
    other = bench.another("foreman")
    stream = Stream(bench.port())
    seen = other.look()["last"]
    one.act("noted", text="terminal box is clean")
    stream.wait(lambda: any(each["event"]["action"] == "noted" for _, each in stream.of("job")))
    refused = other.act("paused", 409, seen=seen, reason="lunch")
    assert refused["type"].endswith(":stale")
    other.act("paused", reason="lunch")
    bench.ohm.hand("pair U-V")
    one.wait_watch("no job is running")
    bench.ohm.hand("lift")
    one.act("resumed")
    bench.measure(bench.ohm, "resistance", "U-V")
    assert one.look()["operators"] == ["foreman", "technician", "watcher"]
    assert bench.daemon.stop() == 0
    assert stream.ended()
