"""Codes on the label of a machine: QR, Data Matrix or bar code, and the machine they name.

What a code says is hostile text. It only ever selects a machine that is registered already.
"""

import io
import re
from collections.abc import Iterable, Mapping, Sequence

from capture.errors import InputError, NotThereError
from capture.model.machine import MachineEntry
from capture.model.photo import Crop, LabelCode

_MOST = 16  # codes of one photo
_LONGEST = 200  # characters of a code that can name a machine


def read_codes(kept: bytes) -> list[LabelCode]:
    """Read all codes of a photo as it is kept (see `store.reencoded`), from the upper left on."""
    import zxingcpp  # noqa: PLC0415 - an extra
    from PIL import Image  # noqa: PLC0415 - an extra

    with Image.open(io.BytesIO(kept), formats=("JPEG",)) as opened:
        grey = opened.convert("L")
    found = []
    for code in zxingcpp.read_barcodes(grey)[:_MOST]:
        corners = [
            getattr(code.position, name)
            for name in ("top_left", "top_right", "bottom_right", "bottom_left")
        ]
        left, top = (max(min(getattr(each, axis) for each in corners), 0) for axis in "xy")
        right, bottom = (max(getattr(each, axis) for each in corners) for axis in "xy")
        text = "".join(c if c.isprintable() else " " for c in code.text).strip()[:_LONGEST]
        if text:
            crop = Crop(left=left, top=top, width=max(right - left, 1), height=max(bottom - top, 1))
            found.append(LabelCode(text=text, format=str(code.format)[:40], crop=crop))
    return sorted(found, key=lambda each: (each.crop.top, each.crop.left))


def names_of(machines: Iterable[MachineEntry]) -> dict[str, str]:
    """Give what may stand in a code, by which machine it names: ids, and labels of nameplates.

    What several machines have in common names none of them.
    """
    found: dict[str, set[str]] = {}
    for each in machines:
        for text in {each.machine, each.nameplate.label or each.machine}:
            found.setdefault(text.casefold(), set()).add(each.machine)
    return {text: next(iter(named)) for text, named in found.items() if len(named) == 1}


def machine_of(codes: Sequence[LabelCode], names: Mapping[str, str]) -> str:
    """Give the registered machine that the codes name, by `names_of`.

    A code names it by its whole text, or by a part of it between separators, as in an address
    (``https://…/machines/FAN-07``) or in fields (``ID=FAN-07;V=400``). Case does not count.

    Raises:
        NotThereError: there is no code, or none names a registered machine; says what they say.
        InputError: they name several machines.
    """
    if not codes:
        raise NotThereError(
            "no code was found in the photo; go nearer, keep it flat and out of glare"
        )
    whole = {names[text] for code in codes if (text := code.text.casefold()) in names}
    named = whole or {
        names[part]
        for code in codes
        for part in re.split(r"[\s/;,=|&?#]+", code.text.casefold())
        if part in names
    }
    if len(named) > 1:
        raise InputError(
            f"the codes name several machines ({', '.join(sorted(named))}); photograph one label"
        )
    if not named:
        said = ", ".join(repr(code.text) for code in codes)
        raise NotThereError(
            f"no registered machine is named by {said[:200]}; register it, or say with its "
            "nameplate what its label holds"
        )
    return named.pop()
