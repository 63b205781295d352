"""Who keys, and what the journal then holds."""

from capture.journal import JournalReader

OPERATOR = ("--operator", "winder")


def stored(journal):
    if not journal.exists():
        return []
    reader = JournalReader(journal)
    try:
        return list(reader.readings())
    finally:
        reader.close()
