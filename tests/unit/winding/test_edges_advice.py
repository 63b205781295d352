"""What is said for and against, and what is to be measured next, rule by rule."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from capture.winding import Evidence, InductanceReading, advice
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
        resistance=dict(zip(PAIRS, (1.6, 2.0, 1.8), strict=True)),
        pulse=dict(zip(PAIRS, (1.0, 1.0, 1.0), strict=True)),
        law="rise",
    )
    seen = contrasts(known)
    right = seen.vector
    shifted = right + np.array([off * 0.01, 0, 0, 0])
    fits = {
        # Another connection where the hypothesis is less likely, and fits worse.
        "open": made(
            (HIGH_JOINT, FEWER_TURNS), [(0, 0.0, right), (0, 0.0, right), (1, -2.0, right + 1)]
        ),
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


def test_each_quantity_is_held_against_its_own_two_contrasts():
    """3.43 standard deviations are within √11.8 = 3.435, 3.45 are not (computed)."""
    known = Evidence(
        connection="star",
        resistance=dict.fromkeys(PAIRS, 2.0),
        inductance={p: InductanceReading(henries=0.02, ohms=3.0, hertz=1000) for p in PAIRS},
    )
    seen = contrasts(known)
    off = np.array([0, 3.43, 3.43, 0, 3.45, 0]) * 0.01
    fits = {"star": made((FEWER_TURNS,), [(0, 0.0, seen.vector + off)])}
    speaks_for, speaks_against = reasons(known, seen, fits, FEWER_TURNS)
    assert [one.split(",")[0] for one in speaks_for] == ["resistance", "inductance"]
    assert [one.split(",")[0] for one in speaks_against] == ["loss"]


def test_a_pass_tells_the_least_that_would_have_shown():
    """Cases at 1, 2.5 and 4 standard deviations with 2 seen: 5 % of turns stayed hidden (computed)."""
    known = Evidence(connection="star", pulse=dict.fromkeys(PAIRS, 1.0), law="rise")
    # Distances count from the sound winding, wherever that lies.
    rows = [
        (0, 0.0, [0.3, -0.2]),
        (1, 0.0, [0.31, -0.2]),
        (1, 0.0, [0.3, -0.175]),
        (1, 0.0, [0.34, -0.2]),
    ]
    logs = np.full((4, 1, 3), 0.5)
    logs[2, 0, 1] += math.log(0.97)
    logs[3, 0, 1] += math.log(0.9)
    one = made((BALANCED, FEWER_TURNS), rows, turns=np.array([np.nan, 0.05, 0.08, 0.2]), logs=logs)
    (said,) = pass_words(known, {"star": one}, 2.0)
    assert said.startswith("no difference above 3.0 %; a loss of about 5 % of a coil's turns")
    assert pass_words(known, {"star": one}, 9.0) == []
    (said,) = pass_words(known, {"star": one}, 3.0)
    assert said.startswith("no difference above 10.0 %; a loss of about 8 % of a coil's turns")
    (said,) = pass_words(known, {"star": one}, 0.5)
    assert "a loss of about 0 % of a coil's turns would show" in said
    unknown = Evidence(connection="star", pulse=dict.fromkeys(PAIRS, 1.0))
    assert pass_words(unknown, {"star": one}, 2.0) == []
    assert pass_words(Evidence(law="rise"), {"star": one}, 2.0) == []
    # The worse of two connections is what can be promised.
    turns, larger = np.array([np.nan, 0.11, 0.12, 0.2]), 2 * logs
    other = made((BALANCED, FEWER_TURNS), rows, turns=turns, logs=larger)
    (said,) = pass_words(known, {"star": one, "delta": other}, 2.0)
    # 1 − 0.97² = 5.91 % (computed)
    assert said.startswith("no difference above 5.9 %; a loss of about 11 %")
    # A connection in which nothing could have shown tells nothing.
    near = [(number, score, [0.3, -0.2]) for number, score, _ in rows]
    blind = made((BALANCED, FEWER_TURNS), near, turns=turns, logs=logs)
    (said,) = pass_words(known, {"star": blind, "delta": one}, 2.0)
    assert said.startswith("no difference above 3.0 %; a loss of about 5 %")


# ── which measurement tells two hypotheses apart ─────────────────────────────────────────────


def asked_about(monkeypatch, evidence, candidates, apart):
    """Say what is to be measured next where quantities tell two hypotheses so far apart."""
    asked = []

    def separation(setting, _known, names, quantity):
        asked.append((setting, names, quantity))
        return apart[quantity]

    monkeypatch.setattr(advice, "_separation", separation)
    seen = contrasts(evidence)
    said = next_measurement(evidence, seen, "cannot tell", candidates, rotor_or_turns=False)
    return said, asked


@pytest.mark.parametrize(
    ("best", "said"),
    [
        ("resistance", "read the three pair resistances four-wire"),
        ("inductance", "read inductance and series resistance of the pairs with a bridge"),
        ("loss", "read inductance and series resistance of the pairs with a bridge"),
    ],
)
def test_what_tells_two_hypotheses_apart_best_is_measured(monkeypatch, best, said):
    known = Evidence(connection="star", pulse=dict.fromkeys(PAIRS, 1.0), law="rise")
    apart = {"resistance": 1.1, "inductance": 1.1, "loss": 1.1} | {best: 1.2}
    assert asked_about(monkeypatch, known, TWO, apart)[0].startswith(said)


def test_a_pulse_may_be_what_tells_apart(monkeypatch):
    """Only by more than one combined standard uncertainty (common practice, no source)."""
    known = Evidence(resistance=dict.fromkeys(PAIRS, 2.0))
    apart = {"inductance": 0.5, "loss": 0.7, "pulse": 1.01}
    three = [*TWO, *ranked((HIGH_JOINT, 0.1))]
    said, asked = asked_about(monkeypatch, known, three, apart)
    assert said.startswith("compare the pulse times of the three pairs at the voltage")
    assert [quantity for *_, quantity in asked] == ["inductance", "loss", "pulse"]
    # The first two that are likely, in star where nobody knows, each with the noise it has: 1 ‰ of
    # resistance (rounded up to half an octave), 2 ‰ of inductance, 1 % of loss, 3 ‰ of a pulse.
    for (setting, names, quantity), noise in zip(asked, (2e-3, 1e-2, 3e-3), strict=True):
        assert names == [FEWER_TURNS, SHORTED_TURNS]
        assert (setting.connection, setting.quantities) == ("star", ("resistance", quantity))
        assert setting.noise == pytest.approx((2**-9.5, noise))
    said, _ = asked_about(monkeypatch, known, TWO, apart | {"pulse": 1.0})
    assert said.startswith("find out the connection")


def test_one_hypothesis_is_told_apart_from_nothing(monkeypatch):
    known = Evidence(connection="star", resistance=dict.fromkeys(PAIRS, 2.0))
    said, asked = asked_about(monkeypatch, known, ranked((FEWER_TURNS, 0.99)), {})
    assert (said, asked) == ("take the links off, read each phase alone", [])


def test_the_setting_of_a_trial_is_that_of_the_evidence(monkeypatch):
    known = Evidence(
        connection="delta",
        resistance=dict.fromkeys(PAIRS, 2.0),
        pulse=dict.fromkeys(PAIRS, 1.0),
        law="time-constant",
        source_ohms=1.0,
        rotor="in",
        parallel_paths=3,
        repeated=True,
    )
    apart = {"inductance": 1.5, "loss": 0.7}
    _, ((setting, *_), _) = asked_about(monkeypatch, known, TWO, apart)
    assert setting.quantities == ("resistance", "inductance", "pulse")
    assert (setting.connection, setting.law) == ("delta", "time-constant")
    assert (setting.paths, setting.repeated, setting.rotor_in) == (3, True, True)
    assert setting.spread == known.spread
    # Half the pair's resistance, rounded to a fifth of a natural logarithm.
    assert setting.source_share == pytest.approx(0.5, rel=0.11)


@pytest.mark.parametrize(
    ("quantity", "old", "new"), [("pulse", [0, 1], [2, 3]), ("resistance", [2, 3], [0, 1])]
)
def test_how_far_a_quantity_not_taken_would_tell_apart(monkeypatch, quantity, old, new):
    """The mean of the cases left likely, their scatter and the natural spread (worked by hand).

    One hypothesis has cases that what is known makes 3 : 1 likely, 0.04 apart in what is not taken:
    0.01 in the mean, ¾·0.01² + ¼·0.03² = 0.0003 in variance. The other one lies at (0.05, 0.03).
    With 0.0001 each by nature: √(0.04²/0.0005 + 0.03²/0.0002) = √7.7.
    """
    sixth = 0.01 * math.sqrt(2 * math.log(6))  # likelihood 1/6, and twice the weight before
    places = [
        ([0, 0], [0, 0], 0, 0.0),
        ([sixth, 0], [0.04, 0], 0, math.log(2)),
        ([9.0, 0], [7, 7], 0, 0.0),
        ([0, 0], [0.05, 0.03], 1, 3.0),
        ([0, 0], [5, 5], 2, 9.0),
    ]
    known = np.array([0.2, -0.1])
    mean = np.zeros((len(places), 4))
    mean[:, old] = [known + place[0] for place in places]
    mean[:, new] = [place[1] for place in places]
    table = SimpleNamespace(
        names=(FEWER_TURNS, SHORTED_TURNS, HIGH_JOINT),
        hypothesis=np.array([place[2] for place in places]),
        mean=mean,
        # Logarithms of weights lie far from zero.
        offset=np.array([place[3] for place in places]) - 800,
        balanced=np.eye(4) * 0.01**2,
        rotor=np.zeros((4, 4)),
        doubt=np.zeros((len(places), 2, 3)),
    )
    monkeypatch.setattr(advice, "table_of", lambda _: table)
    setting, seen = (
        SimpleNamespace(quantities=("resistance", "pulse")),
        SimpleNamespace(vector=known),
    )
    found = advice._separation(setting, seen, [FEWER_TURNS, SHORTED_TURNS], quantity)
    assert found == pytest.approx(math.sqrt(7.7))
    # What one of them cannot speak of does not tell them apart.
    assert advice._separation(setting, seen, [FEWER_TURNS, BALANCED], quantity) == 0
