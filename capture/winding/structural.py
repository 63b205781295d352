"""Answers that need no likelihood: open pairs, earth paths, pulse times of an unknown law."""

from math import hypot, sqrt

import numpy as np

from .chi_square import chi_square_limit
from .evidence import CONTRAST, Evidence, relative_noise
from .hypotheses import EARTH_PATH, OPEN_PHASE
from .measured import COVERAGE_FACTOR
from .pulse import PulseComparison, pulse_comparison
from .result import Bounded
from .signature import PAIRS, open_phase, require_pairs
from .suspicion import Candidate, Suspicion

FALSE_ALARM = 2e-4  # share of sound windings that may be called suspicious by the model's own law
_ROTOR = "rotor or winding: pulse times at one position of the rotor cannot tell"
_THRESHOLD = sqrt(chi_square_limit(FALSE_ALARM, quantities=1))
_EARTH_RATIO = 5.0  # a phase so many times below the others: far beyond their natural difference


def open_pairs(evidence: Evidence) -> Suspicion | None:
    """Answer where pairs are open, which ends every other question; None where none is."""
    for readings in (evidence.resistance, evidence.pulse):
        if not any(isinstance(reading, Bounded) for reading in readings.values()):
            continue
        require_pairs(
            {pair: readings.get(name) for pair, name in zip(PAIRS, evidence.pairs, strict=True)}
        )
        plain = [
            reading if isinstance(reading, Bounded) else float(reading)
            for reading in (readings[pair] for pair in evidence.pairs)
        ]
        if evidence.connection == "open":
            opened = [p for p, one in zip("UVW", plain, strict=True) if isinstance(one, Bounded)]
            phase = opened[0] if len(opened) == 1 else None
            words = f"open: phase {' and '.join(opened)}"
        else:
            found = open_phase(*plain)
            phase, words = found.phase, found.statement
        return _open_answer(evidence, phase, words)
    return None


def _open_answer(evidence: Evidence, phase: str | None, words: str) -> Suspicion:
    connection = "open" if evidence.connection == "open" else "star"
    places = {connection: phase} if phase else {}
    return Suspicion(
        statement="named" if phase else "cannot tell",
        hypothesis=OPEN_PHASE if phase else None,
        signal=float("inf"),
        threshold=0.0,
        apart=float("inf") if phase else 0.0,
        candidates=(
            Candidate(hypothesis=OPEN_PHASE, probability=1.0, places=places, distance=0.0),
        ),
        coils=places,
        coil_probability=1.0 if phase else 0.0,
        terminal=phase,
        loss=None,
        turns=None,
        speaks_for=(words,),
        speaks_against=(),
        next_measurement="look at the leads and joints of that phase and read the pairs again",
        words=(words, *earth_words(evidence)),
        inputs=evidence.inputs,
    )


def earth_words(evidence: Evidence) -> tuple[str, ...]:
    """Say whether insulation readings by phase single one out; pair readings never can."""
    known = {
        phase: float(reading.bound if isinstance(reading, Bounded) else reading)
        for phase, reading in evidence.insulation.items()
    }
    if len(known) < 2:  # noqa: PLR2004 - a comparison needs two
        return ()
    low = min(known, key=lambda phase: known[phase])
    others = min(value for phase, value in known.items() if phase != low)
    if isinstance(evidence.insulation[low], Bounded) or known[low] * _EARTH_RATIO > others:
        return ()
    return (
        (
            f"{EARTH_PATH}: {low} reads {known[low]:.3g} Ohm to the frame, the others"
            f" {others:.3g} or more; pair readings of a floating winding cannot show it"
        ),
    )


def pulse_words(evidence: Evidence) -> tuple[str, ...]:
    """Say what pulse times of an unknown law show beside other evidence: deviation, terminal.

    A difference beyond natural spread may be the rotor's, unless that is out.
    """
    if not evidence.pulse or evidence.law != "unknown" or evidence.connection == "open":
        return ()
    found = _compare(evidence)
    rotor = evidence.rotor != "out" and _distance(evidence, found) > _THRESHOLD
    return (_deviation(found), found.statement, *([_ROTOR] if rotor else []))


def terminal_only(evidence: Evidence, earth: tuple[str, ...]) -> Suspicion:
    """Answer where only pulse times of an unknown law are there: deviation, terminal, no class.

    Raises MissingReadingError where there is no reading at all.
    """
    found = _compare(evidence)
    distance, threshold = _distance(evidence, found), _THRESHOLD
    detected = distance > threshold
    terminal, said = None, ["no difference beyond natural spread"]
    if detected:
        # Six ends have no terminal in common.
        six = evidence.connection == "open"
        terminal, said = (None, []) if six else (found.terminal, [found.statement])
        if evidence.rotor != "out":
            said = [*said, _ROTOR]
    return Suspicion(
        statement="cannot tell" if detected else "balanced",
        hypothesis=None,
        signal=distance / COVERAGE_FACTOR,
        threshold=threshold / COVERAGE_FACTOR,
        apart=0.0,
        candidates=(),
        coils={},
        coil_probability=0.0,
        terminal=terminal,
        loss=None,
        turns=None,
        speaks_for=(_deviation(found),),
        speaks_against=(),
        next_measurement="find out which law the pulse instrument follows; read the resistances",
        words=(_deviation(found), *said, *earth),
        inputs=evidence.inputs,
    )


def _distance(evidence: Evidence, found: PulseComparison) -> float:
    """Give how far pulse times stand off those of a sound winding, in standard deviations."""
    values = np.array([found.means[pair] for pair in PAIRS])
    noise = max(relative_noise("pulse", reading) for reading in evidence.pulse.values())
    deviation = hypot(noise, _natural_deviation(evidence))
    return float(np.linalg.norm(np.log(values) @ CONTRAST.T)) / deviation


def _natural_deviation(evidence: Evidence) -> float:
    """Give the standard deviation that a contrast of pulse times has by nature, at most.

    Nobody knows the law, so the one that differs most counts: a time constant of the winding alone
    takes the difference of the inductances and that of the resistances; a rise takes the first,
    a period half of that. Six ends show all that a phase differs, a pair of terminals half of it,
    be it star or delta (network algebra, as in `natural_covariance`).
    """
    share = 1.0 if evidence.connection == "open" else 0.5
    return share * hypot(evidence.spread.inductance, evidence.spread.resistance)


def _compare(evidence: Evidence) -> PulseComparison:
    plain = {
        pair: float(reading)
        for pair, name in zip(PAIRS, evidence.pairs, strict=True)
        if not isinstance(reading := evidence.pulse.get(name), Bounded | None)
    }
    return pulse_comparison(plain, "unknown", "span-max")


def _deviation(found: PulseComparison) -> str:
    return f"pulse times deviate by {found.value:.1f} % (span over the largest)"
