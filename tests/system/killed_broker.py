"""The one loss that delivery cannot see: a broker that is killed forgets what it had acknowledged."""

import signal
import uuid

import campaign_oracle as oracle
import harness
from recorder import Recorder


def lose_and_heal(rig):
    """Kill a broker that holds messages for a consumer; let that one ask for its holes.

    Gives the holes as (instrument, first, last), and what the oracle found in the end.
    """
    broker = rig.mosquitto()
    consumer = rig.own(Recorder(broker.port))
    witness = rig.own(Recorder(broker.port, "witness"))  # shows that the broker had it all
    counter, lines = rig.counter("line", 100)
    rig.configure(broker.port, lines)
    daemon = rig.daemon()
    assert consumer.wait(lambda: consumer.newest["line"] > 50, harness.LONG)
    consumer.go()
    left_at = consumer.newest["line"]
    assert witness.wait(lambda: witness.newest["line"] > left_at + 200, harness.LONG)
    broker.child.signal(signal.SIGKILL)
    broker.child.wait()
    broker.start()
    consumer.come()
    back_at = consumer.newest["line"]
    assert consumer.wait(lambda: consumer.newest["line"] > back_at + 50, harness.LONG)
    holes = consumer.holes()
    asked = {str(uuid.uuid4()): hole for hole in holes}
    for request, hole in asked.items():
        consumer.ask_again(request, *hole)
    harness.wait_until(lambda: asked.keys() <= consumer.answers.keys(), "answers to the requests")
    harness.wait_until(lambda: not consumer.holes(), "the holes are filled")
    last = counter.hand("stop").rpartition(" ")[2]
    harness.wait_until(lambda: oracle.newest_digits(rig.journal, "line") == last, "the last line")
    consumer.wait_for_ids(oracle.ids_to_deliver(rig.journal), harness.LONG)
    assert daemon.stop() == 0, daemon.said()
    return holes, oracle.judge(rig.journal, consumer, ("line",))
