"""Judging a test set: sorting, refusals by name, verdicts, and the committed examples."""

import copy
import importlib.util
import json
from datetime import UTC, datetime
from pathlib import Path

import jsonschema
import pytest

from capture.errors import InputError
from capture.judging import assess, records
from capture.model.schemas import schema
from capture.model.testset import TestSet

ROOT = Path(__file__).parents[3]
EXAMPLES = ROOT / "examples" / "judge"
CASES = ("healthy", "cut-coil", "shorted-turn")


def case(name: str) -> dict:
    """Read a committed example."""
    return json.loads((EXAMPLES / f"{name}.json").read_text("utf-8"))


def judged(given: dict, **kwargs):
    """Assess a test set given as JSON."""
    return assess(TestSet.model_validate(given), **kwargs)


def result(assessment, name):
    """Give the one result whose name begins so."""
    (found,) = [each.result for each in assessment.results if each.name.startswith(name)]
    return found


def without(given: dict, *ids: str) -> dict:
    """Give a test set without some readings."""
    made = copy.deepcopy(given)
    made["readings"] = [each for each in made["readings"] if each["id"] not in ids]
    return made


def changed(given: dict, id_: str, **members) -> dict:
    """Give a test set with one reading changed."""
    made = copy.deepcopy(given)
    (reading,) = [each for each in made["readings"] if each["id"] == id_]
    reading.update(members)
    return made


@pytest.mark.parametrize("name", CASES)
def test_the_committed_examples_are_what_their_script_makes(name):
    spec = importlib.util.spec_from_file_location("make_examples", EXAMPLES / "make_examples.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert module.test_set(name, *module.CASES[name]) == case(name)


@pytest.mark.parametrize("name", CASES)
def test_examples_and_results_fit_the_schemas(name):
    given = case(name)
    jsonschema.validate(given, schema("test-set"))
    for record in records(judged(given), machine="fan-07", time=datetime.now(UTC)):
        jsonschema.validate(json.loads(record.model_dump_json()), schema("result"))


@pytest.mark.parametrize(
    ("name", "statement", "hypothesis", "coil"),
    [
        ("healthy", "balanced", None, None),
        ("cut-coil", "named", "fewer turns in one coil", "U"),
        ("shorted-turn", "named", "shorted turns", "V"),
    ],
)
def test_the_three_cases_come_out_as_what_they_are(name, statement, hypothesis, coil):
    suspicion = judged(case(name)).suspicion
    assert (suspicion.statement, suspicion.hypothesis) == (statement, hypothesis)
    if coil is not None:
        assert suspicion.coils == {"star": coil}


def test_a_limit_nobody_adopted_is_information_and_an_adopted_one_a_verdict():
    given = case("cut-coil")
    assert result(judged(given), "resistance unbalance").judgement.verdict == "information only"
    site = {"resistance-unbalance-random": {"adopted": True}}
    assessment = judged(given, site_limits=site)
    assert result(assessment, "resistance unbalance").judgement.verdict == "fail"
    assert assessment.overall.verdict == "fail"
    assert "resistance unbalance" in assessment.overall.reason


def test_nothing_passes_as_a_whole_while_a_step_was_not_run():
    site = {"resistance-unbalance-random": {"adopted": True}}
    given = without(case("healthy"), "i1")
    assessment = judged(given, site_limits=site)
    assert result(assessment, "resistance unbalance").judgement.verdict == "pass"
    assert assessment.not_run == ("insulation",)
    assert assessment.overall.verdict == "inconclusive"


def test_the_gain_that_readings_share_cancels_in_the_unbalance_only():
    given = case("healthy")
    wide = copy.deepcopy(given)
    for each in wide["readings"]:
        if each["id"].startswith("r"):
            # A large shared gain, the same scatter as before.
            scatter = each["uncertainty"]["standard"] ** 2 - (2e-4 * each["value"]) ** 2
            each["uncertainty"] = {
                "standard": (scatter + (0.02 * each["value"]) ** 2) ** 0.5,
                "shared": 0.02,
            }
    narrow_u, wide_u = (
        result(judged(s), "resistance unbalance").uncertainty for s in (given, wide)
    )
    assert wide_u == pytest.approx(narrow_u, rel=0.05)
    narrow_r, wide_r = (result(judged(s), "resistance U-V at").uncertainty for s in (given, wide))
    assert wide_r > 20 * narrow_r


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda s: without(s, "r2"), "resistance of V-W is missing"),
        (lambda s: changed(s, "r1", value=9.0), "U-V"),
        (lambda s: changed(s, "r1", value=-1.0), "U-V"),
        (lambda s: changed(s, "r1", test_point="U1-U2"), "r1 is at U1-U2"),
        (lambda s: changed(s, "r1", test_point=None), "r1 has no pair of terminals"),
        (lambda s: changed(s, "p2f", conditions={"law": "rise"}), "follows another law"),
        (
            lambda s: changed(
                s,
                "l2",
                conditions={
                    "frequency": {"value": 100.0, "unit": "Hz"},
                    "level": {"value": 1.0, "unit": "V"},
                    "model": "series",
                },
            ),
            "V-W was read with hertz",
        ),
        (lambda s: changed(s, "l2", conditions={}), "l2 does not say its frequency"),
        (lambda s: changed(s, "p1f", value=None, status="invalid"), "p1f is invalid"),
        (lambda s: {**s, "conditions": {"rotor": "out"}}, "winding_celsius"),
        (lambda s: {**s, "rules": {"limits": {"no-such": {"value": 1}}}}, "no-such"),
    ],
)
def test_an_impossible_set_is_refused_by_the_reading_at_fault(make, says):
    with pytest.raises(InputError, match=says):
        judged(make(case("healthy")))


def test_inductances_without_their_loss_are_compared_and_tell_no_fault():
    """As where they were keyed off a display that shows nothing else, or the other was not."""
    whole, partly = judged(case("cut-coil")), judged(changed(case("cut-coil"), "l2", group="g9"))
    for each in (whole, partly):
        (unbalance,) = [r for r in each.results if r.name.startswith("inductance unbalance")]
        assert unbalance.result.value == pytest.approx(
            next(r for r in whole.results if r.name == unbalance.name).result.value
        )
        assert "inductance" not in each.not_run
    angle = "phase angle, largest distance from the mean"
    assert angle in {each.name for each in whole.results}
    assert angle not in {each.name for each in partly.results}
    (said,) = [note for note in partly.notes if "no loss beside" in note]
    assert "the inductance of V-W (resistance, Q, D or phase angle of the same display)" in said
    assert "inductance" in " ".join(whole.suspicion.speaks_for)
    assert "inductance" not in " ".join(partly.suspicion.speaks_for)
    only = case("cut-coil")
    only["readings"] = [each for each in only["readings"] if each["quantity"] == "inductance"]
    assert judged(only).suspicion is None


def test_what_is_not_used_is_named():
    given = case("healthy")
    extra = {"id": "x1", "quantity": "temperature", "unit": "Cel", "value": 21.5}
    moving = {**given["readings"][0], "id": "x2", "status": "unsettled"}
    again = {**given["readings"][0], "id": "x3"}
    given["readings"] += [extra, moving, again]
    notes = " ".join(judged(given).notes)
    assert "temperature" in notes
    assert "x2 is unsettled" in notes
    assert "reading r1 not" in notes


def pulses(law="unknown", rotor="in"):
    """Give the pulse times of a cut coil alone, further apart than any sound winding's."""
    given = case("cut-coil")
    given["readings"] = [
        {
            **each,
            "value": each["value"] * (1.1 if each["test_point"] in ("V-W", "W-V") else 1),
            "conditions": {**each.get("conditions", {}), "law": law},
        }
        for each in given["readings"]
        if each["quantity"] == "pulse_time"
    ]
    given["conditions"] = {**given.get("conditions", {}), "rotor": rotor}
    given.pop("steps", None)
    return judged(given)


@pytest.mark.parametrize("law", ["unknown", "period"])
def test_what_the_rotor_does_to_pulse_times_is_said_where_they_are_compared(law):
    notes = [each for each in pulses(law).notes if "pulse times depend on where it stands" in each]
    assert len(notes) == 1
    assert not [each for each in pulses(law, "out").notes if "where it stands" in each]


def with_rotor(given, quantity, *states):
    """Let readings of a quantity say for themselves where the rotor was."""
    own = [each for each in given["readings"] if each["quantity"] == quantity]
    for reading, state in zip(own, states * len(own), strict=False):
        reading["rotor"] = state
    return given


def test_pulse_times_with_the_rotor_in_and_out_are_not_compared():
    given = with_rotor(case("cut-coil"), "pulse_time", "in", "out")
    with pytest.raises(InputError, match="was taken with the rotor out, others not"):
        judged(given)


@pytest.mark.parametrize(
    ("states", "said"),
    [
        (("out", "unknown"), "nobody said whether the rotor is in"),
        (("in", "unknown"), "with the rotor in, pulse times depend"),
        (("out",), ""),
    ],
)
def test_the_rotor_may_have_been_in_where_nobody_said_it_was_out(states, said):
    notes = " ".join(judged(with_rotor(case("cut-coil"), "pulse_time", *states)).notes)
    assert said in notes
    assert bool(said) is ("where it stands" in notes)


def test_a_fault_is_looked_for_with_what_was_read_without_the_rotor():
    """The pulse times, which a rotor spreads, stand for themselves, and what they share is said."""
    given = with_rotor(case("cut-coil"), "inductance", "out")
    given = with_rotor(given, "pulse_time", "in")
    found = judged(given)
    assert not any(word.startswith("by pulse") for word in found.suspicion.words)
    assert any(each.startswith("by pulse") for each in found.notes)
    given = with_rotor(with_rotor(given, "inductance", "in"), "pulse_time", "out")
    assert not any(word.startswith("by inductance") for word in judged(given).suspicion.words)


@pytest.mark.parametrize("law", ["unknown", "period"])
def test_what_the_pulse_times_share_is_said_once(law):
    found = pulses(law, "out")
    said = [each for each in (*found.suspicion.words, *found.notes) if "share U" in each]
    assert len(said) == 1


def test_what_they_share_beside_another_quantity_is_said_of_each():
    found = judged(case("cut-coil"))
    assert [each for each in (*found.suspicion.words, *found.notes) if "share U" in each] == [
        "by inductance, the two low pairs U-V and W-U share U",
        "by pulse, the two low pairs, U-V and W-U, share U",
    ]


def test_open_pairs_are_evidence_and_point_to_the_phase():
    given = case("healthy")
    for id_ in ("r1", "r3"):
        given = changed(
            given, id_, value=None, status="above-range", bound={"side": "above", "value": 2e6}
        )
    assessment = judged(
        without(given, *(f"{k}{n}{w}" for k in "lsp" for n in "123" for w in ("", "f", "r")))
    )
    assert "share U" in " ".join((*assessment.notes, *assessment.suspicion.words))


def test_a_bound_is_a_result_against_the_least_insulation():
    given = changed(
        case("healthy"),
        "i1",
        value=None,
        status="above-range",
        bound={"side": "above", "value": 5.5e9},
    )
    site = {"insulation-random": {"adopted": True}}
    insulation = result(judged(given, site_limits=site), "insulation resistance")
    assert insulation.bound == "above"
    assert insulation.judgement.verdict == "pass"


def test_a_stored_reading_can_stand_in_a_set_as_it_is():
    given = case("healthy")
    stored = {
        "schema_version": 1,
        "id": "01a211ee-656b-7000-9884-8f4383840338",
        "site": "sawmill",
        "bench": "bench-1",
        "instrument": "ohm-meter",
        "sequence": 3,
        "time": "2026-11-25T08:59:25.129000Z",
        "quantity": "resistance",
        "unit": "Ohm",
        "value": 0.826,
        "digits": "+8.26E-01",
        "shown_unit": "Ohm",
        "status": "ok",
        "source": {
            "kind": "polled",
            "driver": "scpi-meter",
            "driver_version": "1",
            "link": "x",
            "query": "FETC?",
        },
        "tag": {
            "machine": "fan-07",
            "test_point": {"first": ["U"], "second": ["V"], "pair": "U-V", "direction": "forward"},
        },
    }
    given = without(given, "r1")
    given["readings"].insert(0, stored)
    unbalance = result(judged(given), "resistance unbalance")
    assert stored["id"] in unbalance.inputs
