"""How well each imagined case explains the evidence: tables of cases, and their likelihoods."""

from dataclasses import dataclass
from functools import lru_cache
from math import exp, log

import numpy as np
from numpy.typing import NDArray

from .balance import Solved
from .evidence import CONTRAST, Contrasts, Evidence, Quantity, Spread
from .forward import MAIN_SHARE, Known, Phases, Scene, pair_logs
from .hypotheses import PRIOR, Cloud, clouds

Array = NDArray[np.float64]

_ROTOR = 0.12  # standard deviation of a contrast: pair inductances that differ by 10 to 30 %
_LEAST_SHARE = 1e-3  # keeps the logarithm of a source without resistance
_ROUND = 0.2  # resistive and lossy parts are rounded to such steps of their logarithm


@dataclass(frozen=True, slots=True)
class Setting:
    """All that the tables depend on; hashable, so that one table serves many windings."""

    connection: Solved
    quantities: tuple[Quantity, ...]
    law: Known
    resistive: float
    lossy: float
    source_share: float
    rotor_in: bool
    paths: int | None
    repeated: bool
    spread: Spread
    noise: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Every case of every hypothesis, whitened: distance² of evidence d is |root·(d − mean)|²."""

    names: tuple[str, ...]
    hypothesis: NDArray[np.int64]
    place: NDArray[np.int64]
    turns: Array
    logs: Array
    mean: Array
    doubt: Array
    root: NDArray[np.float32]
    offset: Array
    balanced: Array  # covariance of a sound winding
    rotor: Array  # what a rotor adds to it


@dataclass(frozen=True, slots=True)
class Fit:
    """The evidence against one table: distance² and logarithm of weight for every case."""

    table: Table
    distance: Array
    score: Array


def setting_of(evidence: Evidence, known: Contrasts, connection: Solved) -> Setting:
    """Give the setting of some evidence, taken to be of one connection."""
    law: Known = "period" if evidence.law == "unknown" else evidence.law
    # Only a time constant depends on the source; elsewhere the number must not split tables.
    share = 0.3
    if law == "time-constant" and known.source_share is not None:
        share = known.source_share + _LEAST_SHARE
    return Setting(
        connection=connection,
        quantities=known.quantities,
        law=law,
        resistive=_rounded(known.resistive),
        lossy=_rounded(known.lossy),
        source_share=_rounded(share),
        rotor_in=evidence.rotor != "out" and bool({"inductance", "pulse"} & set(known.quantities)),
        paths=evidence.parallel_paths,
        repeated=evidence.repeated,
        spread=evidence.spread,
        # The noise of the three readings is rounded too, upwards, to half an octave.
        noise=tuple(2 ** (np.ceil(2 * np.log2(row.max())) / 2) for row in known.noise),
    )


def _rounded(value: float) -> float:
    return exp(round(log(value) / _ROUND) * _ROUND)


def scene_of(setting: Setting) -> Scene:
    """Give the scene that a setting is seen through."""
    return Scene(
        connection=setting.connection,
        law=setting.law,
        resistive=setting.resistive,
        lossy=setting.lossy,
        source_share=setting.source_share,
    )


def natural_covariance(setting: Setting) -> Array:
    """Give the covariance of the contrasts of a sound winding, with the noise of its readings."""
    scene, spread = scene_of(setting), setting.spread
    step = 1e-3
    phases = Phases.sound(9, MAIN_SHARE)
    for phase in range(3):
        phases.ohms[phase, phase] += step
        root = (1 + step) ** 0.5
        for table in (phases.henries, phases.pulse):
            table[3 + phase, phase, :] *= root
            table[3 + phase, :, phase] *= root
        phases.loop[6 + phase, phase] += step * setting.lossy
    # The contrasts of a balanced winding are zero, so what is there is the change.
    logs = pair_logs(phases, scene, setting.quantities)
    slope = (logs / step @ CONTRAST.T).reshape(len(logs), 2 * len(setting.quantities))
    scale = np.repeat([spread.resistance, spread.inductance, spread.loss], 3)
    natural = (slope * scale[:, None]).T @ (slope * scale[:, None])
    noise = np.repeat(np.array(setting.noise) ** 2, 2)
    whole: Array = natural + np.diag(noise)
    return whole


def rotor_covariance(setting: Setting) -> Array:
    """Give what a rotor at one unknown angle adds to the contrasts of everything but resistance.

    Its direction over the pairs is unknown, so that both contrasts get the same. Bridge and pulse
    see the same rotor, though not to the same degree, and the loss follows loosely.
    """
    power = {"period": 0.5, "time-constant": 1.0, "rise": 1.0}[setting.law]
    common = {"resistance": 0.0, "inductance": 1.0, "loss": 0.8, "pulse": power}
    alone = {"resistance": 0.0, "inductance": 0.0, "loss": 0.6, "pulse": 0.3 * power}
    shared = np.array([common[quantity] for quantity in setting.quantities])
    own = np.array([alone[quantity] for quantity in setting.quantities])
    table = np.outer(shared, shared) + np.diag(own**2)
    covariance: Array = np.kron(_ROTOR**2 * table, np.eye(2)).astype(np.float64)
    return covariance


@lru_cache(maxsize=6)  # some 20 MB each, at most
def table_of(setting: Setting) -> Table:
    """Build the table of a setting; the last few are kept."""
    made: list[Cloud] = clouds(
        scene_of(setting),
        setting.quantities,
        rotor_in=setting.rotor_in,
        paths=setting.paths,
        repeated=setting.repeated,
    )
    balanced = natural_covariance(setting)
    logs = np.concatenate([cloud.logs for cloud in made])
    doubt = np.concatenate([cloud.doubt for cloud in made])
    mean = (logs @ CONTRAST.T).reshape(len(logs), len(balanced))
    # Any winding with its rotor in shows the rotor as well, whatever else may be wrong.
    rotor = rotor_covariance(setting) if setting.rotor_in else np.zeros_like(balanced)
    hypothesis = np.repeat(np.arange(len(made)), [len(cloud.weight) for cloud in made])
    covariance = _covariance(balanced, rotor, doubt, hypothesis)
    lower = np.linalg.cholesky(covariance)
    root = np.linalg.inv(lower)
    log_root = -np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
    prior = [np.log(cloud.weight) + log(PRIOR[cloud.hypothesis]) for cloud in made]
    return Table(
        names=tuple(cloud.hypothesis for cloud in made),
        hypothesis=hypothesis,
        place=np.concatenate([cloud.place for cloud in made]),
        turns=np.concatenate([cloud.turns for cloud in made]),
        logs=logs,
        mean=mean,
        doubt=doubt,
        # Half the memory, and seven digits are more than any reading has.
        root=root.astype(np.float32),
        offset=log_root + np.concatenate(prior),
        balanced=balanced,
        rotor=rotor,
    )


def covariance_of(table: Table, cases: NDArray[np.int64]) -> Array:
    """Give the covariances of some cases of a table, by their numbers."""
    return _covariance(table.balanced, table.rotor, table.doubt[cases], table.hypothesis[cases])


def _covariance(
    balanced: Array, rotor: Array, doubt: Array, hypothesis: NDArray[np.int64]
) -> Array:
    """Add to that of a sound winding the rotor, but for the balanced case, and the doubt."""
    covariance: Array = balanced + (hypothesis > 0)[:, None, None] * rotor
    for row in range(doubt.shape[1]):
        part = slice(2 * row, 2 * row + 2)
        covariance[:, part, part] += CONTRAST @ (doubt[:, row, :, None] ** 2 * CONTRAST.T)
    return covariance


def fit(table: Table, vector: Array) -> Fit:
    """Compare the contrasts of some evidence with every case of a table."""
    off = np.einsum("nij,nj->ni", table.root, vector - table.mean)
    distance = np.einsum("ni,ni->n", off, off)
    return Fit(table=table, distance=distance, score=table.offset - distance / 2)


def signal(table: Table, vector: Array) -> float:
    """Give the Mahalanobis distance of the contrasts from a sound, balanced winding."""
    return float(np.sqrt(vector @ np.linalg.solve(table.balanced, vector)))
