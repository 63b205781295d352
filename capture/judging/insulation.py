"""Which limit insulation resistance is held against."""

from collections.abc import Mapping
from dataclasses import replace

from capture.winding import Limit, minimum_insulation
from capture.winding.insulation import Winding

_KINDS = {"form": "insulation-form", "dc-armature": "insulation-dc-armature"}


def insulation_limit(
    limits: Mapping[str, Limit], rated_volts: float | None, winding: Winding, year: int | None
) -> Limit | None:
    """Give the least that a winding should read after 1 min at 40 °C, in ohms.

    It follows from the nameplate; what the site says of the table holds for it. None where rated
    voltage or year are not known.
    """
    if rated_volts is None or year is None:
        return None
    least = minimum_insulation(rated_volts, winding, year)
    shipped = limits[_KINDS.get(winding, "insulation-random")]
    value = shipped.value if "stated by" in shipped.confidence else least.value
    return replace(shipped, value=value)
