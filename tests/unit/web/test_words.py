"""How pages write what is known: ratings, limits that are passed, where a value came from."""

import pytest

from capture.jobs.procedure import built_in, load_procedure
from capture.jobs.view import point_view
from capture.model.machine import Nameplate
from capture.model.quantity import unit_of
from capture.model.units import parse_unit
from capture.web.words import UNITS, beyond, came, plain, plate, readable, terminals


def test_a_nameplate_on_one_line_says_what_judging_needs():
    told = plate(
        {
            "rated_volts": 400.0,
            "rated_watts": 15000.0,
            "rated_amperes": 28.5,
            "poles": 4,
            "connection": "star",
            "winding": "random",
            "conductor": "copper",
            "thermal_class": 155,
            "year": 2004,
        }
    )
    assert told == "400 V, 15 kW, 28.5 A, 4 poles, star, random-wound, copper, class 155, 2004"


@pytest.mark.parametrize(
    ("watts", "told"), [(750.0, "750 W"), (1_250_000.0, "1250 kW"), (1234.5, "1.2345 kW")]
)
def test_a_rating_keeps_its_digits(watts, told):
    assert plate({"rated_watts": watts}) == told


def test_a_kind_of_winding_and_free_ends_are_written_as_people_say_them():
    """Open alone on a plate reads as a finding."""
    plated = {"connection": "open", "winding": "dc-armature"}
    assert plate(plated) == "open ends, DC armature"


def test_what_is_not_known_is_left_out():
    assert plate(Nameplate().model_dump(exclude_none=True)) == ""


@pytest.mark.parametrize(
    ("value", "typed"), [(None, ""), (15000.0, "15000"), (22.5, "22.5"), (4, "4")]
)
def test_a_held_number_stands_in_its_field_as_a_person_would_type_it(value, typed):
    assert plain(value) == typed


@pytest.mark.parametrize(
    ("side", "value", "passed"),
    [("upper", 18.8, True), ("upper", 7.6, False), ("lower", 1.1, True), ("lower", 18.8, False)],
)
def test_a_value_beyond_its_limit_is_known_whatever_the_limit_is_worth(side, value, passed):
    judged = {"limit": 10.0 if side == "upper" else 1.25, "side": side}
    assert beyond({"value": value, "judgement": judged}) is passed


def test_without_value_or_limit_nothing_is_beyond():
    assert not beyond({"value": 18.8})
    assert not beyond({"value": None, "judgement": {"limit": 10.0, "side": "upper"}})


def test_a_value_off_a_photo_does_not_pass_for_one_that_an_instrument_sent():
    value = {"source": "photo", "operator": "mate", "instrument": "pulse-tester"}
    assert came(value) == "off a photo, confirmed by mate"
    assert came({"source": "polled", "instrument": "ohm-1"}) == "from ohm-1"


@pytest.mark.parametrize(
    ("point", "drawn"),
    [
        ("U-V", "U V W"),
        ("U+V+W-frame", "U V W frame"),
        ("U-frame guard V earth W", "U V W frame"),
        ("U1-V1", "U1 V1 W1"),
        ("U1-U2", "U1 V1 W1 U2 V2 W2"),
        ("K-L", "K L M"),
        ("K+L+M-frame", "K L M frame"),
        ("A1-A2", "A1 A2"),
        ("2U-2V", "2U 2V"),
        ("R1-frame", "R1 frame"),
    ],
)
def test_every_terminal_with_a_lead_on_it_is_drawn(point, drawn):
    """Up to now U, V and W were drawn for all others as well, with no lead on them."""
    assert terminals({"points": [point_view(point)]}) == drawn.split()


def test_a_single_phase_machine_is_drawn_without_the_ends_of_two_phases_more():
    steps = [{"points": [point_view(point)]} for point in ("U1-U2", "Z1-Z2", "U1+U2+Z1+Z2-frame")]
    drawn = [terminals(step, steps) for step in steps]
    assert drawn == [["U1", "U2"], ["Z1", "Z2"], ["U1", "U2", "Z1", "Z2", "frame"]]


@pytest.mark.parametrize("name", built_in())
def test_every_value_of_a_built_in_procedure_can_be_keyed_with_its_unit(name):
    """A capacitor's could not: its list of units was empty, and 30.2 alone is no value."""
    for step in load_procedure(name).steps:
        assert all(parse_unit(unit).unit == unit_of(step.quantity) for unit in UNITS[step.quantity])


def test_a_plain_number_is_read_without_its_unit():
    keyed = {"source": "keyed", "digits": "13.2", "shown_unit": "1", "unit": "1", "value": 13.2}
    assert readable(keyed) == "13.2"
    assert readable({**keyed, "shown_unit": ""}) == "13.2"
