"""What a practitioner wants to know: what is wrong, in which coil, how sure, what to do next."""

from collections.abc import Mapping, Sequence
from math import exp, sqrt

import numpy as np

from . import advice
from .chi_square import chi_square_limit
from .evidence import Contrasts, Evidence, Quantity, check_spread, connections_of, contrasts
from .hypotheses import BALANCED, FEWER_TURNS, HIGH_JOINT, TWO_FAULTS
from .likelihood import Fit, fit, setting_of, signal, table_of
from .measured import COVERAGE_FACTOR
from .ranking import TERMINAL, apart_by, rank, suspected_coils
from .result import Result
from .structural import FALSE_ALARM, earth_words, open_pairs, pulse_words, terminal_only
from .suspicion import Candidate, Statement, Suspicion

NAME_AT = 0.99  # probability above which one hypothesis is named …
NAME_APART = 3.0  # … if the next one also fits worse by so many standard uncertainties
_POINTING: tuple[Quantity, ...] = ("inductance", "pulse", "resistance")
UNEXPLAINED = 1e-5  # share of cases of a true hypothesis that may lie so far from all of its cases


def suspect(evidence: Evidence, *, advise: bool = True) -> Suspicion:
    """Rank what may be wrong with a winding, and say what would best tell the leaders apart.

    Every hypothesis is a cloud of cases with natural spread, uncertain physics and the noise of the
    readings; its probability is the mean likelihood of its cases times a prior. A hypothesis is
    named when it is probable enough *and* the next one fits clearly worse, otherwise the answer is
    `cannot tell`. Evidence that no single hypothesis fits is `no single cause`: two faults at once
    end there. Pulse times under an unknown law give the deviation and the common terminal, no
    class and no size. An earth path follows from insulation readings only.

    `advise` may be switched off where thousands are judged. Raises what `contrasts` raises, and
    MissingReadingError when there is no reading at all.
    """
    check_spread(evidence.spread)
    opened = open_pairs(evidence)
    if opened is not None:
        return opened
    earth = earth_words(evidence)
    known = contrasts(evidence)
    if not known.quantities:
        return terminal_only(evidence, earth)
    fits = _fits(evidence, known)
    threshold = sqrt(chi_square_limit(FALSE_ALARM, len(known.quantities)))
    distances = {name: signal(one.table, known.vector) for name, one in fits.items()}
    distance = min(distances.values())
    detected = distance > threshold
    ranked = rank(fits)
    apart = apart_by(ranked)
    rotor_or_turns = evidence.rotor != "out" and not _resistance_shows(fits, known)
    statement: Statement = "balanced"
    coils, coil_probability = dict[str, str](), 0.0
    terminal, loss = None, None
    terminal_words: tuple[str, ...] = ()
    if detected:
        statement = _statement(ranked, apart, known)
        if rotor_or_turns:
            statement = "cannot tell"
        coils, coil_probability = suspected_coils(fits)
        if statement == "named":  # a joint before a delta's terminal is in no coil
            for connection in _at_a_terminal(ranked[0]):
                coils.pop(connection)
        terminal, terminal_words = _terminal(evidence, known, _telling(fits, known))
        loss = _loss(evidence, known)
    turns = _turns(fits, ranked) if statement == "named" else None
    speaks_for, speaks_against = advice.reasons(evidence, known, fits, ranked[0].hypothesis)
    words = [*_words(statement, ranked, coils, rotor_or_turns=rotor_or_turns), *terminal_words]
    words += [*pulse_words(evidence), *earth]
    if not detected:
        words += advice.pass_words(evidence, fits, threshold)
    return Suspicion(
        statement=statement,
        hypothesis=ranked[0].hypothesis if statement == "named" else None,
        signal=distance / COVERAGE_FACTOR,
        threshold=threshold / COVERAGE_FACTOR,
        apart=apart / COVERAGE_FACTOR,
        candidates=tuple(ranked),
        coils=coils,
        coil_probability=coil_probability,
        terminal=terminal,
        loss=loss,
        turns=turns,
        speaks_for=speaks_for,
        speaks_against=speaks_against,
        next_measurement=(
            advice.next_measurement(
                evidence, known, statement, ranked, rotor_or_turns=rotor_or_turns
            )
            if advise
            else ""
        ),
        words=tuple(words),
        inputs=evidence.inputs,
    )


def _fits(evidence: Evidence, known: Contrasts) -> dict[str, Fit]:
    return {
        connection: fit(table_of(setting_of(evidence, known, connection)), known.vector)
        for connection in connections_of(evidence)
    }


def _statement(ranked: list[Candidate], apart: float, known: Contrasts) -> Statement:
    best = min(one.distance for one in ranked)
    if best**2 > chi_square_limit(UNEXPLAINED, len(known.quantities)):
        return "no single cause"
    first = ranked[0]
    if first.hypothesis == TWO_FAULTS:
        return "no single cause"
    if first.probability >= NAME_AT and apart >= NAME_APART and first.hypothesis != BALANCED:
        return "named"
    return "cannot tell"


def _turns(fits: Mapping[str, Fit], ranked: list[Candidate]) -> Result | None:
    if ranked[0].hypothesis != FEWER_TURNS:
        return None
    shares, weights = [], []
    top = max(float(one.score.max()) for one in fits.values())
    for one in fits.values():
        chosen = one.table.hypothesis == one.table.names.index(FEWER_TURNS)
        shares.append(one.table.turns[chosen])
        weights.append(np.exp(one.score[chosen] - top))
    share, weight = np.concatenate(shares), np.concatenate(weights)
    mean = float(share @ weight / weight.sum())
    spread = sqrt(float((share - mean) ** 2 @ weight / weight.sum()))
    return Result(
        value=100 * mean,
        unit="%",
        formula="turns-lost-from-resistance",
        uncertainty=COVERAGE_FACTOR * 100 * spread,
        coverage_factor=COVERAGE_FACTOR,
    )


def _loss(evidence: Evidence, known: Contrasts) -> Result | None:
    """Give the inductance that the lowest pair lacks against the highest, from bridge or pulse."""
    if "inductance" in known.quantities:
        row, power = known.quantities.index("inductance"), 1.0
    elif "pulse" in known.quantities and evidence.law in ("period", "rise"):
        row, power = known.quantities.index("pulse"), 2.0 if evidence.law == "period" else 1.0
    else:
        return None
    logs = power * known.logs[row]
    ratio = exp(float(logs.min() - logs.max()))
    noise = power * float(np.hypot(*np.sort(known.noise[row])[1:]))
    # Two pairs differ by nature in the half of a phase that they do not share.
    natural = evidence.spread.inductance / sqrt(2)
    return Result(
        value=100 * (1 - ratio),
        unit="%",
        formula="loss-of-pair-inductance",
        uncertainty=COVERAGE_FACTOR * 100 * ratio * sqrt(noise**2 + natural**2),
        coverage_factor=COVERAGE_FACTOR,
        inputs=evidence.inputs,
    )


def _terminal(
    evidence: Evidence, known: Contrasts, telling: Sequence[Quantity]
) -> tuple[str | None, tuple[str, ...]]:
    """Name the terminal that two like pairs share, by the first of `telling` that singles one out.

    A step at least twice the other (common practice, no source).
    """
    if evidence.connection == "open":
        return None, ()
    for name in telling:
        logs = known.logs[known.quantities.index(name)]
        order = np.argsort(logs)
        below, above = logs[order[1]] - logs[order[0]], logs[order[2]] - logs[order[1]]
        if max(below, above) <= 2 * min(below, above):
            continue
        two, word = (order[:2], "low") if above > below else (order[1:], "high")
        first, second = sorted(evidence.pairs[place] for place in two)
        shared = next(iter(set(first.split("-")) & set(second.split("-"))))
        return shared, (f"by {name}, the two {word} pairs {first} and {second} share {shared}",)
    return None, ("the three pairs differ in steps and point to no single terminal",)


def _telling(fits: Mapping[str, Fit], known: Contrasts) -> tuple[Quantity, ...]:
    """Give the quantities that may single out a terminal, inductance first.

    Those that alone are beyond a sound winding's: what is within natural spread has a highest pair
    too, and tells nothing. Where none is, and only all together are, the one furthest out.
    """
    far = {name: _alone(name, fits, known) for name in _POINTING if name in known.quantities}
    limit = chi_square_limit(FALSE_ALARM, quantities=1)
    beyond = tuple(name for name, square in far.items() if square > limit)
    return beyond or tuple(sorted(far, key=lambda name: -far[name])[:1])


def _resistance_shows(fits: Mapping[str, Fit], known: Contrasts) -> bool:
    """Tell whether the resistances alone, which no rotor touches, are beyond a sound winding's.

    Where they are not, all that stands out is inductance or pulse, and with the rotor in at one
    angle that may as well be the rotor.
    """
    if "resistance" not in known.quantities:
        return False
    limit = chi_square_limit(FALSE_ALARM, quantities=1)
    return _alone("resistance", fits, known) > limit


def _alone(name: Quantity, fits: Mapping[str, Fit], known: Contrasts) -> float:
    """Give the squared Mahalanobis distance of one quantity's contrasts from a sound winding's.

    Half of what a phase differs shows in a contrast, be it star or delta: either table will do.
    """
    first = 2 * known.quantities.index(name)
    place = slice(first, first + 2)
    vector, balanced = known.vector[place], next(iter(fits.values())).table.balanced[place, place]
    return float(vector @ np.linalg.solve(balanced, vector))


def _words(
    statement: Statement,
    ranked: list[Candidate],
    coils: Mapping[str, str],
    *,
    rotor_or_turns: bool,
) -> list[str]:
    match statement:
        case "balanced":
            return ["no difference between U, V and W beyond readings and natural spread"]
        case "named":
            where = _by_connection(ranked[0].places)
            return [ranked[0].hypothesis + (f": {where}" if where else "")]
        case "no single cause":
            return ["no single cause fits: a bad reading, or two faults at once; cannot tell"]
        case "cannot tell":
            leaders = [one.hypothesis for one in ranked if one.probability > advice.LEADING]
            if rotor_or_turns:
                return ["rotor or turns: cannot tell; turn the shaft or take the rotor out"]
            listed = " or ".join(name for name in leaders if name != BALANCED)
            close = _close_to_the_first(ranked) if len(leaders) == 1 else ""
            return [f"{listed}{close}: cannot tell ({_where(ranked, coils)})"]


def _where(ranked: list[Candidate], coils: Mapping[str, str]) -> str:
    """Say which coil it would be, or which terminal: a joint before a delta's is in no coil."""
    if ranked[0].places and _at_a_terminal(ranked[0]) == ranked[0].places:
        return _by_connection(ranked[0].places)
    coil = f"coil {_by_connection(coils)}"
    for one in ranked:
        if one.hypothesis == HIGH_JOINT and one.probability > advice.LEADING:
            found = _at_a_terminal(one)
            return f"{coil}, or {next(iter(found.values()))}" if found else coil
    return coil


def _at_a_terminal(one: Candidate) -> dict[str, str]:
    return {name: place for name, place in one.places.items() if place.startswith(TERMINAL)}


def _close_to_the_first(ranked: list[Candidate]) -> str:
    """Say which hypothesis fits too nearly as well as the only likely one."""
    others = [one for one in ranked[1:] if one.hypothesis not in (BALANCED, TWO_FAULTS)]
    second = min(others, key=lambda one: one.distance)
    return f" is likeliest, but {second.hypothesis} fits nearly as well"


def _by_connection(places: Mapping[str, str]) -> str:
    if len(places) == 1:
        return next(iter(places.values()))
    return ", ".join(f"{place} if {connection}" for connection, place in places.items())
