"""What people type in bad light, with gloves, or paste: taken for what it is, or one clear line."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.errors import InputError
from capture.keying import Keying, make_reading
from capture.keying.typed import as_typed, read_typed, straightened
from capture.model import parse_shown


def keyed(text, quantity="resistance", unit="mΩ"):
    keying = Keying(
        site="sawmill",
        bench="bench-1",
        instrument="ohm-1",
        quantity=quantity,
        operator="technician",
        time=datetime(2026, 1, 5, 8, tzinfo=UTC),
        unit=unit,
    )
    return make_reading(keying, text)


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("\uff18\uff14\uff12\uff0e\uff11 \uff4d\u03a9", "842.1 mΩ"),  # full width
        ("842.1\u200b mΩ", "842.1 mΩ"),  # zero width
        ("\ufeff842.1", "842.1"),
        ("842.1\u00a0mΩ", "842.1 mΩ"),
        ("842.1\tmΩ", "842.1 mΩ"),
        ("842.1 m Ω", "842.1 mΩ"),
        ("842.1m Ω", "842.1mΩ"),
        ("842.1 mΩ.", "842.1 mΩ"),
        ("842,1 mΩ;", "842,1 mΩ"),
        ("842.1;", "842.1"),
        ("\u2013842.1 mΩ", "-842.1 mΩ"),
        ("O L", "OL"),
        ("0. L", "OL"),
        ("- - -", "---"),
        ("\u2014", "---"),
        (">\u00a020 Ω", ">20 Ω"),
    ],
)
def test_what_means_the_same_is_taken_for_the_same(text, same):
    assert read_typed(text, default_unit="mΩ") == parse_shown(same, default_unit="mΩ")


@pytest.mark.parametrize(
    "text",
    [
        "842.1 mΩ",
        "842.1 MΩ",
        "842.1mohm",
        "0,842 Ω",
        "842.",
        "OL",
        "-OL",
        "O.L",
        "----",
        ">20",
        "__",
    ],
)
def test_what_is_straight_stays_as_it_is(text):
    assert straightened(text) == text


def test_the_case_of_a_letter_is_never_changed():
    """mΩ and MΩ are nine decades apart."""
    assert keyed("842.1 mΩ").value == pytest.approx(0.8421)
    assert keyed("842.1 MΩ").value == pytest.approx(842.1e6)
    assert keyed("842.1 m Ω").value == pytest.approx(0.8421)
    assert keyed("842.1 M Ω").value == pytest.approx(842.1e6)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("842.1 m", r"'842\.1 m' has a prefix without its unit; write it whole, as in mΩ$"),
        ("842.1 M", r"as in MΩ$"),
        ("4k7", r"'4k7' has a letter in its number; write it with a decimal point"),
        ("842R1", r"has a letter in its number"),
        ("842²", r"'842²' has a power of ten or a raised digit; write it as in 8\.42E-1 Ω"),
        ("8.42×10⁻¹ Ω", r"a raised digit"),
        ("8.42*10^-1", r"a raised digit"),
        ("842 ± 2", r"'842 ± 2' goes on after '842'; a value is one number with its unit"),
        ("842·1", r"goes on after '842'"),
        ("8..42", r"goes on after '8\.'"),
        ("8.4.2", r"goes on like a number after '8\.4'"),
        ("842.1 mω", r"unit 'mω', which is not known; is mΩ or MΩ meant\? Write it so"),
        ("1,234", r"could be a decimal comma or a thousands separator"),
        ("  ", r"'' is not a value"),
        ("-", r"'-' is not a value"),
        (">>20", r"is not a value; accepted forms"),
        ("842.1 qΩ", r"unit 'qΩ' is not known; accepted are"),
    ],
)
def test_what_is_odd_about_a_value_is_said_in_one_line(text, why):
    with pytest.raises(InputError, match=why) as refused:
        keyed(text)
    assert "\n" not in str(refused.value)


def test_a_unit_in_another_case_is_named_and_not_taken():
    with pytest.raises(InputError, match="is mH meant"):
        keyed("62.1 mh", "inductance", "mH")
    with pytest.raises(InputError, match="ambiguous: SI reads mega"):
        keyed("62.1 MH", "inductance", "mH")


def test_what_was_typed_is_kept_as_one_line():
    reading = keyed("\ufeff\uff18\uff14\uff12\t\uff4dΩ\u200b")
    assert reading.source.typed == "\uff18\uff14\uff12 \uff4dΩ"
    assert (reading.digits, reading.shown_unit, reading.value) == ("842", "mΩ", 0.842)


@given(st.text(max_size=30))
def test_any_text_is_put_straight_once_and_for_all(text):
    once = straightened(text)
    assert straightened(once) == once
    assert as_typed(as_typed(text)) == as_typed(text)


@given(st.text(alphabet="0123456789.,-+<>eEOLolmMkµΩHs ²×\u2014\u200b\uff11;", max_size=14))
def test_what_was_taken_before_is_taken_alike(text):
    """Putting straight takes more, and nothing for another number."""
    try:
        known = parse_shown(text, default_unit="mΩ")
    except InputError:
        known = None
    try:
        found = read_typed(text, default_unit="mΩ")
    except InputError as error:
        assert known is None
        assert "\n" not in str(error)
    else:
        assert known is None or (found.value, found.status, found.bound) == (
            known.value,
            known.status,
            known.bound,
        )
