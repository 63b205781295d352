"""The journal: append-only SQLite, the truth that everything downstream reads."""

from capture.journal.database import VERSION
from capture.journal.reader import JournalReader, Row
from capture.journal.store import Entry, Expectation, StaleError, Store, Stored
from capture.journal.writer import Writer

__all__ = [
    "VERSION",
    "Entry",
    "Expectation",
    "JournalReader",
    "Row",
    "StaleError",
    "Store",
    "Stored",
    "Writer",
]
