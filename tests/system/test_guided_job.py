"""A whole job at the bench, by the HTTP API: real daemon, real ports, simulated instruments."""

import io
import signal
from datetime import datetime

import harness
import pytest
from job_bench import PAIRS, PLATE, SIX, Bench
from PIL import Image
from tablet import Stream

pytestmark = pytest.mark.takes(20)


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
    one.wait_watch("but the job is paused: nothing is taken until it goes on")
    bench.ohm.hand("lift")
    one.act("resumed")
    bench.measure(bench.ohm, "resistance", "U-V")
    assert one.look()["operators"] == ["foreman", "technician", "watcher"]
    assert bench.daemon.stop() == 0
    assert stream.ended()
