"""The journal: append-only SQLite, the truth that everything downstream reads.

Each part is imported when it is first asked for: who only delivers needs few of them.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from capture.journal.database import VERSION
    from capture.journal.reader import JournalReader
    from capture.journal.row import Row
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

_HOMES = {
    "database": ("VERSION",),
    "reader": ("JournalReader",),
    "row": ("Row",),
    "store": ("Entry", "Expectation", "StaleError", "Store", "Stored"),
    "writer": ("Writer",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

if not TYPE_CHECKING:

    def __getattr__(name: str) -> Any:
        if name not in _HOME_OF:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        return getattr(import_module(f"{__name__}.{_HOME_OF[name]}"), name)
