"""An own look at the journal's file: chain, sequences and projections, worked out from the entries."""

import hashlib
import json
import sqlite3
import sys
import uuid
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # journal_entries is shared by these tests

from capture.journal import JournalReader, Store


class Look:
    """Reads the file with sqlite3 alone, so that what it says does not rest on our code."""

    def __init__(self, path):
        self.path = path

    def query(self, text):
        connection = sqlite3.connect(self.path)
        try:
            return connection.execute(text).fetchall()
        finally:
            connection.close()

    def entries(self):
        return self.query(
            "SELECT n, id, kind, instrument, sequence, body, hash FROM entries ORDER BY n"
        )

    def check(self):
        """Recompute everything that can be recomputed; give the number of entries."""
        head = bytes(32)
        sequences, last_values, tags, records = {}, {}, {}, set()
        entries = self.entries()
        for n, id_, kind, instrument, sequence, body, stored in entries:
            head = hashlib.sha256(head + body).digest()
            assert stored == head, f"the chain breaks at entry {n}"
            content = json.loads(body)
            assert uuid.UUID(content["id"]).bytes == id_
            assert content["instrument"] == instrument
            if kind == "reading":
                assert sequence == content["sequence"] == sequences.get(instrument, 0) + 1
                sequences[instrument] = sequence
                last_values[instrument, content["quantity"]] = n
                if "tag" in content:
                    tags[id_] = (n, content["tag"]["machine"])
                if "record" in content:
                    assert (instrument, content["record"]) not in records
                    records.add((instrument, content["record"]))
            else:
                assert sequence is None
            if kind == "tag":
                tags[uuid.UUID(content["reading"]).bytes] = (n, content["machine"])
        assert dict(self.query("SELECT instrument, sequence FROM counters")) == sequences
        found = self.query("SELECT instrument, quantity, n FROM last_values")
        assert {(a, b): n for a, b, n in found} == last_values
        found = self.query("SELECT reading, n, machine FROM current_tags")
        assert {a: (n, m) for a, n, m in found} == tags
        assert set(self.query("SELECT instrument, record FROM records")) == records
        assert self.query("PRAGMA integrity_check") == [("ok",)]
        return len(entries)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "bench.journal"


@pytest.fixture
def look(path):
    return Look(path)


@pytest.fixture
def store(path):
    made = Store(path)
    yield made
    made.close()


@pytest.fixture
def reader(store, path):
    made = JournalReader(path)
    yield made
    made.close()
