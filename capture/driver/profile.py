"""Profiles: what an ordinary line-sending meter needs, said in TOML instead of code.

A profile names the lines that a family of meters sends by regular expressions with the groups
``value``, ``unit``, ``function`` and ``flags``, and says what they mean. It holds no code, and it
cannot make the daemon send anything that a person has not enabled for that instrument.
"""

import os
import re
import tomllib
from importlib import resources
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from capture.driver.faults import fault_lines
from capture.errors import ConfigError, InputError
from capture.model import Status, parse_unit
from capture.model.fields import Line as Text
from capture.model.fields import QuantityName, Slug

_GROUPS = {"value", "unit", "function", "flags"}


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)


class Framing(_Part):
    """How lines are cut from the stream."""

    terminator: Annotated[str, Field(min_length=1, max_length=8)] | None = None
    """What ends a line; any of CR and LF where it is not given."""
    encoding: Literal["ascii", "latin-1", "utf-8", "cp437"] = "ascii"
    decimal: Literal["point", "comma"] = "point"
    """The mark that the meter puts before its decimals."""
    longest: int = Field(120, ge=4, le=1000)
    """More bytes than this without a terminator are no line."""


class Function(_Part):
    """What a function text stands for."""

    quantity: QuantityName
    unit: str = ""
    """Unit as shown that applies where the line has none."""


class LineForm(_Part):
    """One form of line, and what it means."""

    pattern: str = Field(max_length=500)
    """Regular expression for the whole line."""
    quantity: QuantityName | None = None
    """Where the line has no function text that tells it."""
    unit: str = ""
    """Unit as shown that applies where the line has none."""
    functions: dict[str, Function] = {}
    """Function text → quantity; a text that is not listed makes the line Malformed."""
    units: dict[str, str] = {}
    """Unit text of this family → unit as understood, for texts that are ambiguous by themselves."""
    flags: dict[str, Status] = {}
    """Flag text → status; a text that is not listed makes the line Malformed."""

    @field_validator("pattern")
    @classmethod
    def _compiles(cls, pattern: str) -> str:
        try:
            groups = set(re.compile(pattern).groupindex)
        except re.error as error:
            raise ValueError(f"not a regular expression: {error}") from error
        if "value" not in groups:
            raise ValueError("the pattern needs a group (?P<value>…)")
        if not groups <= _GROUPS:
            unknown = ", ".join(sorted(groups - _GROUPS))
            raise ValueError(f"unknown group {unknown}; known are {', '.join(sorted(_GROUPS))}")
        return pattern

    @model_validator(mode="after")
    def _says_what_it_is_of(self) -> Self:
        groups = set(re.compile(self.pattern).groupindex)
        if self.quantity is None and "function" not in groups:
            raise ValueError("give a quantity, or a group (?P<function>…) with functions")
        if "function" in groups and not self.functions:
            raise ValueError("the pattern has a group function, but no functions are listed")
        if "flags" in groups and not self.flags:
            raise ValueError("the pattern has a group flags, but no flags are listed")
        for text in (*self.units.values(), self.unit, *(f.unit for f in self.functions.values())):
            if text:
                _check_unit(text)
        return self


class Poll(_Part):
    """A meter that answers when asked. The message still has to be enabled for each instrument."""

    message: str = Field(min_length=1, max_length=64)
    """What asks for a result, with its terminator."""
    interval_s: float = Field(1.0, gt=0, le=3600)
    timeout_s: float = Field(2.0, gt=0, le=60)


class Profile(_Part):
    """A family of line-sending meters."""

    schema_version: Literal[1]
    name: Slug
    summary: Text
    framing: Framing = Framing()
    lines: Annotated[tuple[LineForm, ...], Field(min_length=1, max_length=32)]
    ignore: tuple[str, ...] = ()
    """Regular expressions of whole lines that carry nothing, such as banners."""
    poll: Poll | None = None
    conditions: dict[str, str] = {}
    """Conditions that hold for every value of this family, such as ``law = "period"``."""

    @field_validator("ignore")
    @classmethod
    def _ignore_compiles(cls, patterns: tuple[str, ...]) -> tuple[str, ...]:
        for pattern in patterns:
            try:
                re.compile(pattern)
            except re.error as error:
                raise ValueError(f"{pattern!r} is not a regular expression: {error}") from error
        return patterns


def _check_unit(text: str) -> None:
    try:
        parse_unit(text)
    except InputError as error:
        raise ValueError(str(error)) from error


def parse_profile(text: str, where: str) -> Profile:
    """Read a profile from TOML text; ``where`` is its path, for messages.

    Raises:
        ConfigError: one line per fault.
    """
    try:
        return Profile.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{where}: not TOML: {error}"]) from error
    except ValidationError as error:
        raise ConfigError([f"{where}: {line}" for line in fault_lines(error)]) from error


def search_path() -> list[Path]:
    """List the folders that own profiles are looked for in, first to last."""
    named = [Path(part) for part in os.environ.get("BENCHTALLY_PROFILES", "").split(":") if part]
    home = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    return [*named, home / "benchtally" / "profiles", Path("/etc/benchtally/profiles")]


def load_profile(name: str, package: str) -> Profile:
    """Find and read a profile by path (ends in ``.toml``) or by name.

    A name is looked for on `search_path` and then in the folder ``profiles`` of ``package``.

    Raises:
        ConfigError: not found (lists what is there), not readable, or faulty.
    """
    if name.endswith(".toml"):
        return _read(Path(name))
    for folder in search_path():
        path = folder / f"{name}.toml"
        if path.is_file():
            return _read(path)
    built_in = resources.files(package) / "profiles" / f"{name}.toml"
    if built_in.is_file():
        return parse_profile(built_in.read_text("utf-8"), f"built-in profile {name}")
    known = ", ".join(built_in_profiles(package))
    raise ConfigError(
        [f"profile {name!r} is not known; built in are {known}; or give a .toml file"]
    )


def built_in_profiles(package: str) -> list[str]:
    """List the names of the profiles that a driver package brings along."""
    folder = resources.files(package) / "profiles"
    return sorted(
        entry.name.removesuffix(".toml")
        for entry in folder.iterdir()
        if entry.name.endswith(".toml")
    )


def _read(path: Path) -> Profile:
    try:
        return parse_profile(path.read_text("utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError([f"profile {path}: cannot be read: {error}"]) from error
