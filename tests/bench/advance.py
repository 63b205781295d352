"""How long a step takes to move on, once its reading has settled.

    python -P tests/bench/advance.py [--steps 100] [--rate 20]

A real daemon captures a simulated resistance meter (an inductive winding, polled by FETCh?) over
TCP; a client follows the job by server-sent events, as a tablet does. For each step the leads are
put on, the reading is taken by itself, the leads are lifted. Measured from the moment at which the
bytes of the deciding reading arrived (its own time stamp, same host clock):

- to the committed entry that takes it (its time stamp), and
- to the event's arrival at the client.

And from the touch to the same arrival, which is what the person waits: mostly the meter's current
rising, and the watch making sure that it has.
"""

import argparse
import statistics
import sys
import tempfile
import time
from datetime import datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "system"))

from many_steps import PAIRS, percentile, set_up
from rig import Rig
from tablet import Stream, Tablet


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--steps", type=int, default=100)
    parser.add_argument("--rate", type=float, default=20.0)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rig = Rig(Path(folder))
        try:
            measure(rig, arguments.steps, arguments.rate)
        finally:
            rig.close()


def measure(rig, steps, rate):
    """Run one job of so many steps and print what was seen."""
    daemon, meter, port = set_up(rig, steps, rate)
    tablet = rig.own(Tablet(port))
    tablet.register("fan-07", rated_volts=400)
    tablet.start("fan-07", "many")
    stream = Stream(port)
    committed, shown, waited = [], [], []
    for n in range(steps):
        tablet.wait_watch("the leads are off")
        touched = time.time()
        meter.hand(f"pair {PAIRS[n % 3]}")
        stream.wait(lambda n=n: len(taken_of(stream)) > n)
        at, entry = taken_of(stream)[n]
        reading = tablet.get(f"/api/readings/{entry['event']['readings'][0]}")
        wire = datetime.fromisoformat(reading["time"]).timestamp()
        committed.append(datetime.fromisoformat(entry["time"]).timestamp() - wire)
        shown.append(at - wire)
        waited.append(at - touched)
        meter.hand("lift")
    daemon.stop()
    assert stream.ended()
    print(f"{steps} steps, {rate:g} measurements a second")
    print(f"{'':<42}{'median':>10}{'p95':>10}{'worst':>10}")
    for name, values in (
        ("settled on the wire -> step advanced", committed),
        ("settled on the wire -> told to the tablet", shown),
        ("leads on -> told to the tablet", waited),
    ):
        figures = (statistics.median(values), percentile(values, 0.95), max(values))
        print(f"{name:<42}" + "".join(f"{each * 1000:8.0f}ms" for each in figures))


def taken_of(stream):
    return [each for each in stream.of("job") if each[1]["event"]["action"] == "taken"]


if __name__ == "__main__":
    main()
