"""What stands beside an inductance: named, or refused with what it may be called."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.errors import InputError
from capture.model.loss import LOSSES, LossAsTyped, name_of, parse_loss, split_loss
from capture.model.shown import parse_shown


@pytest.mark.parametrize(
    ("typed", "shown_as", "found"),
    [
        ("Q 13.4", "", ("quality_factor", "13.4", "1", None)),
        ("q13,4", "", ("quality_factor", "13,4", "1", None)),
        ("Q = 13.4", "", ("quality_factor", "13.4", "1", None)),
        ("D=0.0746", "", ("dissipation_factor", "0.0746", "1", None)),
        ("Rs 831 mΩ", "", ("resistance", "831 mΩ", "", "series")),
        ("R_s: 831 mΩ", "", ("resistance", "831 mΩ", "", "series")),
        ("RP 4.7 kΩ", "", ("resistance", "4.7 kΩ", "", "parallel")),
        ("θ 85.7°", "", ("phase_angle", "85.7°", "deg", None)),
        ("theta 85.7", "", ("phase_angle", "85.7", "deg", None)),
        ("85.7°", "", ("phase_angle", "85.7°", "deg", None)),
        ("13.4", "Q", ("quality_factor", "13.4", "1", None)),
        ("831", "Rs mΩ", ("resistance", "831", "mΩ", "series")),
        ("0.831 Ω", "Rs mΩ", ("resistance", "0.831 Ω", "mΩ", "series")),
        ("85.7", "θ", ("phase_angle", "85.7", "deg", None)),
        ("Q OL", "", ("quality_factor", "OL", "1", None)),
    ],
)
def test_a_loss_is_known_by_its_name(typed, shown_as, found):
    assert parse_loss(typed, shown_as) == LossAsTyped(*found)


@pytest.mark.parametrize(
    ("typed", "shown_as", "why"),
    [
        ("13.4", "", "does not say which loss it is"),
        ("831 Ω", "", "does not say which loss it is"),
        ("dog", "", "does not say which loss it is"),
        ("Q", "", "a loss without a number"),
        ("D 0.07", "Q", "'D 0.07' is a D, and what stands beside is said to be Q"),
        ("85.7°", "Q", "is a θ"),
        ("13.4", "X", "'X' is no name of a loss; known are Q, D, Rs, Rp, θ"),
        ("13.4", "Q mΩ", "no name of a loss with its unit"),
    ],
)
def test_a_loss_that_may_be_several_things_is_refused(typed, shown_as, why):
    with pytest.raises(InputError, match=why):
        parse_loss(typed, shown_as)


@pytest.mark.parametrize(
    ("text", "value", "loss"),
    [
        ("62.1 mH Q 13.4", "62.1 mH", "Q 13.4"),
        ("62.1mH Rs 831 mΩ", "62.1mH", "Rs 831 mΩ"),
        ("62,1 mH, D0,07", "62,1 mH", "D0,07"),
        ("62.1 mH | θ 85.7°", "62.1 mH", "θ 85.7°"),
        ("OL Q 3", "OL", "Q 3"),
        ("62.1 mH", "62.1 mH", None),
        ("87.42 µs", "87.42 µs", None),
        ("20 deg", "20 deg", None),
    ],
)
def test_a_value_is_parted_from_the_loss_behind_it(text, value, loss):
    assert split_loss(text) == (value, loss)


def test_a_stored_loss_has_its_name_again():
    assert sorted(LOSSES) == ["dissipation_factor", "phase_angle", "quality_factor", "resistance"]
    assert name_of("quality_factor", None) == "Q"
    assert name_of("resistance", "parallel") == "Rp"
    assert name_of("resistance", None) is None
    assert name_of("inductance", "series") is None


@given(st.text(max_size=40), st.sampled_from(["", "Q", "D", "Rs mΩ", "Rp kΩ", "θ"]))
def test_any_text_is_a_loss_or_is_refused_in_one_line(text, shown_as):
    try:
        found = parse_loss(text, shown_as)
    except InputError as error:
        assert "\n" not in str(error)
    else:
        assert found.typed in text
        assert found.quantity in LOSSES


@given(
    henries=st.sampled_from(["62.1 mH", "0,0621 H", "OL", ">20 H", "621 µH"]),
    between=st.sampled_from([" ", ", ", "  ", " | "]),
    loss=st.sampled_from(["Q 13.4", "q13", "D 0,07", "Rs 831 mΩ", "R_p 4.7 kΩ", "θ 85.7°"]),
)
def test_whatever_is_put_together_is_parted_again(henries, between, loss):
    value, behind = split_loss(f"{henries}{between}{loss}")
    assert (value, behind) == (henries, loss)
    parse_shown(value)
    named = parse_loss(behind)
    parse_shown(named.typed, default_unit=named.unit)
