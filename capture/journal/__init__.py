"""The journal: append-only SQLite, the truth that everything downstream reads."""

from capture.journal.database import VERSION
from capture.journal.reader import JournalReader, Row
from capture.journal.store import Entry, Store, Stored
from capture.journal.writer import Writer

__all__ = ["VERSION", "Entry", "JournalReader", "Row", "Store", "Stored", "Writer"]
