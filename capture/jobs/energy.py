"""Energy that a winding keeps while a direct current flows in it, and what that asks of a person.

Opening the circuit of an inductance that carries current drives its voltage up until the energy
½LI² is spent, in an arc at the lead if nowhere else. Pure.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from capture.errors import InputError

#: Stored energy above which a job asks for a word that the current was zero (a site's own decision;
#: common practice, no source).
ENERGY_LIMIT_JOULES = 0.1


def stored_energy(henries: float, amperes: float) -> float:
    """Give ½LI² in joules (any textbook on circuits).

    Raises InputError for an inductance below zero, or a number that is not finite.
    """
    if not (math.isfinite(henries) and henries >= 0):
        raise InputError(f"an inductance must be finite and not below zero, not {henries:g} H")
    if not math.isfinite(amperes):
        raise InputError(f"a current must be finite, not {amperes:g} A")
    return 0.5 * henries * amperes * amperes


def needs_ramp_down(
    henries: float | None,
    amperes: float | None,
    limit_joules: float,
    *,
    direct_current: bool,
) -> tuple[bool, str]:
    """Tell whether the current must be ramped down before the leads are moved, and why.

    henries, amperes: of the winding and the meter; None where unknown, and what is negative or not
    finite counts as unknown: a meter shows such an inductance past resonance, and it says nothing
    of the energy. limit_joules: the site's limit. direct_current: the meter drives a direct current
    through the winding. Needed above the limit; and for a direct current whenever the energy is
    unknown.

    Raises InputError for a limit below zero or not finite.
    """
    if not (math.isfinite(limit_joules) and limit_joules >= 0):
        raise InputError(f"the limit of stored energy must be 0 J or more, not {limit_joules:g} J")
    known_henries = henries is not None and math.isfinite(henries) and henries >= 0
    known_amperes = amperes is not None and math.isfinite(amperes)
    if known_henries and known_amperes:
        assert henries is not None
        assert amperes is not None
        joules = stored_energy(henries, amperes)
        figures = f"{henries:.3g} H at {amperes:.3g} A store {joules:.3g} J"
        if joules > limit_joules:
            return True, f"{figures}, above the limit of {limit_joules:.3g} J"
        return False, f"{figures}, within the limit of {limit_joules:.3g} J"
    if not direct_current:
        return False, "the meter drives no direct current through the winding"
    if amperes == 0:
        return False, "no direct current flows"
    if not known_henries and not known_amperes:
        unknown = "neither the inductance nor the meter's current is known"
    elif not known_henries:
        unknown = "the inductance is not known"
    else:
        unknown = "the meter's current is not known"
    return True, f"the meter drives a direct current and {unknown}: the energy may be any"


def amperes_of(bodies: Sequence[Mapping[str, Any]]) -> float | None:
    """Give the meter's current, A, as the conditions of readings tell it; None where none do.

    Of several the largest, whichever way it flowed: that one leaves the most energy.
    """
    told = [
        abs(float(condition["value"]))
        for body in bodies
        for name, condition in (body.get("conditions") or {}).items()
        if name in ("current", "test_current")
        and isinstance(condition, dict)
        and condition.get("unit") == "A"
    ]
    return max(told, default=None)
