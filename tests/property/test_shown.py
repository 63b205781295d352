"""Values as shown: round trips of what is well written, and calm in the face of anything else."""

from decimal import Decimal
from fractions import Fraction

from hypothesis import example, given
from hypothesis import strategies as st

from capture.errors import InputError
from capture.model import Side, Status, TestPoint, parse_number, parse_shown, parse_unit
from capture.model.fields import Line as LineOfText
from capture.model.fields import Model
from capture.model.shown import scale_number
from capture.model.status import VALUELESS
from capture.model.testpoint import terminal

DIGITS = st.text("0123456789", min_size=1, max_size=20)
PREFIXES = {"": 0, "p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "k": 3, "G": 9, "T": 12}
UNITS = {"Ω": "Ohm", "\N{OHM SIGN}": "Ohm", "Ohm": "Ohm", "H": "H", "s": "s", "F": "F", "A": "A"}
# What instruments and people get wrong is made of these more often than of anything else.
NOISE = st.text("0123456789.,+-−eEOoLl<>_ΩΩµμmkMGHsohm \t\r\n\0\x1b\x85\x9b°%'\"{}[]", max_size=70)


def taken(read, text):
    """Give what ``read`` makes of a text; None where it is refused, on one printable line."""
    refusal = ""
    try:
        return read(text)
    except InputError as error:
        refusal = str(error)
    assert refusal.isprintable()
    return None


class Stored(Model):
    """What a reading keeps of a value as shown."""

    digits: LineOfText


@given(
    whole=DIGITS,
    part=DIGITS,
    sign=st.sampled_from(["", "+", "-", "−"]),
    exponent=st.integers(-12, 9),
)
def test_a_number_is_read_exactly(whole, part, sign, exponent):
    text = f"{sign}{whole}.{part}E{exponent}"
    wanted = Fraction(f"{whole}.{part}") * Fraction(10) ** exponent
    assert Fraction(parse_number(text)) == (-wanted if sign in ("-", "−") else wanted)


@given(
    whole=st.text("0123456789", min_size=1, max_size=8),
    part=st.text("0123456789", min_size=1, max_size=12),
    prefix=st.sampled_from(sorted(PREFIXES)),
    unit=st.sampled_from(sorted(UNITS)),
    space=st.sampled_from(["", " ", "  "]),
    side=st.sampled_from(["", ">", "<"]),
)
def test_value_prefix_and_unit_come_out_as_they_went_in(whole, part, prefix, unit, space, side):
    shown = parse_shown(f"{side}{whole}.{part}{space}{prefix}{unit}")
    wanted = Fraction(f"{whole}.{part}") * Fraction(10) ** PREFIXES[prefix]
    assert shown.unit == UNITS[unit]
    assert shown.digits == f"{whole}.{part}"
    assert shown.shown_unit == prefix + unit
    if side:
        assert shown.value is None
        assert Fraction(shown.bound.value) == wanted
        assert shown.bound.side is (Side.ABOVE if side == ">" else Side.BELOW)
    else:
        assert Fraction(shown.value) == wanted
        assert shown.status is Status.OK


@given(number=st.decimals(-Decimal("1E12"), Decimal("1E12"), places=6))
def test_point_and_comma_say_the_same_where_the_mark_is_known(number):
    text = f"{number:f}"
    assert parse_number(text) == parse_number(text.replace(".", ","), mark="comma") == number


@given(text=st.one_of(st.text(max_size=80), NOISE))
@example("+\x85OL")
@example("-\x1cOL")
@example("\ud800")
@example("5 \x1b[31mΩ")
@example("1" * 64)
def test_hostile_text_is_a_value_or_an_input_error(text):
    """Nothing else is ever raised, and what is taken can be stored as it is."""
    shown = taken(parse_shown, text)
    if shown is None:
        return
    assert (shown.value is None) == (shown.status in VALUELESS)
    assert Stored(digits=shown.digits).digits == shown.digits
    assert len(shown.shown_unit) <= 16
    assert shown.shown_unit.isprintable()
    if shown.value is not None:
        assert abs(float(shown.value)) < 1e31


@given(
    text=st.one_of(st.text(max_size=80), NOISE), mark=st.sampled_from(["auto", "point", "comma"])
)
def test_hostile_text_is_a_number_or_an_input_error(text, mark):
    try:
        number = parse_number(text, mark=mark)
    except InputError:
        return
    assert number.is_finite()


@given(text=st.one_of(st.text(max_size=12), NOISE))
def test_hostile_text_is_a_unit_or_an_input_error(text):
    scale = taken(parse_unit, text)
    assert scale is None or -12 <= scale.exponent <= 12


@given(text=st.one_of(st.text(max_size=60), st.text("UVWKLMT0123456789+- guardeth", max_size=60)))
def test_hostile_text_is_a_test_point_or_an_input_error(text):
    point = taken(TestPoint.parse, text)
    assert point is None or TestPoint.parse(str(point)) == point


MARKS = st.sampled_from(
    [f"{p}{letter}{end}" for p in ("", "1", "2") for letter in "UVWKLM" for end in ("", "1", "2")]
    + ["N", "frame", "TP1", "TP2"]
)


@given(marks=st.lists(MARKS, min_size=2, max_size=8, unique=True), data=st.data())
def test_a_test_point_survives_being_written_and_read(marks, data):
    cuts = sorted(data.draw(st.lists(st.integers(1, len(marks)), min_size=3, max_size=3)))
    first, second = marks[: cuts[0]], marks[cuts[0] : cuts[1]]
    guard, earth = marks[cuts[1] : cuts[2]], marks[cuts[2] :]
    if not second:
        return
    point = TestPoint(tuple(first), tuple(second), tuple(guard), tuple(earth))
    assert TestPoint.parse(str(point)) == point
    assert point.swapped().swapped() == point
    assert point.swapped().pair == point.pair
    assert all(terminal(mark) == mark for mark in marks)


@given(
    st.from_regex(r"[0-9]{1,14}\.[0-9]{1,22}", fullmatch=True),
    st.sampled_from(["Ohm", "mOhm", "MΩ", "kΩ", "µs", "mH", "V", "TOhm", "E3", "Xyz", "%", "°C"]),
    st.sampled_from(["auto", "point", "comma"]),
)
def test_the_usual_form_is_read_as_any_other(digits, unit, mark):
    """What nearly all meters send takes a shorter way, to the same end."""

    def outcome(read):
        try:
            shown = read()
        except InputError:
            return "refused"
        # Equal values may have different exponents: the digits behind the point count.
        return shown, shown.value.as_tuple()

    assert outcome(lambda: parse_shown(f"{digits} {unit}", mark=mark)) == outcome(
        lambda: scale_number(digits, unit, mark=mark)
    )
