"""The limits that ship, how sure each is, and what a site or a machine overrides."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import cache
from importlib.resources import files
from typing import Any

from .errors import MissingReadingError, UnknownChoiceError
from .result import Side


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A limit, the quantity it was written for, where it comes from and how sure that is.

    It is binding only if its source is `confirmed` in a copy of the standard, or a site or a
    machine has `adopted` it; otherwise a value beside it is information and no verdict.
    """

    id: str
    value: float
    unit: str
    side: Side
    source: str
    confidence: str
    formula: str = ""
    applies_to: str = ""
    confirmed: bool = False
    adopted: bool = False
    adopted_by: str = ""

    @property
    def binding(self) -> bool:
        """Whether this limit may give a pass or a fail."""
        return self.confirmed or self.adopted


Overrides = Mapping[str, Mapping[str, Any]]

_OVERRIDABLE = frozenset({"value", "source", "confidence", "adopted"})


@cache
def _shipped() -> dict[str, Limit]:
    text = files(__package__).joinpath("limits.toml").read_text(encoding="utf-8")
    known = {field.name for field in fields(Limit)} - {"id"}
    limits: dict[str, Limit] = {}
    for name, entry in tomllib.loads(text).items():
        if unknown := set(entry) - known:
            raise UnknownChoiceError(f"limits.toml, {name}: field", sorted(unknown), sorted(known))
        limits[name] = Limit(id=name, **entry)
    return limits


def load_limits(
    *, site: Overrides | None = None, machine: Overrides | None = None
) -> dict[str, Limit]:
    """Give all limits by id, the machine's overrides over the site's over those shipped.

    An override is a table `{id: {value, source, confidence, adopted}}`. A changed value must say
    its source, and stays information only until `adopted` is true. Raises UnknownChoiceError for
    an id or a field that does not exist, MissingReadingError for a new value without a source.
    """
    limits = dict(_shipped())
    for owner, overrides in (("site", site), ("machine", machine)):
        for name, entry in (overrides or {}).items():
            limits[name] = _override(limits, name, entry, owner)
    return limits


def _override(
    limits: Mapping[str, Limit], name: str, entry: Mapping[str, Any], owner: str
) -> Limit:
    if name not in limits:
        raise UnknownChoiceError(f"limit of the {owner}", name, sorted(limits))
    if unknown := set(entry) - _OVERRIDABLE:
        raise UnknownChoiceError(
            f"limit of the {owner}, {name}: field", sorted(unknown), sorted(_OVERRIDABLE)
        )
    if "value" in entry and "source" not in entry:
        raise MissingReadingError(
            f"the source of {name}", f"the {owner} changes its value and must say on what ground"
        )
    changed = dict(entry)
    if "value" in entry:
        # Another value is another limit: what was known of the old one does not carry over.
        changed = {"confidence": f"as stated by the {owner}", "confirmed": False} | changed
    if entry.get("adopted"):
        changed["adopted_by"] = owner
    return replace(limits[name], **changed)
