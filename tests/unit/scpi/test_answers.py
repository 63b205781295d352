"""Reading SCPI answers: fields, numbers, blocks, formats."""

import math
import struct
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.driver import Status
from drivers.scpi.answers import (
    BlockFormat,
    read_block,
    read_format,
    read_number,
    read_setting,
    split_fields,
)
from drivers.scpi.conversation import Misfit


def is_shown(value: float) -> bool:
    """Tell whether a bench meter shows such a number; 1E-40 is refused as nonsense."""
    return value == 0 or abs(value) > 1e-30


def definite_block(payload: bytes) -> bytes:
    """Write a definite-length block by IEEE 488.2 §8.7.9 (clause from memory)."""
    length = str(len(payload)).encode()
    return b"#" + str(len(length)).encode() + length + payload


def test_fields_are_cut_at_commas_outside_quotes():
    assert split_fields('1, "a,b" ,2') == ["1", '"a,b"', "2"]


@pytest.mark.parametrize(
    ("text", "value"),
    # Forms NR1, NR2 and NR3 of IEEE 488.2 §8.7 (clause from memory).
    [("+12", "12"), ("-1.25", "-1.25"), ("+1.2500E-09", "1.25E-9"), (".5", "0.5"), ("5.e0", "5")],
)
def test_every_form_of_number_is_read_exactly(text, value):
    assert read_number(text, "Ohm").value == Decimal(value)


@pytest.mark.parametrize("text", ["", "1,2", "12 Ohm", "#H1F", "nan", "1e", "--1", "1_0", "0x10"])
def test_what_is_no_number_does_not_fit(text):
    with pytest.raises(Misfit, match="units and words in an answer are read by ascii-meter"):
        read_number(text, "Ohm")


@pytest.mark.parametrize(
    ("answer", "border", "expected"),
    [
        ("ASC", "NORM", None),
        ("ASCII,6", "NORM", None),
        ("REAL,32", "NORM", BlockFormat("REAL", 32)),
        ("REAL,64", "SWAP", BlockFormat("REAL", 64, swapped=True)),
        ("real,64", "SWAPped", BlockFormat("REAL", 64, swapped=True)),
        ("REAL", "NORM", BlockFormat("REAL", 64)),
        ("INT,16", "NORM", BlockFormat("INT", 16)),
        ("INTEGER,32", "NORM", BlockFormat("INT", 32)),
    ],
)
def test_data_formats_are_understood(answer, border, expected):
    assert read_format(answer, border) == expected


@pytest.mark.parametrize("answer", ["HEX", "REAL,16", "INT,12", "PACK,8", "", "42"])
def test_a_format_that_is_not_handled_is_refused(answer):
    with pytest.raises(Misfit):
        read_format(answer, "NORM")


@given(
    st.lists(
        st.floats(width=32, min_value=-(2.0**60), max_value=2.0**60).filter(is_shown),
        min_size=1,
        max_size=40,
    )
)
def test_single_precision_blocks_give_the_numbers_that_went_in(numbers):
    for swapped, order in ((False, ">"), (True, "<")):
        block = definite_block(struct.pack(f"{order}{len(numbers)}f", *numbers))
        shown = read_block(block, BlockFormat("REAL", 32, swapped), "Ohm")
        back = [struct.unpack("f", struct.pack("f", float(each.value)))[0] for each in shown]
        assert back == numbers


@given(
    st.lists(
        st.floats(min_value=-1e20, max_value=1e20).filter(is_shown),
        min_size=1,
        max_size=40,
    )
)
def test_double_precision_blocks_give_the_numbers_that_went_in(numbers):
    block = definite_block(struct.pack(f">{len(numbers)}d", *numbers))
    shown = read_block(block, BlockFormat("REAL", 64), "Ohm")
    assert [float(each.value) for each in shown] == numbers


@pytest.mark.parametrize(("bits", "letter"), [(8, "b"), (16, "h"), (32, "i"), (64, "q")])
def test_integer_blocks_are_twos_complement(bits, letter):
    block = definite_block(struct.pack(f">2{letter}", -3, 7))
    shown = read_block(block, BlockFormat("INT", bits), "V")
    assert [each.value for each in shown] == [Decimal(-3), Decimal(7)]


def test_special_numbers_in_blocks_are_statuses():
    payload = struct.pack(">4d", 9.9e37, -9.9e37, math.nan, math.inf)
    shown = read_block(definite_block(payload), BlockFormat("REAL", 64), "Ohm")
    assert [each.status for each in shown] == [
        Status.ABOVE_RANGE,
        Status.BELOW_RANGE,
        Status.INVALID,
        Status.ABOVE_RANGE,
    ]
    assert all(each.value is None for each in shown)


def test_single_precision_sentinels_are_statuses():
    """9.9E37 and 9.91E37 keep their meaning after rounding to single precision."""
    payload = struct.pack(">3f", 9.9e37, -9.9e37, 9.91e37)
    shown = read_block(definite_block(payload), BlockFormat("REAL", 32), "Ohm")
    assert [each.status for each in shown] == [
        Status.ABOVE_RANGE,
        Status.BELOW_RANGE,
        Status.INVALID,
    ]


@pytest.mark.parametrize("payload", [b"", b"123", b"\0" * 9])
def test_a_block_of_no_whole_values_does_not_fit(payload):
    with pytest.raises(Misfit):
        read_block(definite_block(payload), BlockFormat("REAL", 64), "Ohm")


@pytest.mark.parametrize("announced", [b"#14", b"#212", b"#18", b"#1x", b"#2 8"])
def test_a_block_of_another_length_than_it_announces_does_not_fit(announced):
    """A message that ends early holds the first of its values: not what the instrument said."""
    payload = b"" if announced == b"#18" else b"\0" * 8
    with pytest.raises(Misfit):
        read_block(announced + payload, BlockFormat("REAL", 32), "Ohm")


def test_settings_are_numbers_with_units_or_words():
    assert read_setting("+1.0E+03", "kHz") == (Decimal("1.0E6"), "Hz")
    assert read_setting('"LSQ"', "") == "LSQ"
    with pytest.raises(Misfit):
        read_setting("9.9E37", "Hz")
