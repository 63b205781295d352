"""How cases become candidates and statements, with cases whose weights can be added up by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from capture.winding.hypotheses import (
    BAD_READING,
    BALANCED,
    FEWER_TURNS,
    HIGH_JOINT,
    PHASE_TO_PHASE,
    SHORTED_TURNS,
    TWO_FAULTS,
)
from capture.winding.likelihood import Fit
from capture.winding.ranking import apart_by, place_name, rank, suspected_coils
from capture.winding.suspect import _by_connection, _statement, _turns, _words
from capture.winding.suspicion import Candidate


def cases(names, rows):
    """Make a fit of rows: number of the hypothesis, place, weight, distance, turns."""
    hypothesis, place, weight, distance, turns = (
        np.array(part) for part in zip(*rows, strict=True)
    )
    table = SimpleNamespace(names=names, hypothesis=hypothesis, place=place, turns=turns)
    return Fit(table=table, distance=distance**2.0, score=np.log(weight))


NAMES = (BALANCED, FEWER_TURNS, HIGH_JOINT, BAD_READING)
ROWS = [
    (0, -1, 0.1, 3.0, np.nan),
    (1, 0, 0.2, 2.0, 0.10),
    (1, 1, 0.3, 1.0, 0.20),
    (2, 2, 0.35, 4.0, np.nan),
    (3, 0, 0.05, 5.0, np.nan),
]


def test_a_probability_is_the_share_of_all_weights():
    found = rank({"star": cases(NAMES, ROWS)})
    assert [(one.hypothesis, one.places) for one in found] == [
        (FEWER_TURNS, {"star": "V"}),
        (HIGH_JOINT, {"star": "W"}),
        (BALANCED, {}),
        (BAD_READING, {"star": "U-V"}),
    ]
    assert [one.probability for one in found] == pytest.approx([0.5, 0.35, 0.1, 0.05])
    assert [one.distance for one in found] == pytest.approx([1, 4, 3, 5])


def test_two_connections_are_weighed_together():
    """Twice the weights of ROWS and, in delta, fewer turns in U at 0.9: 1.4 of 1.9 (computed)."""
    delta = cases(NAMES, [(1, 0, 0.9, 0.5, 0.05), *[(n, 2, 1e-12, 9.0, 0.0) for n in (0, 2, 3)]])
    found = {one.hypothesis: one for one in rank({"star": cases(NAMES, ROWS), "delta": delta})}
    assert found[FEWER_TURNS].probability == pytest.approx(1.4 / 1.9)
    assert found[FEWER_TURNS].places == {"star": "V", "delta": "U"}
    assert found[FEWER_TURNS].distance == pytest.approx(0.5)
    assert found[HIGH_JOINT].distance == pytest.approx(4)


def test_a_weight_of_any_size_is_a_share():
    """Logarithms of likelihoods lie far from zero: a common factor changes nothing."""
    plain = cases(NAMES, ROWS)
    far = Fit(table=plain.table, distance=plain.distance, score=plain.score - 5000)
    for one, other in zip(rank({"star": plain}), rank({"star": far}), strict=True):
        assert other.probability == pytest.approx(one.probability)
    assert suspected_coils({"star": far})[1] == pytest.approx(suspected_coils({"star": plain})[1])


def test_a_connection_far_less_likely_counts_for_nothing():
    plain = cases(NAMES, ROWS)
    far = Fit(table=plain.table, distance=plain.distance, score=plain.score - 5000)
    for fits in ({"star": plain, "delta": far}, {"star": far, "delta": plain}):
        found = rank(fits)
        assert [one.probability for one in found] == pytest.approx([0.5, 0.35, 0.1, 0.05])


def test_the_suspected_coil_is_that_of_all_faults_of_coils():
    """U 0.2, V 0.3, W 0.35 of 0.85; a bad reading is about a pair and has no coil (computed)."""
    coils, probability = suspected_coils({"star": cases(NAMES, ROWS)})
    assert coils == {"star": "W"}
    assert probability == pytest.approx(0.35 / 0.85)
    sure = cases(NAMES, [(1, 0, 0.9, 0.5, 0.0), (1, 1, 0.1, 0.5, 0.0)])
    coils, probability = suspected_coils({"star": cases(NAMES, ROWS), "delta": sure})
    assert coils == {"star": "W", "delta": "U"}
    assert probability == pytest.approx(0.35 / 0.85)  # the less sure of the two


def test_places_are_coils_but_pairs_where_pairs_are_meant():
    assert [place_name(FEWER_TURNS, place, "star") for place in range(3)] == ["U", "V", "W"]
    for name in (BAD_READING, PHASE_TO_PHASE):
        assert [place_name(name, p, "delta") for p in range(3)] == ["U-V", "V-W", "W-U"]
        assert [place_name(name, p, "open") for p in range(3)] == ["U1-U2", "V1-V2", "W1-W2"]


def candidate(hypothesis, probability=0.5, distance=0.0, places=None):
    return Candidate(
        hypothesis=hypothesis, probability=probability, places=places or {}, distance=distance
    )


def test_the_best_is_apart_from_the_nearest_other_single_cause():
    """√(5² − 3²) = 4; a sound winding and two faults at once are no other single cause."""
    ranked = [
        candidate(FEWER_TURNS, distance=3),
        candidate(BALANCED, distance=3.1),
        candidate(TWO_FAULTS, distance=3.1),
        candidate(HIGH_JOINT, distance=9),
        candidate(SHORTED_TURNS, distance=5),
    ]
    assert apart_by(ranked) == pytest.approx(4)
    # The likeliest may fit worse than the next: then they are not apart at all.
    assert apart_by([candidate(FEWER_TURNS, distance=3), candidate(HIGH_JOINT, distance=2)]) == 0


TWO_QUANTITIES = SimpleNamespace(quantities=("resistance", "pulse"))


@pytest.mark.parametrize(
    ("hypothesis", "probability", "apart", "statement"),
    # docs/winding.md: 99 % at least, and 1.5 U (three standard uncertainties) at least
    [
        (FEWER_TURNS, 0.99, 3.0, "named"),
        (FEWER_TURNS, 0.9899, 3.0, "cannot tell"),
        (FEWER_TURNS, 0.99, 2.99, "cannot tell"),
        (BALANCED, 0.999, 9.0, "cannot tell"),
        (TWO_FAULTS, 0.999, 9.0, "no single cause"),
    ],
)
def test_what_is_named(hypothesis, probability, apart, statement):
    ranked = [candidate(hypothesis, probability, 1.0), candidate(SHORTED_TURNS, 0.001, 5.0)]
    assert _statement(ranked, apart, TWO_QUANTITIES) == statement


def test_evidence_that_fits_nothing_has_no_single_cause():
    """χ² of 4 degrees beyond 1 in 100 000: 28.473 (scipy); by the nearest of all candidates."""
    for square, statement in ((28.45, "named"), (28.5, "no single cause")):
        far = [candidate(FEWER_TURNS, 0.999, square**0.5), candidate(HIGH_JOINT, 0.001, 30.0)]
        assert _statement(far, 9.0, TWO_QUANTITIES) == statement
    near = [candidate(FEWER_TURNS, 0.999, 30.0), candidate(HIGH_JOINT, 0.001, 1.0)]
    assert _statement(near, 9.0, TWO_QUANTITIES) == "named"


def test_lost_turns_are_the_mean_of_the_cases():
    """0.2 of 10 %, 0.3 of 20 %: 16 %, standard deviation √(0.4·6² + 0.6·4²) = 4.899 % (computed)."""
    fits = {"star": cases(NAMES, ROWS)}
    turns = _turns(fits, rank(fits))
    assert (turns.value, turns.uncertainty) == pytest.approx((16, 2 * 24**0.5))
    assert (turns.unit, turns.formula, turns.coverage_factor) == (
        "%",
        "turns-lost-from-resistance",
        2,
    )
    both = fits | {
        "delta": cases((FEWER_TURNS, BALANCED), [(0, 0, 0.5, 1.0, 0.3), (1, -1, 9.0, 1.0, 0.0)])
    }
    ranked = [candidate(FEWER_TURNS)]
    assert _turns(both, ranked).value == pytest.approx(100 * (0.02 + 0.06 + 0.15) / 1.0)
    assert _turns(fits, [candidate(HIGH_JOINT)]) is None


def test_weights_of_any_size_tell_the_lost_turns():
    """Logarithms of likelihoods lie far from zero, and far from each other."""
    plain = cases(NAMES, ROWS)
    far = Fit(table=plain.table, distance=plain.distance, score=plain.score - 5000)
    sure = [candidate(FEWER_TURNS)]
    assert _turns({"star": far}, sure).value == pytest.approx(16)
    assert _turns({"star": plain, "delta": far}, sure).value == pytest.approx(16)
    wide = cases(NAMES, [*ROWS, (1, 2, 1.0, 9.0, 0.5)])
    wide.score[-1] = -5000
    assert _turns({"star": wide}, sure).value == pytest.approx(16)


def test_places_are_said_once_or_by_connection():
    assert _by_connection({"star": "U"}) == "U"
    assert _by_connection({"star": "U", "delta": "W"}) == "U if star, W if delta"


def test_what_is_said_of_a_statement():
    named = [candidate(FEWER_TURNS, 0.99, places={"star": "V"})]
    assert _words("named", named, {}, rotor_or_turns=False) == ["fewer turns in one coil: V"]
    bare = [candidate(SHORTED_TURNS, 0.99)]
    assert _words("named", bare, {}, rotor_or_turns=False) == ["shorted turns"]
    leaders = [
        candidate(FEWER_TURNS, 0.6),
        candidate(BALANCED, 0.3),
        candidate(HIGH_JOINT, 0.08),
        candidate(SHORTED_TURNS, 0.02),
    ]
    said = _words("cannot tell", leaders, {"star": "U"}, rotor_or_turns=False)
    assert said == ["fewer turns in one coil or high-resistance joint: cannot tell (coil U)"]
    alone = [
        candidate(FEWER_TURNS, 0.985, 1.0),
        candidate(SHORTED_TURNS, 0.004, 2.0),
        candidate(BALANCED, 0.004, 0.1),
        candidate(TWO_FAULTS, 0.004, 0.1),
        candidate(HIGH_JOINT, 0.003, 3.0),
    ]
    said = _words("cannot tell", alone, {"star": "U"}, rotor_or_turns=False)[0]
    assert "is likeliest, but shorted turns fits nearly as well: cannot tell (coil U)" in said
