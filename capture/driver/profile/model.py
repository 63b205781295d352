"""A profile: a family of meters in one TOML file."""

from typing import Annotated, Self

from pydantic import Field, field_validator, model_validator

from capture.driver.profile.binary import Packed
from capture.driver.profile.display import Display
from capture.driver.profile.lines import Framing, LineChecksum, LineForm, Poll
from capture.driver.profile.parts import (
    Accuracy,
    Identity,
    LinkDefaults,
    Part,
    Scpi,
    compiling,
)
from capture.model.fields import Line as Text
from capture.model.fields import SchemaVersion, Slug


class Profile(Part):
    """Everything that an ordinary meter needs. It holds no code.

    It cannot make the daemon send anything that a person has not enabled for that instrument.
    """

    schema_version: SchemaVersion
    name: Slug
    """What a configuration calls it by; that of its file."""
    summary: Text
    """The family in one line, with a sample of what it sends."""
    driver: Slug
    """Driver that the profile is for: ascii-meter, scpi-meter, scpi-lcr or another."""
    identity: Identity = Identity()
    """How the family says who it is."""
    link: LinkDefaults = LinkDefaults()
    """How its port is set."""
    framing: Framing = Framing()
    """How lines are cut from the stream."""
    checksum: LineChecksum | None = None
    """Null where its lines have none."""
    lines: Annotated[tuple[LineForm, ...], Field(max_length=32)] = ()
    """Forms of line, for meters that send lines of text."""
    packed: Packed | None = None
    """Frames, for meters that stream packed binary data."""
    ignore: Annotated[tuple[str, ...], Field(max_length=64)] = ()
    """Regular expressions of whole lines that carry nothing, such as banners."""
    poll: Poll | None = None
    """For a meter that sends nothing unless it is asked; null for one that talks by itself."""
    scpi: Scpi | None = None
    """For the SCPI drivers; null for all others."""
    display: Display | None = None
    """How the display is laid out, for values that are read off a photo of it."""
    accuracy: Annotated[tuple[Accuracy, ...], Field(max_length=64)] = ()
    """Limits of error from its data sheet; the first line that fits a value counts."""
    conditions: dict[str, str] = Field(default_factory=dict)
    """Conditions that hold for every value of this family, such as ``law = "period"``."""

    @field_validator("ignore")
    @classmethod
    def _ignore_compiles(cls, patterns: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(compiling(pattern) for pattern in patterns)

    @model_validator(mode="after")
    def _fits_its_driver(self) -> Self:
        if self.driver == "ascii-meter" and bool(self.lines) == (self.packed is not None):
            raise ValueError("driver ascii-meter needs either [[lines]] or [packed]")
        if self.driver in ("scpi-meter", "scpi-lcr") and self.scpi is None:
            raise ValueError(f"driver {self.driver} needs [scpi]")
        return self

    @model_validator(mode="after")
    def _parts_belong_together(self) -> Self:
        sum_, framing = self.checksum, self.framing
        if sum_ is not None and sum_.form == "binary" and framing.terminator is None:
            raise ValueError("framing.terminator: not given, but a binary checksum needs one")
        if sum_ is not None and sum_.place == "after-terminator" and framing.terminator is None:
            raise ValueError("framing.terminator: not given, but the checksum stands behind it")
        if self.packed is not None and (self.poll is not None or sum_ is not None):
            raise ValueError("[packed] takes neither [poll] nor [checksum] (see packed.checksum)")
        if framing.echo and self.poll is None:
            raise ValueError("framing.echo: found true, expected [poll] with it")
        return self
