"""How far every publisher of a journal has come, from the cursors that lie beside it."""

from datetime import datetime
from pathlib import Path

from capture.journal.beside import cursors_of
from capture.publish.cursor import told_by


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


def set_aside_ahead(journal: Path, journal_id: str, last: int, now: datetime) -> list[Path]:
    """Set aside every cursor that is further than the journal reaches; give their old names.

    A journal brought back from an older copy uses entry numbers again. A cursor that had passed
    them would skip the new entries; without it, everything is delivered anew, with the same ids.
    """
    ahead = [path for path in cursors_of(journal) if _delivered(path, journal_id) > last]
    for path in ahead:
        path.rename(path.with_name(f"set-aside-{now:%Y%m%dT%H%M%SZ}-{path.name}"))
    return ahead
