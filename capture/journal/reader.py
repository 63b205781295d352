"""Reading the journal: pages of entries for a publisher, filtered readings for a person."""

from capture.journal.asked import AskedFor
from capture.journal.by_subject import BySubject
from capture.journal.in_order import InOrder


class JournalReader(InOrder, BySubject, AskedFor):
    """Reads one journal. Used by one thread at a time."""
