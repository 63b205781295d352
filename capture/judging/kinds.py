"""Which limits a winding is held against, by its kind.

Where nobody knows the kind, the limits of random-wound and of form-wound stand beside each other:
one of them holds. Field windings and DC armatures must be named. Concentric is how coils are laid
out, not how they are made: such a winding has the limits of one whose kind is unknown, and its
phases may differ by construction, which no limit on differences between phases was made for.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Literal

from capture.model.machine import WindingType
from capture.winding import Limit, minimum_insulation
from capture.winding.insulation import FORM_FROM_VOLTS, Winding

Kind = Winding | Literal["unknown"]

_WORDS: dict[Winding, str] = {"random": "random-wound", "form": "form-wound"}


def judged_as(winding: WindingType) -> Kind:
    """Give the kind whose limits hold; that a winding is concentric does not say how it is made."""
    return "unknown" if winding == "concentric" else winding


def phases_alike(winding: WindingType) -> bool:
    """Tell whether phases are built alike, as limits on differences between them take for granted.

    The coils of a concentric winding have other ends in each phase, so its resistances differ, and
    a little of its inductances (common practice, no source).
    """
    return winding != "concentric"


def between_phases(limits: Mapping[str, Limit], winding: WindingType) -> dict[str, Limit]:
    """Leave, of limits on a difference between phases, what the machine states where it must.

    A concentric winding may have a limit of its own; beside that, those for others say nothing.
    """
    if phases_alike(winding):
        return dict(limits)
    own = {kind: limit for kind, limit in limits.items() if limit.adopted_by == "machine"}
    return own or dict(limits)


def resistance_limits(limits: Mapping[str, Limit], winding: Kind) -> dict[str, Limit]:
    """Give the most by which resistances may differ, in per cent, by the kind it is written for."""

    def row(kind: Winding) -> Limit:
        return limits[f"resistance-unbalance-{'form' if kind == 'form' else 'random'}"]

    return _by_kind(winding, row)


def insulation_limits(
    limits: Mapping[str, Limit], rated_volts: float | None, winding: Kind, year: int | None
) -> dict[str, Limit]:
    """Give the least that a winding should read after 1 min at 40 °C, in ohms, by kind.

    It follows from the nameplate; what the site says of the table holds for it. Empty where rated
    voltage or year are not known; one where the kind is known, or makes no difference.
    """
    if rated_volts is None or year is None:
        return {}

    def least(kind: Winding) -> Limit:
        shipped = limits[_row(kind, rated_volts)]
        if "stated by" in shipped.confidence:
            return shipped
        return replace(shipped, value=minimum_insulation(rated_volts, kind, year).value)

    return _by_kind(winding, least)


def _row(kind: Winding, rated_volts: float) -> str:
    """Name the row of the table; form-wound below 1 kV stands in that of random-wound."""
    if kind == "dc-armature":
        return "insulation-dc-armature"
    if kind == "form" and rated_volts >= FORM_FROM_VOLTS:
        return "insulation-form"
    return "insulation-random"


def _by_kind(winding: Kind, limit: Callable[[Winding], Limit]) -> dict[str, Limit]:
    if winding != "unknown":
        return {_WORDS.get(winding, winding): limit(winding)}
    found = {words: limit(kind) for kind, words in _WORDS.items()}
    one, other = found.values()
    return {next(iter(found)): one} if one == other else found
