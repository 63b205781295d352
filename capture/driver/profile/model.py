"""A profile: a family of meters in one TOML file."""

from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from capture.driver.profile.parts import (
    Accuracy,
    Framing,
    Identity,
    LineForm,
    LinkDefaults,
    Part,
    Poll,
    Scpi,
    compiling,
)
from capture.model.fields import Line as Text
from capture.model.fields import Slug


class Profile(Part):
    """Everything that an ordinary meter needs. It holds no code.

    It cannot make the daemon send anything that a person has not enabled for that instrument.
    """

    schema_version: Literal[1]
    name: Slug
    summary: Text
    driver: Slug
    """Driver that the profile is for: ascii-meter, scpi-meter, scpi-lcr or another."""
    identity: Identity = Identity()
    link: LinkDefaults = LinkDefaults()
    framing: Framing = Framing()
    lines: Annotated[tuple[LineForm, ...], Field(max_length=32)] = ()
    """Forms of line, for meters that send lines of text."""
    ignore: tuple[str, ...] = ()
    """Regular expressions of whole lines that carry nothing, such as banners."""
    poll: Poll | None = None
    scpi: Scpi | None = None
    accuracy: Annotated[tuple[Accuracy, ...], Field(max_length=64)] = ()
    conditions: dict[str, str] = Field(default_factory=dict)
    """Conditions that hold for every value of this family, such as ``law = "period"``."""

    @field_validator("ignore")
    @classmethod
    def _ignore_compiles(cls, patterns: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(compiling(pattern) for pattern in patterns)

    @model_validator(mode="after")
    def _fits_its_driver(self) -> Self:
        if self.driver == "ascii-meter" and not self.lines:
            raise ValueError("driver ascii-meter needs [[lines]]")
        if self.driver in ("scpi-meter", "scpi-lcr") and self.scpi is None:
            raise ValueError(f"driver {self.driver} needs [scpi]")
        return self
