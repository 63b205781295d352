"""The journal's commands beside a daemon that captures and delivers: nothing of it is disturbed."""

import json

import harness
from delivering import standings


def numbers(entries):
    return [int(each.json()["digits"]) for each in entries if each.kind == "reading"]


def test_backup_verify_export_and_trim_beside_a_running_daemon(rig):
    broker = rig.mosquitto()
    subscriber = rig.subscriber(broker)
    counter, lines = rig.counter("line", 500)
    rig.configure(broker.port, lines)
    daemon = rig.daemon()
    rig.wait_for_length(500)

    copy = rig.folder / "copy"
    rig.command("journal", "backup", "--out", copy)
    assert "all as they should be" in rig.command("journal", "verify", "--journal", copy)
    assert len(harness.journal_entries(copy)) >= 500
    assert "all as they should be" in rig.command("journal", "verify", "--deep")
    rig.command("journal", "export", "--out", rig.folder / "all.jsonl")
    rig.wait_for_length(1500)

    # Only what was delivered may be cut off.
    harness.wait_until(lambda: standings(rig)["broker"]["delivered"] > 0, "some are delivered")
    operator = ("--operator", "shift lead", "--window-days", "0")
    said = rig.command("journal", "trim", "--before", "2090-01-01", *operator)
    assert "entries cut off" in said
    rig.wait_for_length(rig.length() + 500)
    last = int(counter.hand("stop").rpartition(" ")[2])
    harness.wait_until(lambda: numbers(rig.newest())[-1:] == [last], f"{last} in the journal")
    # All of it before the stop, which delivers for three seconds only.
    subscriber.wait_for_ids([each.id for each in rig.newest()])
    assert daemon.stop() == 0, daemon.said()

    (cut,) = rig.folder.glob("bench.journal.cut-1-*.jsonl")
    bodies = [json.loads(json.loads(each)["body"]) for each in cut.read_text().splitlines()[1:-1]]
    before = [int(body["digits"]) for body in bodies]
    kept = numbers(rig.entries())
    assert before + kept == list(range(before[0], last + 1)), "each is in the one or the other"
    ids = [body["id"] for body in bodies] + [e.id for e in rig.entries() if e.kind == "reading"]
    subscriber.wait_for_ids(ids)

    # The plant kept what `state` said of the head when the bench came on, and at the goodbye.
    states = [
        json.loads(each.payload) for each in subscriber.messages if each.topic.endswith("/state")
    ]
    heads = [each["head"] for each in states if "head" in each]
    newest = max(heads, key=lambda head: head["n"])
    held = f"{newest['hash']}@{newest['n']}"
    assert newest["n"] == rig.length()
    assert "all as they should be" in rig.command("journal", "verify", "--head", held)
    other = f"{'0' * 64}@{newest['n']}"
    assert rig.run("journal", "verify", "--head", other).returncode == 1
