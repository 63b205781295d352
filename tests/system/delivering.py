"""What tests of delivery do with a bench: let a counter fill the journal, hold it, look at a publisher."""

import json

import harness


def count_up(rig, port, *, rate=300, more="", broker="", wanted=100):
    """A daemon with one counter on this broker; gives both, when so many readings are there."""
    counter, lines = rig.counter("line", rate)
    rig.configure(port, lines, more=more, broker=broker)
    daemon = rig.daemon()
    rig.wait_for_length(wanted)
    return daemon, counter


def hold(rig, counter):
    """Stop a counter, and wait until the last line it sent is in the journal."""
    last = counter.hand("stop").rpartition(" ")[2]

    def stored():
        return any(each.json().get("digits") == last for each in rig.newest())

    harness.wait_until(stored, f"{last} in the journal")


def standings(rig):
    found = rig.command("outbox", "publishers", "--json")
    return {each["publisher"]: each for each in map(json.loads, found.splitlines())}


def settled(rig, name="broker"):
    """Wait until a publisher has nothing left to deliver."""
    harness.wait_until(lambda: standings(rig)[name]["backlog"] == 0, f"{name} has delivered all")
