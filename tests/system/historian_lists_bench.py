"""A bench that published before anybody listened, and how far its historian has compared it."""

import json

import harness

from capture.journal import Store

PATIENCE = 90  # seconds: a bench says how long its journal is every half minute
QUICK = "every_s = 0.2\nwait_s = 0.2\ntries = 3\n"


def wait_until(condition, what):
    return harness.wait_until(condition, what, PATIENCE)


def append(rig, entries):
    store = Store(rig.journal)
    try:
        return store.append(entries)
    finally:
        store.close()


def tag(rig, which):
    rig.command(
        "tag", which, "--machine", "FAN-07", "--operator", "technician", "--point", "U-V"
    )  # fmt: skip


def fill(rig, broker, drafts):
    """A bench with readings and tags in its journal, which delivers to this broker."""
    rig.configure(broker.port)
    append(rig, drafts(30))
    rig.command("machine", "add", "FAN-07", "--operator", "technician")
    tag(rig, "ohm-1:1-3")


def delivered(rig):
    """The bench has delivered all that it has."""
    path = rig.journal.with_name(rig.journal.name + ".delivered")
    wait_until(
        lambda: path.exists() and json.loads(path.read_text())["delivered"] == rig.length(),
        "delivered",
    )


def travels(rig):
    return [
        each for each in rig.entries() if each.kind in ("reading", "tag", "gap", "result", "record")
    ]


def gaps(rig, historian):
    """What `historian gaps` says, and what it ends with."""
    done = rig.bare("historian", "gaps", "--config", historian.config)
    assert not done.stderr
    return done.returncode, done.stdout


def complete(historian):
    """Wait until all of every current journal was compared and nothing is known to be missing."""

    def found():
        rows = historian.rows("SELECT compared, head FROM benchtally.journals WHERE is_current")
        return (
            rows
            and all(head is not None and compared == head for compared, head in rows)
            and not historian.rows("SELECT FROM benchtally.incomplete")
        )

    wait_until(found, "compared, and nothing missing")


def bodies(historian):
    return {
        str(id_): body
        for table in ("readings", "tags", "results", "records", "interruptions")
        for id_, body in historian.rows(f"SELECT id, body FROM benchtally.{table}")
    }
