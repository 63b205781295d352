"""Any draft that the models take: its JSON fits the committed schema and comes back the same."""

import json
from datetime import UTC, datetime
from pathlib import Path

import jsonschema
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.model import Gap, PointOfTest, Reading, ReadingDraft, Status, Tag, TestPoint
from capture.model.quantity import Quantity, unit_of
from capture.model.status import VALUELESS

FOLDER = Path(__file__).parents[2] / "schemas"


def validator(name):
    kind = jsonschema.Draft202012Validator
    document = json.loads((FOLDER / f"{name}.v1.json").read_text("utf-8"))
    return kind(document, format_checker=kind.FORMAT_CHECKER)


READING, TAG, GAP = validator("reading"), validator("tag"), validator("gap")

NAMES = st.from_regex(r"[a-z0-9]([a-z0-9-]{0,20}[a-z0-9])?", fullmatch=True)
LINES = st.text(st.characters(exclude_categories=["Cc", "Cs"]), min_size=1, max_size=200)
MACHINES = st.from_regex(r"[A-Za-z0-9]([A-Za-z0-9._/ -]{0,20}[A-Za-z0-9])?", fullmatch=True)
NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
FINITE = st.floats(0, 1e30)
DIGESTS = st.from_regex(r"[0-9a-f]{64}", fullmatch=True)
IDS = st.uuids(version=4)
TIMES = st.datetimes(datetime(1971, 1, 1), datetime(2200, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001 - bounds, the zone stands beside them
POINTS = st.sampled_from(
    ["U-V", "V-U", "U1-U2", "T4-T1", "U+V+W-frame", "U-frame guard V earth W", "K-M", "1U-1W"]
).map(lambda text: PointOfTest.of(TestPoint.parse(text)))
MAYBE = st.none()

INSTRUMENTAL = {"driver": NAMES, "driver_version": LINES, "link": LINES, "profile": MAYBE | LINES}
SOURCES = st.one_of(
    st.fixed_dictionaries({"kind": st.just("streamed"), **INSTRUMENTAL}),
    st.fixed_dictionaries({"kind": st.just("polled"), "query": LINES, **INSTRUMENTAL}),
    st.fixed_dictionaries(
        {
            "kind": st.just("keyed"),
            "operator": LINES,
            "typed": LINES,
            "times": st.sampled_from([1, 2]),
            "second_operator": MAYBE | LINES,
        }
    ),
    st.fixed_dictionaries(
        {"kind": st.just("photo"), "operator": LINES, "photo": DIGESTS, "proposed": LINES}
    ),
    st.fixed_dictionaries(
        {"kind": st.just("imported"), "operator": LINES, "origin": LINES, "file": MAYBE | DIGESTS}
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("computed"),
            "formula": LINES,
            "inputs": st.lists(IDS, max_size=3),
            "constants": st.dictionaries(st.text(max_size=8), NUMBERS, max_size=3),
        }
    ),
)
CONDITIONS = st.dictionaries(
    st.from_regex(r"[a-z][a-z0-9_-]{0,20}", fullmatch=True),
    st.one_of(
        LINES,
        st.booleans(),
        st.fixed_dictionaries({"value": NUMBERS, "unit": st.sampled_from(["V", "Hz", "Cel"])}),
    ),
    max_size=4,
)


@st.composite
def members_of_a_draft(draw):
    quantity = draw(st.sampled_from([*Quantity, "x_mine"]))
    status = draw(st.sampled_from(Status))
    value = None if status in VALUELESS else draw(NUMBERS)
    bound = st.fixed_dictionaries({"side": st.sampled_from(["above", "below"]), "value": NUMBERS})
    return {
        "id": draw(IDS),
        "site": draw(NAMES),
        "bench": draw(NAMES),
        "instrument": draw(NAMES),
        "session": draw(MAYBE | IDS),
        "time": draw(TIMES),
        "clock_synchronised": draw(st.none() | st.booleans()),
        "instrument_time": draw(MAYBE | LINES),
        "quantity": quantity,
        "unit": unit_of(quantity) or draw(st.sampled_from(["Ohm", "1", "%"])),
        "value": value,
        "digits": draw(LINES),
        "shown_unit": draw(st.text(max_size=16)),
        "status": status,
        "bound": draw(MAYBE | bound) if status in VALUELESS else None,
        "uncertainty": draw(
            MAYBE
            | st.fixed_dictionaries(
                {"standard": FINITE, "coverage_factor": st.floats(0.5, 3), "basis": LINES}
            )
        ),
        "source": draw(SOURCES),
        "conditions": draw(CONDITIONS),
        "series": draw(MAYBE | st.fixed_dictionaries({"id": IDS, "elapsed": FINITE})),
        "group": draw(MAYBE | IDS),
        "record": draw(MAYBE | LINES),
        "tag": draw(
            MAYBE
            | st.fixed_dictionaries(
                {
                    "machine": MACHINES,
                    "test_point": MAYBE | POINTS,
                    "note": MAYBE | LINES,
                    "job": MAYBE | IDS,
                    "step": MAYBE | LINES,
                }
            )
        ),
        "evidence": draw(
            st.lists(
                st.fixed_dictionaries(
                    {"kind": st.sampled_from(["photo", "trace", "file"]), "sha256": DIGESTS}
                ),
                max_size=2,
            )
        ),
        "raw": draw(
            MAYBE
            | st.fixed_dictionaries(
                {"encoding": st.sampled_from(["ascii", "base64"]), "data": st.text(max_size=40)}
            )
        ),
    }


@settings(max_examples=150)
@given(members=members_of_a_draft(), sequence=st.integers(1, 2**53))
def test_any_valid_draft_fits_the_schema_and_comes_back_the_same(members, sequence):
    draft = ReadingDraft.model_validate(members)
    reading = Reading.model_validate(draft.model_dump() | {"sequence": sequence})
    text = reading.model_dump_json()
    assert list(READING.iter_errors(json.loads(text))) == []
    assert Reading.model_validate_json(text) == reading
    assert Reading.model_validate_json(text).model_dump_json() == text


@given(
    members=st.fixed_dictionaries(
        {
            "id": IDS,
            "site": NAMES,
            "bench": NAMES,
            "instrument": NAMES,
            "reading": IDS,
            "time": TIMES,
            "operator": LINES,
            "machine": MACHINES,
            "test_point": MAYBE | POINTS,
            "note": MAYBE | LINES,
            "supersedes": MAYBE | IDS,
        }
    )
)
def test_any_valid_tag_fits_the_schema_and_comes_back_the_same(members):
    tag = Tag.model_validate(members)
    text = tag.model_dump_json()
    assert list(TAG.iter_errors(json.loads(text))) == []
    assert Tag.model_validate_json(text) == tag


@given(
    members=st.fixed_dictionaries(
        {
            "id": IDS,
            "site": NAMES,
            "bench": NAMES,
            "instrument": NAMES,
            "begin": TIMES,
            "end": TIMES,
            "reason": LINES,
        }
    )
)
def test_any_valid_gap_fits_the_schema_and_comes_back_the_same(members):
    gap = Gap.model_validate(members)
    text = gap.model_dump_json()
    assert list(GAP.iter_errors(json.loads(text))) == []
    assert Gap.model_validate_json(text) == gap
