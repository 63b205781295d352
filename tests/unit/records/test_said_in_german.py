"""Whatever a record's remarks may say has its German: the list is read off the code that says it."""

import re
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from capture.errors import InputError
from capture.judging import assess
from capture.model import new_id
from capture.model.quantity import Quantity
from capture.model.testset import TestSet
from capture.records.sheet import sheet
from capture.records.texts import catalogue

sys.path.insert(0, str(Path(__file__).parent))  # helpers are shared by these tests

from said_in_code import FILLED, said

#: What a record does not draw: only its JSON says it, in English.
_SENTENCE = (
    "Nothing can be said yet: X7.",
    "The readings do not fit together: X7.",
    "the readings do not fit together: X7",  # beside the verdict in lists, which no record draws
    "X7 still to be done",
    "X7 taken, without a result",
    "no step gave a verdict that binds",
    "not run: X7",
    "without a result: X7",
)
_REASONS_OF_VERDICTS = (
    "X7 if X7",
    "X7 if form-wound, X7 if random-wound: X7",
    "X7 if its phases were alike, and those of a concentric winding may differ by construction",
    "concentric does not say which",
    "no limit for X7",
    "say which it is",
    "the X7 of X7",
    "the limit is written for the whole winding, which reads less than a part",
    "the rule X7 needs an uncertainty",
    "the source of the limit (X7) is not adopted by the site",
)
_CAUSES_OF_A_DIFFERENCE_BETWEEN_DIRECTIONS = (
    "a bad contact in one of the two touches",
    "capacitance or leakage to earth at one end",
    "remanence, or a magnet rotor",
    "the leads were not swapped, or not fully",
)
#: Parts that are put into texts which stand here too; with a value in their gaps they are none.
_PARTS = (
    " at X7",
    " is likeliest, but X7 fits nearly as well",
    ", on one fixed range",
    "; the short ratio stands instead",
    "X7 is held against the limits of X7, and stays undecided",
    "X7 of X7",
    "X7, or X7",
    "X7X7: cannot tell (X7)",
    "as stated by the X7",
    "by pulse, ",
    "concentric does not say how coils are made: X7 between them",
    "insulation resistanceX7, at 40 °C",
    "nobody said whether the rotor is in: X7",
    "stated by",
    "the X7X7X7",
    "the formula",
    "the kind of winding is not known: X7 between them; X7",
    "the rotor",
    "the three pairs differ in steps",
    (
        "with {} in, pulse times depend on where it stands, and one position cannot tell rotor "
        "from winding: end the pulses and discharge the winding, then turn the shaft and compare "
        "again, or take the rotor out"
    ),
)
_CONSTANTS = ("random-wound or < 1 kV",)  # of a result, beside its formula
_VERDICTS = ("information only", "not applicable")  # `[verdicts]` has them
_DESCRIBED = ("Its id; empty where it has none.", "Its name among the conditions.")
_ELSEWHERE = frozenset(
    {
        *_SENTENCE,
        *_REASONS_OF_VERDICTS,
        *_CAUSES_OF_A_DIFFERENCE_BETWEEN_DIRECTIONS,
        *_PARTS,
        *_CONSTANTS,
        *_VERDICTS,
        *_DESCRIBED,
    }
)
#: Said where a configuration is read: of a limit that cannot be, no job is ever judged.
_NOT_IN_JOBS = frozenset({"winding/limits.py"})

#: Words of English that no German text has.
_ENGLISH = frozenset(
    re.findall(
        "[a-z]+",
        """
    above and are at be below but by cannot does each end ends fails fits from give given gives has
    have if is it its look missing needed needs no nobody not of only or other others out read
    reading readings reads says take taken than that the this three to two used were where which
    with without winding windings
        """,
    )
)

_ID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")

QUANTITIES = ("resistance", "inductance", "insulation_resistance", "pulse_time")


def english_in(text):
    words = re.findall(r"[A-Za-z]+", _ID.sub("", text))
    return sorted(set(words) & _ENGLISH)


def in_german(text):
    """Give a remark as a German record draws it; fails where a word of it is English still."""
    german = catalogue("de").remark(text)
    assert not english_in(german), f"{text!r} is {german!r} in German: add it to texts/de.toml"
    return german


def remarks():
    return [each for each in said() if each.where not in _NOT_IN_JOBS or not each.error]


@pytest.mark.parametrize("text", sorted({each.text for each in remarks()} - _ELSEWHERE))
def test_whatever_judging_may_remark_has_its_german(text):
    in_german(text)


@pytest.mark.parametrize("text", sorted({each.text for each in remarks() if each.error}))
def test_why_a_quantity_came_to_no_result_has_its_german(text):
    for quantity in QUANTITIES:
        german = in_german(f"{quantity}: {text}")
        assert quantity not in german


def test_what_is_excepted_is_said_by_the_code_still():
    """An exception that nothing needs any more would cover the next text that happens to be so."""
    texts = {each.text for each in said()}
    assert _ELSEWHERE - texts == set()
    assert len(texts) > 150


def test_the_list_finds_what_is_said_in_every_way_that_the_code_has():
    found = {(each.where, each.text) for each in said()}
    for where, text in (
        ("judging/gather.py", "reading X7 is out of range; take it on another range"),  # raised
        ("judging/gather.py", "X7 readings of X7 are not judged"),  # a note
        ("winding/impedance.py", "the loss is missing: the resistance, Q, D or phase angle beside"),
        ("winding/absorption.py", "the 1 min value at 40 °C is above 5 GΩ"),  # a part
        ("jobs/taken.py", "reading X7 of step X7 is not in the journal"),
    ):
        assert any(at == where and words.startswith(text) for at, words in found), text


def test_a_word_of_english_is_found():
    assert english_in("Ablesung X7 is missing") == ["is", "missing"]
    with pytest.raises(AssertionError, match=re.escape("texts/de.toml")):
        in_german("the moon is full")


def test_a_persons_words_are_read_by_no_pattern_of_remarks():
    """A caution of a procedure that a site wrote: it stays as it was written."""
    words = "The fan is hot: wait"
    assert catalogue("de").say(words) == words


def test_every_quantity_has_a_name_in_every_language():
    for language in ("de", "en"):
        text = catalogue(language)
        assert [each for each in Quantity if not text.has("quantities", each)] == []


def test_a_reading_in_a_remark_goes_by_its_number_in_both_languages(done):
    """No id of 36 characters in a sentence that somebody is to read."""
    reading = done.record.readings[0]
    remark = f"reading {reading.id} is invalid: not used"
    record = done.record.model_copy(update={"remarks": (remark,)})
    for language, begins in (("en", "No. 1 is"), ("de", "Nr. 1 ist")):
        (said_of_it,) = sheet(record, catalogue(language))["remarks"]
        assert said_of_it.startswith(begins)


PAIRS = ("U-V", "V-W", "W-U")
_VALUE = {"resistance": 0.8, "inductance": 0.06, "insulation_resistance": 5e8, "pulse_time": 9e-5}
_UNIT = {"resistance": "Ohm", "inductance": "H", "insulation_resistance": "Ohm", "pulse_time": "s"}


@st.composite
def sets(draw):
    """Make readings as they come, of which some do not fit."""
    readings = []
    for quantity in draw(st.lists(st.sampled_from(QUANTITIES), min_size=1, max_size=2)):
        for pair in draw(
            st.lists(st.sampled_from((*PAIRS, "V-U", "K-L", "U1-V1")), min_size=1, max_size=7)
        ):
            at = "U+V+W-frame" if quantity == "insulation_resistance" else pair
            factor = draw(st.sampled_from((1.0, 1.01, 1.3, 2.0, -1.0, 1e4, 0.0)))
            given = {"value": _VALUE[quantity] * factor, "status": "ok"}
            if draw(st.integers(0, 9)) == 0:
                given = {"value": None, "status": draw(st.sampled_from(("above-range", "invalid")))}
            conditions = {}
            if quantity == "inductance" and draw(st.integers(0, 9)):
                hertz = draw(st.sampled_from((1000.0, 1000.0, 120.0)))
                conditions["frequency"] = {"value": hertz, "unit": "Hz"}
            if quantity == "pulse_time":
                conditions["law"] = draw(st.sampled_from(("period", "period", "rise")))
            readings.append(
                {
                    "id": str(new_id()),
                    "quantity": quantity,
                    "unit": _UNIT[quantity],
                    "test_point": at,
                    "conditions": conditions,
                    "elapsed": draw(st.sampled_from((None, 15.0, 60.0, 600.0)))
                    if quantity == "insulation_resistance"
                    else None,
                    **given,
                }
            )
    kinds = ("random", "form", "concentric", "field", "dc-armature", "unknown")
    return {
        "schema_version": 1,
        "machine": {
            "id": "fan-07",
            "connection": draw(st.sampled_from(("star", "delta", "unknown"))),
            "winding": draw(st.sampled_from(kinds)),
            "rated_volts": draw(st.sampled_from((None, 400.0, 6600.0))),
            "year": 2004,
            "zero_resistance_celsius": draw(st.sampled_from((None, 235.0))),
        },
        "conditions": {
            "rotor": draw(st.sampled_from(("in", "out", "unknown"))),
            "winding_celsius": draw(st.sampled_from((None, 21.0, 240.0))),
            "reference_celsius": 25.0,
        },
        "readings": readings,
    }


@settings(max_examples=100, suppress_health_check=[HealthCheck.too_slow])
@given(made=sets())
def test_what_is_remarked_of_any_set_is_all_german(made):
    given_set = TestSet.model_validate(made)
    try:
        remarked = assess(given_set).notes
    except InputError as error:
        remarked = [f"resistance: {error}", str(error)]
    for each in remarked:
        assert FILLED not in in_german(each)
