"""Where a bench keeps what it has, how jobs are done at it, what it writes and what it logs."""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from capture.config.section import Section


class JournalConfig(Section):
    """Where readings are stored."""

    path: Path = Path("benchtally.journal")
    """A file on a local disk; relative to the configuration file."""


class EvidenceConfig(Section):
    """Where photos of displays are kept."""

    path: Path | None = None
    """A folder on a local disk; relative to the configuration file. Next to the journal, and named
    after it, if not given."""


class JobsConfig(Section):
    """How jobs are done at this bench."""

    hands_free: bool = True
    """Take readings by themselves once they have settled, and insulation at its times."""
    relative_uncertainty: float = Field(5e-4, gt=0, lt=0.2)
    """Standard uncertainty as a part of the value, where an instrument's profile gives none."""
    longest_time_constant_s: float = Field(30.0, gt=0, le=600)
    """Slowest approach that is recognised as one, seconds."""
    energy_limit_joules: float = Field(0.1, gt=0, le=10)
    """Stored energy ½LI², J, above which a job asks for a word that the meter's current is zero
    before it goes on (the site's own decision; common practice, no source). Ramp the current
    down in any case."""
    reference_celsius: float = Field(25.0, gt=-50, lt=250)
    """Temperature that resistances are brought to, °C."""
    void_roles: tuple[Annotated[str, Field(min_length=1, max_length=80)], ...] = ()
    """Roles of operators who may void a job, as `benchtally operator add --role` gave them. Empty:
    whoever may act in it, as they may sign it off."""


class RecordsConfig(Section):
    """How records are written where nobody asks for something else."""

    language: str = Field("en", pattern=r"^[a-z]{2}$")
    """en or de."""
    paper: Literal["a4", "letter"] = "a4"
    """Size of the PDF's pages."""


class LogConfig(Section):
    """What is logged, and how."""

    level: Literal["debug", "info", "warning", "error"] = "info"
    """Events below it are left out."""
    form: Literal["text", "json"] = "text"
    """Text for people, or one JSON object a line."""
