"""The short way for what a talk-only meter sends nearly always: one number with its unit.

Everything that a line can be is decided by `drivers.ascii_meter.lines`, at many times the cost of a
regular expression. This says only what that would say of a line that is plainly a number, and
nothing of any other: no answer here means "look at it in full".
"""

import re
from decimal import Decimal

from capture.driver import (
    Condition,
    Indication,
    InputError,
    LineForm,
    LineValue,
    Profile,
    Status,
    beside,
    parse_unit,
    unit_of,
)

_NUMBER = re.compile(r"[+-]?[0-9]{1,12}(?:\.[0-9]{1,20})?").fullmatch
_OK = Status.OK
_FILL = "\0"  # some meters send it between lines; the long way takes it off
_AROUND = " \0\r\n\t"  # what the driver takes off a line before it looks whether it means anything


class PlainReader:
    """Reads plain lines of one profile."""

    def __init__(self, profile: Profile, conditions: dict[str, Condition]) -> None:
        """Take a profile that `suits`, and the conditions that all its values have."""
        banner = [profile.identity.banner] if profile.identity.banner else []
        self._others = [re.compile(each).fullmatch for each in (*profile.ignore, *banner)]
        self._encoding = profile.framing.encoding
        self._conditions = conditions
        self._forms = [_Form(form) for form in profile.lines]
        self._first, self._rest = self._forms[0], self._forms[1:]

    def read(self, data: bytes, raw: bytes) -> Indication | None:
        """Read a whole line; None where it is anything but one number with its unit."""
        try:
            whole = data.decode(self._encoding)
        except UnicodeDecodeError:
            return None
        if _FILL in whole or (self._others and self._is_other(whole.strip(_AROUND))):
            return None
        form, text = self._first, whole.strip()
        match = form.fullmatch(text)
        if self._rest:
            for other in self._rest:
                if (found := other.fullmatch(text)) is not None:
                    if match is not None:
                        return None  # fits two
                    form, match = other, found
        if match is None or not form.plain:
            return None
        digits = match[form.value]
        stands = match[form.unit] if form.unit else None
        scale = form.scales.get(stands) or form.learn(stands)
        if scale is None or digits is None or _NUMBER(digits) is None:
            return None
        unit, exponent, shown_unit = scale
        return Indication(
            form.quantity,
            unit,
            Decimal(digits + exponent),  # as wide as the text: nothing is rounded
            digits,
            shown_unit,
            _OK,
            raw,
            None,
            self._conditions,
        )

    def _is_other(self, text: str) -> bool:
        return any(fullmatch(text) is not None for fullmatch in self._others)


def suits(profile: Profile) -> bool:
    """Tell whether lines of this profile may be plain: unasked, bare, by patterns, with points."""
    framing = profile.framing
    return (
        profile.poll is None
        and profile.packed is None
        and profile.checksum is None
        and not framing.start
        and not framing.prompts
        and framing.decimal != "comma"
        and bool(profile.lines)
        and all(form.pattern for form in profile.lines)
    )


class _Form:
    """A form of line, ready for use."""

    def __init__(self, form: LineForm) -> None:
        pattern = re.compile(form.pattern)
        self.fullmatch = pattern.fullmatch
        one, names = form.meanings[0], form.names
        unit = beside(one.field, "unit")
        # Numbers of the groups; 0, the whole line, where there is none for the unit.
        self.value = pattern.groupindex[one.field]
        self.unit = pattern.groupindex.get(unit, 0)
        self.plain = (
            len(form.meanings) == 1
            and names <= {one.field, unit}
            and one.quantity is not None
            and one.status is _OK
            and form.status is _OK
            and not form.conditions
            and not any(_NUMBER(word) for word in one.words)
        )
        self.quantity = one.quantity or ""
        self.scales: dict[str | None, tuple[str, str, str]] = {}
        self._meaning: LineValue = one

    def learn(self, stands: str | None) -> tuple[str, str, str] | None:
        """Give base unit, power of ten and unit as shown for what stands in the unit's place.

        None where it is not plain. Only what is a unit without blanks is remembered, and there are
        not many; no text at all is remembered as such.
        """
        shown = stands or ""
        if shown != shown.strip():
            return None  # the profile may list it with its blanks, which the long way takes off
        understood = self._meaning.units.get(shown, shown) or self._meaning.unit
        try:
            scale = parse_unit(understood)
            base = unit_of(self.quantity) or scale.unit
        except InputError:
            return None
        if scale.unit != base:
            return None
        self.scales[stands] = base, f"E{scale.exponent}", shown or understood
        return self.scales[stands]
