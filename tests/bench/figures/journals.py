"""A job's readings out of journals of ten thousand, a million, ten million entries."""

import json
import statistics
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from figure import Figure, spread

from capture.journal import JournalReader, Store
from capture.model import ReadingDraft, ReadingTag, Streamed, new_id

_BATCH = 5000
_OF_JOB = 60
_TIMES = 50


def figures(sizes):
    """Fill one journal step by step, so that each size is measured in the same file."""
    found = {}
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "b.journal"
        store = Store(path)
        wanted = _append(store, _OF_JOB, new_id())
        held = _OF_JOB
        for size in sizes:
            while held < size:
                count = min(_BATCH, size - held)
                _append(store, count, None)
                held += count
            found[size] = _look(path, wanted)
        store.close()
    first, last = found[sizes[0]], found[sizes[-1]]
    growth = statistics.median(last) / statistics.median(first)
    detail = ", ".join(f"{size:,}: {spread(each, '.2f')} ms" for size, each in found.items())
    yield Figure(
        "a job's readings, growth from first to last journal",
        f"{growth:.2f}",
        "≤ 2",
        growth <= 2,
        detail,
    )


def _look(path, wanted):
    took = []
    for _ in range(_TIMES):
        reader = JournalReader(path)
        began = time.perf_counter()
        for each in wanted:
            json.loads(reader.entry(each).body)
        took.append(1000 * (time.perf_counter() - began))
        reader.close()
    return took


def _append(store, count, job):
    now = datetime.now(UTC)
    source = Streamed(driver="bench", driver_version="1", link="memory")
    tag = None if job is None else ReadingTag(machine="FAN-07", job=job, step="one")
    drafts = [
        ReadingDraft(
            id=new_id(),
            site="sawmill",
            bench="bench-1",
            instrument=f"meter-{n % 8}",
            time=now,
            quantity="resistance",
            unit="Ohm",
            value=0.5 + n,
            digits=f"{0.5 + n}",
            shown_unit="Ohm",
            status="ok",
            source=source,
            tag=tag,
        )
        for n in range(count)
    ]
    store.append(drafts)
    return [draft.id for draft in drafts]
