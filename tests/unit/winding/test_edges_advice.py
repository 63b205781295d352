"""What is said for and against, and what is to be measured next, rule by rule."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from capture.winding import Evidence
from capture.winding.advice import next_measurement, pass_words, reasons
from capture.winding.evidence import QUANTITIES, contrasts
from capture.winding.hypotheses import (
    BAD_READING,
    BALANCED,
    FEWER_TURNS,
    HIGH_JOINT,
    SHORTED_TURNS,
)
from capture.winding.likelihood import Fit
from capture.winding.suspicion import Candidate

PAIRS = ("U-V", "V-W", "W-U")
ALL_TAKEN = SimpleNamespace(quantities=QUANTITIES)


def ranked(*pairs):
    return [
        Candidate(hypothesis=name, probability=probability, places={}, distance=1.0)
        for name, probability in pairs
    ]


def ask(statement, candidates, *, rotor_or_turns=False, **changed):
    known = Evidence(**({"connection": "star"} | changed))
    return next_measurement(known, ALL_TAKEN, statement, candidates, rotor_or_turns=rotor_or_turns)


TWO = ranked((FEWER_TURNS, 0.6), (SHORTED_TURNS, 0.4))


@pytest.mark.parametrize(
    ("statement", "start"),
    [
        ("balanced", "none is needed"),
        ("no single cause", "read the pairs again with the leads put on anew, on one fixed range"),
        ("named", "confirm it: read the pairs again"),
        ("cannot tell", "take the links off, read each phase alone"),
    ],
)
def test_every_statement_has_its_next_step(statement, start):
    assert ask(statement, TWO).startswith(start)


def test_the_rotor_goes_before_all_else():
    bad = ranked((BAD_READING, 0.9), (FEWER_TURNS, 0.1))
    assert ask("cannot tell", bad, rotor_or_turns=True).startswith("turn the shaft")
    assert ask("named", TWO, rotor_or_turns=True).startswith("confirm it")


def test_a_likely_bad_reading_is_taken_again_once():
    """Among the first two causes worth a word (above 2 %: common practice, no source)."""
    second = ranked((FEWER_TURNS, 0.6), (BALANCED, 0.2), (BAD_READING, 0.2))
    third = ranked((FEWER_TURNS, 0.6), (HIGH_JOINT, 0.2), (BAD_READING, 0.2))
    again = "read the pairs again"
    assert ask("cannot tell", second).startswith(again)
    assert not ask("cannot tell", second, repeated=True).startswith(again)
    assert not ask("cannot tell", third).startswith(again)
    for probability, told in ((0.021, True), (0.02, False)):
        seldom = ranked((FEWER_TURNS, 0.97), (BAD_READING, probability))
        assert ask("cannot tell", seldom).startswith(again) is told


def test_the_connection_is_found_out_before_links_are_taken_off():
    assert ask("cannot tell", TWO, connection="unknown").startswith("find out the connection")
    # Six ends have no links to take off.
    assert ask("cannot tell", TWO, connection="open").startswith("read the pairs again")


def made(names, rows, **table):
    """Make a fit of rows: number of the hypothesis, score, mean contrasts."""
    hypothesis, score, mean = (np.array(part) for part in zip(*rows, strict=True))
    size = mean.shape[1]
    options = {
        "names": names,
        "hypothesis": hypothesis,
        "mean": mean,
        "balanced": np.eye(size) * 0.01**2,
        "rotor": np.zeros((size, size)),
        "doubt": np.zeros((len(rows), size // 2, 3)),
    }
    return Fit(table=SimpleNamespace(**(options | table)), distance=score, score=score)


@pytest.mark.parametrize(("off", "expected"), [(3.43, True), (3.45, False)])
def test_a_quantity_speaks_against_beyond_three_in_a_thousand(off, expected):
    """χ² of two contrasts, 11.8: −2·ln 0.0027 = 11.83 (computed); √11.8 is 3.435 standard deviations."""
    known = Evidence(
        connection="star",
        resistance=dict(zip(PAIRS, (0.8, 1.0, 0.9), strict=True)),
        pulse=dict(zip(PAIRS, (1.0, 1.0, 1.0), strict=True)),
        law="rise",
    )
    seen = contrasts(known)
    right = seen.vector
    shifted = right + np.array([off * 0.01, 0, 0, 0])
    fits = {
        "star": made(
            (FEWER_TURNS, HIGH_JOINT),
            [(0, -9.0, right + 1), (0, -1.0, shifted), (1, 0.0, right + 1)],
        ),
        "delta": made((HIGH_JOINT,), [(0, 5.0, right + 1)]),
    }
    speaks_for, speaks_against = reasons(known, seen, fits, FEWER_TURNS)
    said = "resistance, against the highest pair: U-V -20.0 %, V-W +0.0 %, W-U -10.0 %"
    assert (said in speaks_for) is expected
    assert (said in speaks_against) is not expected
    assert any(one.startswith("pulse") for one in speaks_for)


def test_a_pass_tells_the_least_that_would_have_shown():
    """Cases at 1, 2 and 4 standard deviations with 2 seen: 5 % of turns stayed hidden (computed)."""
    known = Evidence(connection="star", pulse=dict.fromkeys(PAIRS, 1.0), law="rise")
    rows = [
        (0, 0.0, [0.0, 0.0]),
        (1, 0.0, [0.01, 0.0]),
        (1, 0.0, [0.0, 0.025]),
        (1, 0.0, [0.04, 0.0]),
    ]
    logs = np.zeros((4, 1, 3))
    logs[2, 0, 1] = math.log(0.97)
    logs[3, 0, 1] = math.log(0.9)
    one = made((BALANCED, FEWER_TURNS), rows, turns=np.array([np.nan, 0.05, 0.08, 0.2]), logs=logs)
    (said,) = pass_words(known, {"star": one}, 2.0)
    assert said.startswith("no difference above 3.0 %; a loss of about 5 % of a coil's turns")
    assert pass_words(known, {"star": one}, 9.0) == []
    unknown = Evidence(connection="star", pulse=dict.fromkeys(PAIRS, 1.0))
    assert pass_words(unknown, {"star": one}, 2.0) == []
    assert pass_words(Evidence(law="rise"), {"star": one}, 2.0) == []
    # The worse of two connections is what can be promised.
    other = made(
        (BALANCED, FEWER_TURNS), rows, turns=np.array([np.nan, 0.11, 0.12, 0.2]), logs=logs
    )
    (said,) = pass_words(known, {"star": one, "delta": other}, 2.0)
    assert "a loss of about 11 %" in said
