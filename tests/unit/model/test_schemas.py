"""The JSON of the models against the committed schemas, judged by the jsonschema library."""

import hashlib
import json
import re
from pathlib import Path

import jsonschema
import pytest
from pydantic import TypeAdapter, ValidationError

from capture.driver.profile.schema import profile_documents
from capture.faults import key_path
from capture.jobs.schema import procedure_documents
from capture.model import Gap, Reading, Tag, schemas
from capture.model.comparison import Comparison
from capture.model.job import Event, JobEntry
from capture.model.machine import MachineEntry
from capture.model.photo import PhotoProposals
from capture.model.record import Record, hash_of
from capture.model.result import ResultRecord
from capture.model.trend import MachineTrends

FOLDER = Path(__file__).parents[3] / "schemas"
MODELS = {
    "reading": Reading,
    "tag": Tag,
    "gap": Gap,
    "machine": MachineEntry,
    "job": JobEntry,
    "result": ResultRecord,
    "record": Record,
    "trend": MachineTrends,
    "comparison": Comparison,
    "photo-proposals": PhotoProposals,
}

# Each broken example: where the schema finds the fault and by which keyword, and where the model
# finds it. None on the left: the schema cannot know it. None on the right: the model, which also
# takes what a person wrote, reads it all the same (a number in quotes, a constant left out).
INVALID = {
    "reading/without-id": (("", "required"), "id"),
    "reading/without-sequence": (("", "required"), "sequence"),
    "reading/without-source": (("", "required"), "source"),
    "reading/without-value": (("", "required"), "value"),
    "reading/without-schema-version": (("", "required"), None),
    "reading/other-schema-version": (("schema_version", "const"), "schema_version"),
    "reading/id-no-uuid": (("id", "format"), "id"),
    "reading/time-without-zone": (("time", "format"), "time"),
    "reading/sequence-zero": (("sequence", "minimum"), "sequence"),
    "reading/sequence-text": (("sequence", "type"), None),
    "reading/value-text": (("value", "type"), None),
    "reading/ok-without-value": (("value", "type"), ""),
    "reading/above-range-with-value": (("value", "type"), ""),
    "reading/invalid-with-value": (("value", "type"), ""),
    "reading/ok-with-bound": (("", "not"), ""),
    "reading/bound-on-no-side": (("bound.side", "enum"), "bound.side"),
    "reading/unknown-status": (("status", "enum"), "status"),
    "reading/misspelt-quantity": (("quantity", "pattern"), "quantity"),
    "reading/unit-not-ucum": (("unit", "enum"), "unit"),
    "reading/instrument-with-slash": (("instrument", "pattern"), "instrument"),
    "reading/site-in-capitals": (("site", "pattern"), "site"),
    "reading/digits-with-escape": (("digits", "pattern"), "digits"),
    "reading/digits-empty": (("digits", "minLength"), "digits"),
    "reading/unknown-source-kind": (("source.kind", "const"), "source"),
    "reading/source-without-kind": (("source", "required"), "source"),
    "reading/polled-without-query": (("source", "required"), "source.polled.query"),
    "reading/keyed-without-operator": (("source", "required"), "source.keyed.operator"),
    "reading/keyed-three-times": (("source.times", "enum"), "source.keyed.times"),
    "reading/photo-digest-short": (("source.photo", "pattern"), "source.photo.photo"),
    "reading/condition-number-without-unit": (
        ("conditions.test_voltage", "type"),
        "conditions.test_voltage",
    ),
    "reading/uncertainty-negative": (("uncertainty.standard", "minimum"), "uncertainty.standard"),
    "reading/series-before-its-start": (("series.elapsed", "minimum"), "series.elapsed"),
    "reading/tag-without-machine": (("tag", "required"), "tag.machine"),
    "reading/test-point-with-empty-lead": (
        ("tag.test_point.first", "minItems"),
        "tag.test_point.first",
    ),
    "reading/raw-in-unknown-encoding": (("raw.encoding", "enum"), "raw.encoding"),
    "reading/model-only-quantity-in-another-unit": (None, ""),
    "reading/model-only-direction-contradicts-leads": (None, "tag.test_point"),
    "reading/model-only-terminal-twice": (None, "tag.test_point"),
    "reading/model-only-alias-stored": (None, "tag.test_point"),
    "tag/without-reading": (("", "required"), "reading"),
    "tag/without-operator": (("", "required"), "operator"),
    "tag/without-schema-version": (("", "required"), None),
    "tag/machine-with-line-end": (("machine", "pattern"), "machine"),
    "tag/machine-empty": (("machine", "pattern"), "machine"),
    "tag/time-no-time": (("time", "format"), "time"),
    "tag/supersedes-no-uuid": (("supersedes", "format"), "supersedes"),
    "tag/note-with-escape": (("note", "pattern"), "note"),
    "tag/model-only-pair-missing": (None, "test_point"),
    "gap/without-end": (("", "required"), "end"),
    "gap/without-reason": (("", "required"), "reason"),
    "gap/reason-empty": (("reason", "minLength"), "reason"),
    "gap/begin-without-zone": (("begin", "format"), "begin"),
    "gap/bench-with-space": (("bench", "pattern"), "bench"),
    "gap/other-schema-version": (("schema_version", "const"), "schema_version"),
    "machine/without-machine": (("", "required"), "machine"),
    "machine/without-nameplate": (("", "required"), "nameplate"),
    "machine/without-schema-version": (("", "required"), None),
    "machine/poles-odd": (("nameplate.poles", "multipleOf"), "nameplate.poles"),
    "machine/volts-zero": (("nameplate.rated_volts", "exclusiveMinimum"), "nameplate.rated_volts"),
    "machine/unknown-connection": (("nameplate.connection", "enum"), "nameplate.connection"),
    "machine/name-with-line-end": (("machine", "pattern"), "machine"),
    "job/without-operator": (("", "required"), "operator"),
    "job/without-event": (("", "required"), "event"),
    "job/without-schema-version": (("", "required"), None),
    "job/job-no-uuid": (("job", "format"), "job"),
    "job/unknown-action": (("event.action", "const"), "event"),
    "job/skipped-without-reason": (("event", "required"), "event.skipped.reason"),
    "job/taken-without-readings": (("event.readings", "minItems"), "event.taken.readings"),
    "job/overridden-unknown-lock": (("event.lock", "enum"), "event.overridden.lock"),
    "result/without-value": (("", "required"), "value"),
    "result/unit-as-shown": (("unit", "enum"), "unit"),
    "result/unknown-verdict": (("judgement.verdict", "enum"), "judgement.verdict"),
    "result/job-no-uuid": (("job", "format"), "job"),
    "record/without-journal": (("", "required"), "journal"),
    "record/hash-short": (("sha256", "pattern"), "sha256"),
    "record/version-zero": (("version", "minimum"), "version"),
    "record/unknown-state": (("state", "enum"), "state"),
    "record/unknown-verdict": (("verdict", "enum"), "verdict"),
    "record/reading-without-origin": (("readings[0]", "required"), "readings[0].source"),
    "record/reading-of-no-standing": (("readings[0].standing", "enum"), "readings[0].standing"),
    "record/calibration-no-day": (
        ("instruments[0].calibration_due", "format"),
        "instruments[0].calibration_due",
    ),
    "trend/without-machine": (("", "required"), "machine"),
    "trend/unknown-scale": (("trends[0].scale", "enum"), "trends[0].scale"),
    "trend/slope-with-negative-uncertainty": (
        ("trends[0].slope.expanded", "minimum"),
        "trends[0].slope.expanded",
    ),
    "comparison/without-second-job": (("", "required"), "second"),
    "comparison/unknown-finding": (("values[0].finding", "enum"), "values[0].finding"),
    "photo-proposals/photo-digest-short": (("photo", "pattern"), "photo"),
    "photo-proposals/confidence-above-one": (
        ("proposals[0].confidence", "maximum"),
        "proposals[0].confidence",
    ),
    "photo-proposals/unknown-doubt": (
        ("proposals[0].doubts[0].kind", "enum"),
        "proposals[0].doubts[0].kind",
    ),
    "photo-proposals/crop-without-width": (
        ("proposals[0].crop", "required"),
        "proposals[0].crop.width",
    ),
}


def committed(name):
    return json.loads((FOLDER / f"{name}.v1.json").read_text("utf-8"))


def validator(name):
    kind = jsonschema.Draft202012Validator
    return kind(committed(name), format_checker=kind.FORMAT_CHECKER)


def examples(word):
    found = sorted(FOLDER.glob(f"examples/*/{word}/*.json"))
    return {f"{path.parent.parent.name}/{path.stem}": path for path in found}


def deepest(errors):
    """List every fault, those inside alternatives too, as (key path, keyword)."""
    for error in errors:
        yield key_path(error.absolute_path), error.validator
        yield from deepest(error.context)


@pytest.mark.parametrize("name", MODELS)
def test_the_committed_schema_is_a_schema_of_2020_12(name):
    document = committed(name)
    jsonschema.Draft202012Validator.check_schema(document)
    assert document["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert document["$id"] == f"urn:benchtally:schema:{name}:1"


def test_the_committed_schemas_are_those_of_the_models():
    files = {path.name: path.read_text("utf-8") for path in FOLDER.glob("*.json")}
    made = schemas.documents() | profile_documents() | procedure_documents()
    assert files == made


def described(node, where):
    """Walk through all that a schema lays down, as (where it stands, its description).

    What stands below ``if`` and the like lays nothing down; it speaks of members known already.
    """
    if isinstance(node, list):
        for each in node:
            yield from described(each, where)
    elif isinstance(node, dict):
        for key, below in node.items():
            if key in ("properties", "$defs"):
                for name, each in below.items():
                    inside = f"{where}.{name}" if key == "properties" else name
                    yield inside, each.get("description", "")
                    yield from described(each, inside)
            elif key not in ("if", "then", "else", "not", "default", "enum", "const"):
                yield from described(below, where)


@pytest.mark.parametrize("name", sorted(path.name for path in FOLDER.glob("*.json")))
def test_every_member_says_what_it_is(name):
    """Readers of a schema have nothing else: not the models, not who wrote them."""
    document = json.loads((FOLDER / name).read_text("utf-8"))
    texts = [(name, document["description"]), *described(document, name)]
    assert [where for where, text in texts if not text.strip()] == []
    assert [where for where, text in texts if says_its_name_only(where, text)] == []


def says_its_name_only(where, text):
    """Tell whether a description has no word besides those of the name."""
    name = set(re.findall("[a-z0-9]+", re.sub("([A-Z])", r" \1", where.split(".")[-1]).lower()))
    words = set(re.findall("[a-z0-9]+", text.lower()))
    return words <= name | {"a", "an", "the", "of", "its", "this", "that", "it", "is", "which"}


@pytest.mark.parametrize(
    ("where", "text"), [("Tag.operator", "The operator."), ("Kind", "Which kind it is.")]
)
def test_a_name_said_twice_is_no_description(where, text):
    assert says_its_name_only(where, text)
    assert not says_its_name_only(where, f"{text} UCUM.")


def test_the_format_checker_really_checks():
    """Without other packages jsonschema passes any text as a date-time, and as some other formats."""
    checker = jsonschema.Draft202012Validator.FORMAT_CHECKER
    texts = [path.read_text("utf-8") for path in FOLDER.glob("*.json")]
    used = {each for text in texts for each in re.findall(r'"format": *"([^"]+)"', text)}
    assert {"date-time", "uuid"} <= used <= set(checker.checkers)


@pytest.mark.parametrize("example", examples("valid"))
def test_a_valid_example_is_valid_and_survives_the_model(example):
    kind = example.partition("/")[0]
    text = examples("valid")[example].read_text("utf-8")
    document = json.loads(text)
    assert list(validator(kind).iter_errors(document)) == []
    model = MODELS[kind].model_validate_json(text)
    again = json.loads(model.model_dump_json())
    known = {name: member for name, member in document.items() if name in type(model).model_fields}
    assert again == known


@pytest.mark.parametrize("example", examples("invalid"))
def test_an_invalid_example_fails_for_its_one_reason(example):
    kind = example.partition("/")[0]
    text = examples("invalid")[example].read_text("utf-8")
    in_schema, in_model = INVALID[example]
    faults = list(validator(kind).iter_errors(json.loads(text)))
    if in_schema is None:
        assert faults == [], "the schema knows more than was thought"
    else:
        assert len({key_path(list(error.absolute_path)[:1]) for error in faults}) == 1, faults
        assert in_schema in set(deepest(faults))
    if in_model is None:
        MODELS[kind].model_validate_json(text)
        return
    with pytest.raises(ValidationError) as caught:
        MODELS[kind].model_validate_json(text)
    where = {key_path(error["loc"]) for error in caught.value.errors()}
    assert any(path == in_model or path.startswith(f"{in_model}.") for path in where), where


def test_every_invalid_example_has_its_reason_and_every_reason_its_example():
    assert set(examples("invalid")) == set(INVALID)


@pytest.mark.parametrize("example", [name for name in examples("valid") if "record/" in name])
def test_the_hash_of_a_record_can_be_computed_from_its_text_alone(example):
    """As the schema tells: the text as it was written, with 64 zeros in the hash's place."""
    text = examples("valid")[example].read_text("utf-8").strip()
    document = json.loads(text)
    bare = text.replace(document["sha256"], "0" * 64).encode()
    assert hashlib.sha256(bare).hexdigest() == document["sha256"]
    assert hash_of(Record.model_validate(document)) == document["sha256"]


def test_every_kind_of_source_has_a_valid_example():
    texts = [path.read_text("utf-8") for path in examples("valid").values()]
    kinds = {json.loads(text).get("source", {}).get("kind") for text in texts} - {None}
    assert kinds == {"streamed", "polled", "keyed", "photo", "imported", "computed"}


def test_every_act_of_a_job_has_a_valid_example():
    paths = [path for name, path in examples("valid").items() if name.startswith("job/")]
    acts = {json.loads(path.read_text("utf-8"))["event"]["action"] for path in paths}
    started_taken_and_others = TypeAdapter(Event).json_schema()["discriminator"]["mapping"]
    assert acts == set(started_taken_and_others)


@pytest.mark.parametrize("example", examples("valid"))
def test_a_consumer_passes_over_members_that_it_does_not_know(example):
    """At every depth: a later version may add a member anywhere."""
    kind = example.partition("/")[0]
    document = json.loads(examples("valid")[example].read_text("utf-8"))

    def grow(node, *, free):
        if isinstance(node, list):
            for each in node:
                grow(each, free=False)
        elif isinstance(node, dict):
            for name, each in node.items():
                # The members of these are named by whoever writes them.
                if name != "procedure":  # kept whole, whatever stands in it
                    grow(each, free=name in ("coils", "conditions", "constants"))
            if not free:
                node["of_version_9"] = {"anything": [1, None]}

    before = MODELS[kind].model_validate(document)
    grow(document, free=False)
    assert list(validator(kind).iter_errors(document)) == []
    assert MODELS[kind].model_validate_json(json.dumps(document)) == before


def test_no_schema_forbids_members():
    for name in MODELS:
        assert '"additionalProperties": false' not in (FOLDER / f"{name}.v1.json").read_text()
