"""How far every publisher of a journal has come, from the cursors that lie beside it."""

import json
from datetime import datetime
from pathlib import Path

from capture.journal.beside import cursors_of


def delivered_by(journal: Path, journal_id: str) -> dict[str, int]:
    """Give, by cursor file, the entry up to which all is delivered.

    A cursor that cannot be read, or that belongs to another journal, has delivered nothing.
    """
    return {path.name: _delivered(path, journal_id) for path in cursors_of(journal)}


def known_journal(journal: Path) -> str | None:
    """Give the id that the cursors beside a journal say it has; None where they do not agree."""
    names = set()
    for path in cursors_of(journal):
        try:
            names.add(str(json.loads(path.read_text("utf-8"))["journal"]))
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            return None
    return names.pop() if len(names) == 1 else None


def _delivered(path: Path, journal_id: str) -> int:
    try:
        content = json.loads(path.read_text("utf-8"))
        if content["journal"] == journal_id:
            return max(0, int(content["delivered"]))
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
        pass
    return 0


def set_aside_ahead(journal: Path, journal_id: str, last: int, now: datetime) -> list[Path]:
    """Set aside every cursor that is further than the journal reaches; give their old names.

    A journal brought back from an older copy uses entry numbers again. A cursor that had passed
    them would skip the new entries; without it, everything is delivered anew, with the same ids.
    """
    ahead = [path for path in cursors_of(journal) if _delivered(path, journal_id) > last]
    for path in ahead:
        path.rename(path.with_name(f"set-aside-{now:%Y%m%dT%H%M%SZ}-{path.name}"))
    return ahead
