"""A journal as a killed daemon leaves it, and what stands in one."""

import json

from capture.clock import ManualClock
from capture.journal import JournalReader, Store
from capture.journal.beside import log_of


def left_by_a_kill(folder, drafts, *, broken=True):
    path = folder / "benchtally.journal"
    store = Store(path)
    store.append(drafts(2))
    assert store.empty_log()
    for _ in range(8):
        store.append(drafts(1))
    kept = path.read_bytes(), bytearray(log_of(path).read_bytes())
    store.close()
    if broken:
        kept[1][32 + 100] ^= 1  # in the first frame: nothing of it holds
    path.write_bytes(kept[0])
    log_of(path).write_bytes(kept[1])
    return path


def now():
    return ManualClock().utc()


def entries(path):
    reader = JournalReader(path)
    try:
        return [(row.kind, json.loads(row.body)) for row in reader.after(0, 100)]
    finally:
        reader.close()


class Looked(Exception):
    """The daemon has the lock."""
