"""How far every publisher of a journal has come, from the cursors that lie beside it."""

from datetime import datetime
from pathlib import Path

from capture.journal.beside import cursors_of
from capture.publish.cursor import Cursor, told_by


def delivered_by(journal: Path, journal_id: str) -> dict[str, int]:
    """Give, by cursor file, the entry up to which all is delivered.

    A cursor that cannot be read, or that belongs to another journal, has delivered nothing.
    """
    return {path.name: _delivered(path, journal_id) for path in cursors_of(journal)}


def known_journal(journal: Path) -> str | None:
    """Give the id that the cursors beside a journal say it has; None where they do not agree."""
    told = [told_by(path) for path in cursors_of(journal)]
    names = {None if each is None else each[0] for each in told}
    return names.pop() if len(names) == 1 else None


def _delivered(path: Path, journal_id: str) -> int:
    told = told_by(path)
    return told[1] if told is not None and told[0] == journal_id else 0


def hold_back(journal: Path, journal_id: str, last: int) -> dict[str, int]:
    """Put every cursor that is past the journal's end back to it; give where each had been.

    What it had delivered beyond that is no longer in the journal, and its numbers are used again:
    the new entries would pass for delivered. No publisher may run, and nothing be appended yet.
    """
    held = {}
    for path in cursors_of(journal):
        cursor = Cursor(path, journal_id)
        if cursor.delivered > last:
            held[path.name] = cursor.delivered
            cursor.delivered = last
            cursor.save(sync=True)
    return held


def set_aside_ahead(journal: Path, journal_id: str, last: int, now: datetime) -> list[Path]:
    """Set aside every cursor that is further than the journal reaches; give their old names.

    A journal brought back from an older copy uses entry numbers again. A cursor that had passed
    them would skip the new entries; without it, everything is delivered anew, with the same ids.
    """
    ahead = [path for path in cursors_of(journal) if _delivered(path, journal_id) > last]
    for path in ahead:
        path.rename(path.with_name(f"set-aside-{now:%Y%m%dT%H%M%SZ}-{path.name}"))
    return ahead
