"""Procedures: the ordered steps of a test, said in TOML.

A step says first what to beware of, then which terminals, which lead where, which quantity. It
holds no code, and it starts nothing: a person sets voltages and presses keys on the instrument.
"""

import os
import re
import tomllib
from importlib import resources
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import ConfigDict, Field, ValidationError, field_validator, model_validator

from capture.errors import ConfigError, InputError
from capture.faults import fault_lines
from capture.judging.rated import letters_of
from capture.model.fields import Line, Model, QuantityName, SchemaVersion, Slug
from capture.model.job import StepId
from capture.model.testpoint import TestPoint
from capture.settings_text import toml_table

#: Quantity of a step that tests the insulation, and of what an insulation tester shows.
INSULATION = "insulation_resistance"
_PACKAGE = "capture.jobs"
_NAME = re.compile(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?\Z")
_OF_ONE = (frozenset("UVW"), frozenset("KLM"))
_DEEPEST = 3  # sets of sets of procedures


class _Strict(Model):
    model_config = ConfigDict(extra="forbid")


class Take(_Strict):
    """How the value of a step is taken."""

    how: Literal["settled", "timed", "keyed"] = "settled"
    """``settled``: once the value stands still; ``timed``: so long after the voltage was
    reached; ``keyed``: a person enters it."""
    at_s: Annotated[tuple[float, ...], Field(max_length=24)] = ()
    """For ``timed``: seconds since the voltage was reached, each ± ``within_s``."""
    within_s: float = Field(1.0, gt=0, le=10)
    """How far from its time a timed value may be, either way, in seconds."""

    @model_validator(mode="after")
    def _times_fit(self) -> Self:
        if (self.how == "timed") != bool(self.at_s):
            raise ValueError('at_s belongs to how = "timed", and is needed there')
        if list(self.at_s) != sorted(set(self.at_s)) or any(at <= 0 for at in self.at_s):
            raise ValueError("at_s must rise, from above zero")
        return self


class Step(_Strict):
    """One step."""

    id: StepId
    """Name of the step, once in a procedure; a job and its results speak of it by this."""
    title: Line
    """What is done, for people."""
    cautions: Annotated[tuple[Line, ...], Field(max_length=12)] = ()
    """Shown before everything else of the step."""
    points: Annotated[tuple[str, ...], Field(min_length=1, max_length=24)]
    """Test points, in the order of the instrument; one for a captured value."""
    quantity: QuantityName
    """What is measured."""
    energy: Literal["none", "direct-current", "test-voltage", "pulse"] = "none"
    """What the instrument puts on the winding; decides which locks hold."""
    take: Take = Take()
    """When and how its value is taken."""
    instrument: Slug | None = None
    """Instrument to watch, where the bench has several for the quantity."""
    conditions: dict[str, str] = Field(default_factory=dict)
    """Stored with every reading of the step, such as ``law``."""
    explain: str = Field("", max_length=400)
    """What to do, in a sentence or two."""

    @field_validator("points")
    @classmethod
    def _points_are_points(cls, points: tuple[str, ...]) -> tuple[str, ...]:
        try:
            return tuple(str(TestPoint.parse(point)) for point in points)
        except InputError as error:
            raise ValueError(str(error)) from error

    @model_validator(mode="after")
    def _one_point_a_captured_value(self) -> Self:
        if self.take.how != "keyed" and len(self.points) != 1:
            raise ValueError("a captured step has one test point; several are keyed as a block")
        return self

    @property
    def circuit(self) -> frozenset[str]:
        """Letters of the winding that it is at; all phases of three are of one.

        A rotor, a field and an armature read as they will, whatever the stator reads.
        """
        points = [TestPoint.parse(point) for point in self.points]
        letters = frozenset(letter for point in points for letter in letters_of(point))
        return next((every for every in _OF_ONE if letters & every), letters)


class Procedure(_Strict):
    """An ordered set of steps."""

    schema_version: SchemaVersion
    name: Slug
    """What it is called by; that of its file."""
    title: Line
    """What it is for, for people."""
    cautions: Annotated[tuple[Line, ...], Field(max_length=24)] = ()
    """Shown before the first step."""
    include: Annotated[tuple[Slug, ...], Field(max_length=16)] = ()
    """Other procedures whose steps come first, in this order."""
    steps: Annotated[tuple[Step, ...], Field(max_length=200)] = ()
    """In the order in which they are asked for; a person may do them in any."""
    new_winding: bool = False
    """The winding has been renewed before such a job: trends of the machine begin with it."""

    @model_validator(mode="after")
    def _steps_are_distinct(self) -> Self:
        ids = [step.id for step in self.steps]
        twice = sorted({id_ for id_ in ids if ids.count(id_) > 1})
        if twice:
            raise ValueError(f"step {twice[0]} stands twice")
        if not self.steps and not self.include:
            raise ValueError("a procedure needs steps, or others to include")
        return self


def search_path() -> list[Path]:
    """List the folders that own procedures are looked for in, first to last."""
    listed = os.environ.get("BENCHTALLY_PROCEDURES", "").split(os.pathsep)
    named = [Path(each) for each in listed if each]
    home = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    return [*named, home / "benchtally" / "procedures", Path("/etc/benchtally/procedures")]


def built_in() -> list[str]:
    """List the names of the built-in procedures."""
    folder = resources.files(_PACKAGE) / "procedures"
    names = [entry.name for entry in folder.iterdir() if entry.name.endswith(".toml")]
    return sorted(name.removesuffix(".toml") for name in names)


def known_procedures() -> list[str]:
    """List the names of all procedures: built in, and on the search path."""
    own = {path.stem for folder in search_path() for path in folder.glob("*.toml")}
    return sorted({*built_in(), *(name for name in own if _NAME.match(name))})


def load_procedure(name: str) -> Procedure:
    """Find and read a procedure by name or ``.toml`` path, with all that it includes.

    Raises:
        ConfigError: not found, not readable, faulty; one line a fault.
    """
    return _whole(name, ())


def parse_procedure(text: str, where: str) -> Procedure:
    """Read a procedure from TOML text; what it includes is not yet in it.

    Raises:
        ConfigError: one line a fault.
    """
    try:
        return Procedure.model_validate(toml_table(text))
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{where}: not TOML: {error}"]) from error
    except ValidationError as error:
        raise ConfigError([f"{where}: {line}" for line in fault_lines(error)]) from error


def _whole(name: str, seen: tuple[str, ...]) -> Procedure:
    if name in seen or len(seen) > _DEEPEST:
        raise ConfigError([f"procedure {name} includes itself, or too deeply: {' in '.join(seen)}"])
    procedure = _read(name)
    steps: list[Step] = []
    cautions = list(procedure.cautions)
    for other in procedure.include:
        included = _whole(other, (*seen, name))
        steps += included.steps
        cautions += [each for each in included.cautions if each not in cautions]
    try:
        return Procedure.model_validate(
            {
                **procedure.model_dump(),
                "include": (),
                "cautions": tuple(cautions),
                "steps": (*steps, *procedure.steps),
            }
        )
    except ValidationError as error:  # each is good by itself; together a step stands twice, say
        lines = [f"procedure {name} with what it includes: {line}" for line in fault_lines(error)]
        raise ConfigError(lines) from error


def _read(name: str) -> Procedure:
    if name.endswith(".toml"):
        return _read_file(Path(name))
    for folder in search_path():
        path = folder / f"{name}.toml"
        if path.is_file():
            return _read_file(path)
    entry = resources.files(_PACKAGE) / "procedures" / f"{name}.toml"
    if entry.is_file():
        return parse_procedure(entry.read_text("utf-8"), f"built-in procedure {name}")
    known = ", ".join(built_in())
    raise ConfigError([f"procedure {name!r} is not known; there are {known}; or give a .toml file"])


def _read_file(path: Path) -> Procedure:
    try:
        return parse_procedure(path.read_text("utf-8"), str(path))
    except OSError as error:
        why = error.strerror or error
        raise ConfigError([f"procedure {path}: cannot be read: {why}"]) from error
    except UnicodeDecodeError as error:
        raise ConfigError([f"procedure {path}: not UTF-8 text (byte {error.start})"]) from error
