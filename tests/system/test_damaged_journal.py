"""A bench that starts on a damaged journal: the file is kept, and the plant is told."""

import json
from pathlib import Path

import harness

from capture.journal import Store


def test_a_damaged_journal_is_set_aside_and_the_bench_goes_on(rig):
    broker = rig.mosquitto()
    subscriber = rig.subscriber(broker)
    counter, lines = rig.counter("line", 500)
    rig.configure(broker.port, lines)
    first = rig.daemon()
    rig.wait_for_length(1500)
    assert first.stop() == 0, first.said()
    before = rig.entries()
    with rig.journal.open("r+b") as file:
        file.seek(rig.journal.stat().st_size // 2 // 4096 * 4096)
        file.write(b"\xa5" * 4096 * 4)
    damaged = rig.journal.read_bytes()
    verified = rig.run("journal", "verify")
    assert verified.returncode == 1
    assert "SQLite cannot go on" in verified.stdout

    since = subscriber.count()
    second = rig.daemon()
    event = second.wait_for("journal.set_aside")
    (kept,) = [
        each
        for each in rig.folder.glob("bench.journal.corrupt-*")
        if each.suffix not in {".json", ".lock"} and not each.name.endswith(("-wal", "-shm"))
    ]
    assert event["damaged"] == str(kept)
    assert kept.read_bytes() == damaged
    gap = subscriber.wait_for(
        lambda message: message.topic.endswith("/gap/line"), "the gap", since=since
    )
    said = json.loads(gap.payload)
    assert "damaged and set aside" in said["reason"]
    rig.wait_for_length(300)
    last = int(counter.hand("stop").rpartition(" ")[2])
    harness.wait_until(
        lambda: [each.json().get("digits") for each in rig.newest()][-1:] == [str(last)], "the last"
    )
    assert second.stop() == 0, second.said()
    readings = [each for each in rig.entries() if each.kind == "reading"]
    subscriber.wait_for_ids([each.id for each in readings])
    assert readings[0].sequence == before[-1].sequence + 1, "no sequence number is used twice"
    assert "all as they should be" in rig.command("journal", "verify")

    saved = rig.folder / "saved.jsonl"
    done = rig.bare("journal", "export", "--out", saved, "--damaged", "--journal", kept)
    lines = [json.loads(line) for line in saved.read_text("utf-8").splitlines()[1:-1]]
    assert done.returncode == 1, "not everything could be read"
    assert "could not be read" in done.stdout
    bodies = {each.n: each.body for each in before}
    assert len(lines) > len(before) // 2
    assert all(line["body"].encode() == bodies[line["n"]] for line in lines)


def test_a_journal_that_was_cut_to_nothing_is_set_aside_too(rig):
    """Nothing of it can be read any more; a new one in its place that said nothing would hide that."""
    broker = rig.mosquitto()
    subscriber = rig.subscriber(broker)
    _, lines = rig.counter("line", 500)
    rig.configure(broker.port, lines)
    first = rig.daemon()
    rig.wait_for_length(200)
    assert first.stop() == 0, first.said()
    rig.journal.write_bytes(b"")
    keyed = rig.run("key", "resistance", "3 Ω", "--operator", "winder")
    assert keyed.returncode == 1
    assert "the file is empty" in keyed.stderr
    assert rig.journal.read_bytes() == b""

    since = subscriber.count()
    second = rig.daemon()
    event = second.wait_for("journal.set_aside")
    assert event["why"] == "the file is empty"
    gap = subscriber.wait_for(
        lambda message: message.topic.endswith("/gap/line"), "the gap", since=since
    )
    assert "damaged and set aside" in json.loads(gap.payload)["reason"]
    rig.wait_for_length(100)
    assert second.stop() == 0, second.said()
    assert "all as they should be" in rig.command("journal", "verify")


def test_a_log_of_which_a_part_is_lost_is_kept_and_told_of(rig, drafts):
    """What had been delivered of that part costs nobody the entries that get its numbers."""
    broker = rig.mosquitto()
    subscriber = rig.subscriber(broker)
    _, lines = rig.counter("line", 500)
    rig.configure(broker.port, lines)
    first = rig.daemon()
    rig.wait_for_length(200)
    assert first.stop() == 0, first.said()
    log = rig.journal.with_name(f"{rig.journal.name}-wal")
    store = Store(rig.journal)
    for _ in range(6):
        (last,) = store.append(drafts(1, instrument="hand"))
    left = rig.journal.read_bytes(), bytearray(log.read_bytes())
    store.close()
    rig.journal.write_bytes(left[0])
    left[1][20] ^= 1
    log.write_bytes(left[1])
    cursor = rig.journal.with_name(f"{rig.journal.name}.delivered")
    told = json.loads(cursor.read_text("utf-8"))
    cursor.write_text(json.dumps({**told, "delivered": last.n + 10_000}), "utf-8")

    since = subscriber.count()
    second = rig.daemon()
    broken = second.wait_for("journal.log_broken")
    assert broken["commits"] == 6
    assert broken["after"] == last.n - 6
    assert Path(broken["kept"]).read_bytes() == left[1]
    assert second.wait_for("cursor.held_back")["was"] == last.n + 10_000
    gap = subscriber.wait_for(
        lambda message: message.topic.endswith("/gap/line"), "the gap", since=since
    )
    assert "log was damaged" in json.loads(gap.payload)["reason"]
    rig.wait_for_length(last.n + 100)
    assert second.stop() == 0, second.said()
    subscriber.wait_for_ids([each.id for each in rig.entries() if each.kind == "reading"])
    assert "all as they should be" in rig.command("journal", "verify")
