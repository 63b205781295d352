"""Whether a loss beside an inductance is likely: held against its own pair and the other pairs.

Whatever the bridge shows is brought to Q first, so Q, D, a resistance and an angle are asked about
alike; a number keyed under the wrong name lies far off. Asked, never refused. Pure.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from capture.jobs.plausible import SPREAD, Doubt
from capture.model import ReadingDraft
from capture.model.loss import LOSSES, name_of
from capture.model.quantity import Quantity

#: Q of a winding at 50 Hz to 10 kHz, rotor in or out: angles from 6° to 89.4° (common practice, no
#: source).
USUAL_Q = (0.1, 100.0)
#: With alternating current a winding loses no less than its resistance to direct current costs; the
#: rest is for instruments and for a winding that was warmer then (common practice, no source).
_LEAST_OF_DIRECT = 0.8
_RIGHT_ANGLE = 90.0


def is_loss(draft: ReadingDraft) -> bool:
    """Tell whether a value that was keyed stands beside an inductance."""
    return draft.quantity in LOSSES and (
        draft.quantity != Quantity.RESISTANCE or "frequency" in draft.conditions
    )


def loss_doubts(
    drafts: Sequence[ReadingDraft],
    others: Mapping[str, float],
    direct: Mapping[str, float] | None = None,
) -> list[Doubt]:
    """List what is odd about the losses among drafts that are keyed together.

    others: Q at the other pairs, by name. direct: resistance to direct current of pairs, ohms, by
    test point.
    """
    henries = {each.group: each for each in drafts if each.quantity == Quantity.INDUCTANCE}
    found: list[Doubt] = []
    for draft in drafts:
        beside = henries.get(draft.group)
        if draft.value is None or not is_loss(draft) or beside is None:
            continue
        point = "" if draft.tag is None or draft.tag.test_point is None else _point(draft)
        name = name_of(draft.quantity, draft.conditions.get("model")) or draft.quantity
        unit = draft.shown_unit if draft.shown_unit != "1" else ""
        shown = f"{name} {draft.digits} {unit}".rstrip()
        where = f"{point} {shown}".lstrip()
        found += [
            Doubt(f"{where}: {words}")
            for words in _odd(draft, beside, others, (direct or {}).get(point))
        ]
    return found


def quality_of(loss: Mapping[str, Any], inductance: Mapping[str, Any] | None) -> float | None:
    """Give the Q that a loss says, as stored or as drafted; None where it says none."""
    value = loss.get("value")
    if not isinstance(value, int | float) or not math.isfinite(value) or value <= 0:
        return None
    match loss.get("quantity"):
        case Quantity.QUALITY_FACTOR:
            return float(value)
        case Quantity.DISSIPATION_FACTOR:
            return 1 / value
        case Quantity.PHASE_ANGLE:
            return math.tan(math.radians(value)) if value < _RIGHT_ANGLE else None
        case Quantity.RESISTANCE:
            reactance = _reactance(inductance)
            if reactance is None:
                return None
            parallel = (loss.get("conditions") or {}).get("model") == "parallel"
            return value / reactance if parallel else reactance / value
        case _:
            return None


def _odd(
    draft: ReadingDraft,
    inductance: ReadingDraft,
    others: Mapping[str, float],
    direct: float | None,
) -> list[str]:
    value = draft.value
    assert value is not None  # the caller passed others over
    if draft.quantity == Quantity.PHASE_ANGLE and not 0 < value < _RIGHT_ANGLE:
        return ["an inductance has an angle between 0 and 90°"]
    if value <= 0:
        return ["more than zero is expected"]
    q = quality_of(draft.model_dump(), inductance.model_dump())
    if q is None:
        return []
    ohms = draft.quantity == Quantity.RESISTANCE
    said = f"that is a Q of {q:.3g}" if draft.quantity != Quantity.QUALITY_FACTOR else ""
    low, high = USUAL_Q
    if not low <= q <= high:
        return [_joined(said, f"windings mostly have a Q of {low:g} to {high:g}")]
    spread = SPREAD[Quantity.INDUCTANCE]
    if others and not any(each / spread <= q <= each * spread for each in others.values()):
        likes = ", ".join(f"{each:.3g}" for each in others.values())
        return [_joined(said, f"the other pairs have a Q of {likes}")]
    series = ohms and draft.conditions.get("model") != "parallel"
    if series and direct is not None and value < _LEAST_OF_DIRECT * direct:
        reads = f"with direct current this pair reads {direct:.4g} Ω"
        return [f"{reads}, and with alternating current no winding loses less"]
    return []


def _joined(said: str, words: str) -> str:
    return f"{said}; {words}" if said else words


def _point(draft: ReadingDraft) -> str:
    assert draft.tag is not None
    assert draft.tag.test_point is not None
    return str(draft.tag.test_point.to_point())


def _reactance(inductance: Mapping[str, Any] | None) -> float | None:
    if inductance is None:
        return None
    henries = inductance.get("value")
    hertz = ((inductance.get("conditions") or {}).get("frequency") or {}).get("value")
    if not henries or not hertz or henries <= 0:
        return None
    return float(2 * math.pi * hertz * henries)
