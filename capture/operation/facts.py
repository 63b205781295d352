"""What is known of a running bench at one moment, in memory; nothing is asked or opened for it."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from capture.journal.upkeep import Health as JournalHealth
from capture.publish import Report
from capture.runtime import Snapshot


@dataclass(frozen=True, slots=True)
class HandsFree:
    """What hands-free capture has done since the start.

    Attributes:
        taken, not_taken: steps that it took, and takes that were refused.
    """

    taken: int = 0
    not_taken: int = 0


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a running bench.

    Attributes:
        publishers: the newest report of each, by name.
        still: parts that must move and do not: "journal", "hands-free", "supervisor".
        silent: instruments whose worker has given no sign of life for long.
        ages: seconds since the last sign of life, by part.
        hands_free: None where it is off.
        damaged: what SQLite found wrong with the journal while running; empty where nothing is.
    """

    journal: JournalHealth = field(default_factory=JournalHealth)
    publishers: Mapping[str, Report] = field(default_factory=dict)
    instruments: tuple[Snapshot, ...] = ()
    still: tuple[str, ...] = ()
    silent: tuple[str, ...] = ()
    ages: Mapping[str, float] = field(default_factory=dict)
    hands_free: HandsFree | None = None
    damaged: str = ""
