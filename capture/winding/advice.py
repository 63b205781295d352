"""Reasons for and against, what a pass could have seen, and which measurement to take next."""

from collections.abc import Mapping
from math import exp

import numpy as np
from numpy.typing import NDArray

from .evidence import (
    DEFAULT_NOISE,
    QUANTITIES,
    Contrasts,
    Evidence,
    Quantity,
    connections_of,
)
from .hypotheses import BAD_READING, BALANCED, FEWER_TURNS
from .likelihood import Fit, Setting, covariance_of, setting_of, table_of
from .suspicion import Candidate

Array = NDArray[np.float64]

_FITS = 11.8  # χ² of two contrasts that a true hypothesis exceeds three times in a thousand
_BRIDGE = "read inductance and series resistance of the pairs with a bridge, rotor out"
_AGAIN = "read the pairs again with the leads put on anew"
_ROTOR = "turn the shaft over a pole pitch and read the inductances, or take the rotor out"
_HOW: dict[Quantity, str] = {
    "resistance": "read the three pair resistances four-wire, on one fixed range",
    "inductance": _BRIDGE,
    "loss": _BRIDGE,
    "pulse": "compare the pulse times of the three pairs at the voltage the procedure has already",
}
LEADING = 0.02  # probability from which a hypothesis is worth a word


def reasons(
    evidence: Evidence, known: Contrasts, fits: Mapping[str, Fit], hypothesis: str
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Say for each quantity what it shows, and whether the hypothesis expects that."""
    likeliest = []
    for one in fits.values():
        if hypothesis in one.table.names:
            own = one.table.hypothesis == one.table.names.index(hypothesis)
            score = np.where(own, one.score, -np.inf)
            likeliest.append((float(score.max()), int(score.argmax()), one.table))
    _, case, table = max(likeliest, key=lambda found: found[0])
    off = known.vector - table.mean[case]
    (spread,) = covariance_of(table, np.array([case]))
    speaks_for: list[str] = []
    speaks_against: list[str] = []
    for row, quantity in enumerate(known.quantities):
        part = slice(2 * row, 2 * row + 2)
        covariance = spread[part, part]
        misfit = float(off[part] @ np.linalg.solve(covariance, off[part]))
        logs = known.logs[row] - known.logs[row].max()
        shown = ", ".join(
            f"{pair} {100 * (exp(value) - 1):+z.1f} %"
            for pair, value in zip(evidence.pairs, logs, strict=True)
        )
        text = f"{quantity}, against the highest pair: {shown}"
        (speaks_for if misfit < _FITS else speaks_against).append(text)
    return tuple(speaks_for), tuple(speaks_against)


def pass_words(evidence: Evidence, fits: Mapping[str, Fit], threshold: float) -> list[str]:
    """Say what a pass could have seen: the least deviation, and the least loss of turns."""
    if not evidence.pulse or evidence.law == "unknown":
        return []
    deviations, shares = [], []
    for one in fits.values():
        table = one.table
        solved = np.linalg.solve(table.balanced, (table.mean - table.mean[0]).T).T
        distance = np.sqrt(np.einsum("ni,ni->n", table.mean - table.mean[0], solved))
        fewer = table.hypothesis == table.names.index(FEWER_TURNS)
        shown = fewer & (distance > threshold)
        if not shown.any():
            continue
        # The exponent nobody knows: only a loss that shows with every exponent does show.
        shares.append(float(table.turns[fewer & ~shown].max(initial=0.0)))
        row = table.logs[shown][int(distance[shown].argmin())][-1]
        deviations.append(1 - exp(float(row.min() - row.max())))
    if not shares:
        return []
    sentence = (
        f"no difference above {100 * max(deviations):.1f} %; a loss of about"
        f" {100 * max(shares):.0f} % of a coil's turns would show; a weak turn that breaks down"
        " only at higher voltage would not"
    )
    return [sentence]


def next_measurement(
    evidence: Evidence,
    known: Contrasts,
    statement: str,
    ranked: list[Candidate],
    *,
    rotor_or_turns: bool,
) -> str:
    """Name the measurement that would best tell the leading hypotheses apart.

    Each quantity not yet taken is tried on the leaders: the further apart their predictions lie,
    in units of their own spread, the better. It is never one at a higher voltage.
    """
    leaders = [
        one.hypothesis for one in ranked if one.probability > LEADING and one.hypothesis != BALANCED
    ]
    match statement:
        case "balanced":
            return "none is needed to tell hypotheses apart"
        case "no single cause":
            return _AGAIN + ", on one fixed range"
        case "named":
            return f"confirm it: {_AGAIN}"
        case _:
            if rotor_or_turns:
                return _ROTOR
            return _to_tell_apart(evidence, known, leaders)


def _to_tell_apart(evidence: Evidence, known: Contrasts, leaders: list[str]) -> str:
    if BAD_READING in leaders[:2] and not evidence.repeated:
        return _AGAIN
    missing = [quantity for quantity in QUANTITIES if quantity not in known.quantities]
    if missing and len(leaders) > 1:
        found = _separations(evidence, known, leaders[:2], missing)
        best = max(found, key=lambda quantity: found[quantity])
        if found[best] > 1:
            return _HOW[best]
    if evidence.connection == "unknown":
        return "find out the connection: look at the links in the terminal box"
    return _AGAIN if evidence.connection == "open" else "take the links off, read each phase alone"


def _separations(
    evidence: Evidence, known: Contrasts, names: list[str], missing: list[Quantity]
) -> dict[Quantity, float]:
    """Give, for each quantity not taken, how far apart two hypotheses expect it to lie."""
    connection = connections_of(evidence)[0]
    plain = setting_of(evidence, known, connection)
    found: dict[Quantity, float] = {}
    for quantity in missing:
        wanted: tuple[Quantity, ...] = tuple(
            q for q in QUANTITIES if q in known.quantities or q == quantity
        )
        noise = dict(zip(known.quantities, plain.noise, strict=True))
        setting = Setting(
            connection=connection,
            quantities=wanted,
            law=plain.law,
            resistive=plain.resistive,
            lossy=plain.lossy,
            source_share=plain.source_share,
            rotor_in=plain.rotor_in,
            paths=plain.paths,
            repeated=plain.repeated,
            spread=plain.spread,
            noise=tuple(noise.get(q, DEFAULT_NOISE[q]) for q in wanted),
        )
        found[quantity] = _separation(setting, known, names, quantity)
    return found


def _separation(setting: Setting, known: Contrasts, names: list[str], quantity: Quantity) -> float:
    table = table_of(setting)
    place = setting.quantities.index(quantity)
    new = np.arange(2 * place, 2 * place + 2)
    old = np.setdiff1d(np.arange(2 * len(setting.quantities)), new)
    off = known.vector - table.mean[:, old]
    part = covariance_of(table, np.arange(len(table.mean)))[:, old[:, None], old]
    distance = np.einsum("ni,ni->n", off, np.linalg.solve(part, off[:, :, None])[:, :, 0])
    expected = []
    for name in names:
        if name not in table.names:
            return 0.0
        chosen = table.hypothesis == table.names.index(name)
        score = table.offset[chosen] - distance[chosen] / 2
        weight = np.exp(score - score.max())
        weight /= weight.sum()
        mean = weight @ table.mean[chosen][:, new]
        spread = table.mean[chosen][:, new] - mean
        covariance = (spread * weight[:, None]).T @ spread + table.balanced[np.ix_(new, new)]
        expected.append((mean, covariance))
    (first, one), (second, other) = expected
    apart = first - second
    return float(np.sqrt(apart @ np.linalg.solve(one + other, apart)))
