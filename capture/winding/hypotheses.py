"""What may be wrong with a winding: each hypothesis as a cloud of cases over what nobody knows.

A hypothesis is spread over the three coils (or pairs), over sizes, and over the uncertain physics:
how inductance goes with turns (exponent 1.6 to 2.6), how strongly phases are coupled (M/L from
−½ to 0), how a shorted loop answers at the frequency of the bridge and of the pulse. Its
likelihood is the mean over the cloud, so a hypothesis that could explain anything explains little.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .contact import contact_logs
from .evidence import Quantity
from .forward import MAIN_SHARE, Phases, Scene, pair_logs

Array = NDArray[np.float64]

BALANCED = "balanced"
FEWER_TURNS = "fewer turns in one coil"
SHORTED_TURNS = "shorted turns"
HIGH_JOINT = "high-resistance joint"
OPEN_PHASE = "open phase"
OPEN_PATH = "open parallel path"
REVERSED = "reversed group or wrong connection"
ROTOR = "effect of the rotor"
BAD_READING = "one bad reading"
PHASE_TO_PHASE = "phase-to-phase"
EARTH_PATH = "earth path"
TWO_FAULTS = "two faults at once"

# How often each is met before anything is measured: common practice, no source. Only the order
# of the candidates depends on it; evidence of some size outweighs it.
PRIOR = {
    BALANCED: 0.5,
    FEWER_TURNS: 0.08,
    SHORTED_TURNS: 0.12,
    HIGH_JOINT: 0.12,
    OPEN_PHASE: 0.03,
    OPEN_PATH: 0.04,
    REVERSED: 0.04,
    ROTOR: 0.1,
    BAD_READING: 0.08,
    PHASE_TO_PHASE: 0.03,
    TWO_FAULTS: 0.03,
}
COIL_FAULTS = (FEWER_TURNS, SHORTED_TURNS, HIGH_JOINT, OPEN_PHASE, OPEN_PATH, REVERSED)

TERMINALS_FROM = 3  # places from here on are line terminals, where they are not a coil's

_STEP = 1.15  # ratio of neighbouring sizes; the model's doubt covers half a step
_DEEPEST = 0.9  # a loop never takes all of the inductance
_MOST_TURNS = 0.3  # share of a phase's resistance that shorted turns take with them
_COARSE = 2.5  # times that doubt, where the steps are so much wider
_REVERSED_PARTS = (1, 2, 3, 4, 5, 6, 8, 10, 12, 16)  # coils or groups that a phase has
_DOUBT = 0.08  # of each predicted shift: steps, and phases that are lumped


@dataclass(slots=True)
class Cloud:
    """The cases of one hypothesis: predicted logarithms, their doubt, place, size, weight.

    `logs` and `doubt` are (case, quantity, pair); `place` is 0, 1, 2 for the coil U, V, W or the
    pair in order, 3, 4, 5 for the line terminal U, V, W, −1 for none; `turns` is the share of turns
    lost, where that means something.
    """

    hypothesis: str
    logs: Array
    doubt: Array
    place: NDArray[np.int64]
    turns: Array
    weight: Array


def sizes(low: float, high: float) -> Array:
    """Give sizes from low to high in even ratios."""
    count = int(np.ceil(np.log(high / low) / np.log(_STEP))) + 1
    return np.geomspace(low, high, count)


def grid(*axes: object) -> list[Array]:
    """Give every combination of the axes, as one flat array an axis."""
    meshed = np.meshgrid(*[np.asarray(axis, dtype=float) for axis in axes], indexing="ij")
    return [mesh.ravel() for mesh in meshed]


def clouds(
    scene: Scene,
    quantities: tuple[Quantity, ...],
    *,
    rotor_in: bool,
    paths: int | None,
    repeated: bool,
) -> list[Cloud]:
    """Give the clouds of all hypotheses that the evidence can speak of, balanced first."""
    made = [
        _sound(BALANCED, scene, quantities),
        _fewer_turns(scene, quantities),
        _shorted_turns(scene, quantities),
        _high_joint(scene, quantities),
        _reversed(scene, quantities),
        _bad_reading(scene, quantities, repeated=repeated),
        _phase_to_phase(scene, quantities),
        _two_faults(scene, quantities),
    ]
    if paths != 1:
        made.append(_open_path(scene, quantities, paths))
    if scene.connection == "delta":
        made.append(_open_phase(scene, quantities))
    if rotor_in:
        # The balanced winding again: the rotor's share is in the covariance of all but that.
        made.append(_sound(ROTOR, scene, quantities))
    return made


def _cloud(
    hypothesis: str,
    phases: Phases,
    place: NDArray[np.generic],
    scene: Scene,
    quantities: tuple[Quantity, ...],
    *,
    turns: Array | None = None,
    loss_doubt: float = 0.0,
) -> Cloud:
    count = len(place)
    logs = pair_logs(phases, scene, quantities)
    shift = _shift(logs)
    doubt = _DOUBT * shift
    if "loss" in quantities:
        row = quantities.index("loss")
        largest = shift.max(axis=(1, 2))
        doubt[:, row] = np.hypot(doubt[:, row], loss_doubt * largest[:, None])
    return Cloud(
        hypothesis=hypothesis,
        logs=logs,
        doubt=doubt,
        place=place.astype(np.int64),
        turns=np.full(count, np.nan) if turns is None else turns,
        weight=np.full(count, 1 / count),
    )


def _shift(logs: Array) -> Array:
    """Give how far each pair has moved from the mean of the three, which a sound winding reads."""
    found: Array = np.abs(logs - logs.mean(axis=2, keepdims=True))
    return found


def _scale(henries: Array, coil: Array, factor: Array) -> None:
    """Multiply the flux linkage of one phase by a factor: self by its square, mutual by itself."""
    rows = np.arange(len(coil))
    index = coil.astype(np.int64)
    henries[rows, index, :] *= factor[:, None]
    henries[rows, :, index] *= factor[:, None]


def _sound(hypothesis: str, scene: Scene, quantities: tuple[Quantity, ...]) -> Cloud:
    return _cloud(hypothesis, Phases.sound(1, MAIN_SHARE), np.array([-1]), scene, quantities)


def _fewer_turns(scene: Scene, quantities: tuple[Quantity, ...]) -> Cloud:
    coil, share, exponent, main = grid(
        range(3), sizes(0.003, 0.7), np.linspace(1.6, 2.6, 6), (0.1, 0.6, 0.95)
    )
    phases = Phases.sound(len(coil), main)
    rows, index = np.arange(len(coil)), coil.astype(np.int64)
    phases.ohms[rows, index] = 1 - share
    left = (1 - share) ** (exponent / 2)
    _scale(phases.henries, coil, left)
    phases.pulse = phases.henries.copy()
    return _cloud(FEWER_TURNS, phases, coil, scene, quantities, turns=share)


def _shorted_turns(scene: Scene, quantities: tuple[Quantity, ...]) -> Cloud:
    """Let a loop take a share of the inductance; how much depends on how fast it is asked.

    `tangent` is R/(ωL) of the loop at the bridge: with it comes loss, tangent times what the
    inductance falls. `quick` is the fall seen by the pulse over that seen by the bridge. The
    resistance falls by the turns that no longer count, a small part of what inductance loses.
    """
    bridge = "inductance" in quantities  # and loss with it
    tangents = (0.03, 0.1, 0.3, 0.8, 2.0, 5.0) if bridge else (0.0,)
    quicks = (0.02, 0.1, 0.3, 0.6, 1.0, 1.4, 2.5, 5.0) if bridge and "pulse" in quantities else (1,)
    parts = (0.01, 0.05, 0.12, 0.25) if "resistance" in quantities else (0.1,)
    if "resistance" in quantities and not bridge and scene.law == "time-constant":
        # A slow measurement hardly sees the loop, and the turns' resistance may weigh as much.
        parts = (*parts, 0.6, 1.5)
    coil, fall, tangent, quick, part = grid(range(3), sizes(0.003, 0.85), tangents, quicks, parts)
    pulse_fall = fall * quick
    keep = (pulse_fall < _DEEPEST) & (fall * part < _MOST_TURNS)
    coil, fall, tangent, part = coil[keep], fall[keep], tangent[keep], part[keep]
    pulse_fall = pulse_fall[keep]
    phases = Phases.sound(len(coil), MAIN_SHARE)
    rows, index = np.arange(len(coil)), coil.astype(np.int64)
    phases.ohms[rows, index] = 1 - fall * part
    _scale(phases.henries, coil, np.sqrt(1 - fall))
    _scale(phases.pulse, coil, np.sqrt(1 - pulse_fall))
    phases.loop[rows, index] = fall * tangent
    return _cloud(SHORTED_TURNS, phases, coil, scene, quantities, loss_doubt=0.15)


def _high_joint(scene: Scene, quantities: tuple[Quantity, ...]) -> Cloud:
    # In a delta the lug or crimp of a line lies before two coils, and raises two pairs alike.
    places = 2 * TERMINALS_FROM if scene.connection == "delta" else TERMINALS_FROM
    place, more = grid(range(places), sizes(0.003, 20.0))
    index, rows = place.astype(np.int64), np.arange(len(place))
    phases = Phases.sound(len(place), MAIN_SHARE)
    phases.lines = np.zeros((len(place), 3))
    in_coil = index < TERMINALS_FROM
    phases.ohms[rows[in_coil], index[in_coil]] = 1 + more[in_coil]
    phases.lines[rows[~in_coil], index[~in_coil] - TERMINALS_FROM] = more[~in_coil]
    return _cloud(HIGH_JOINT, phases, place, scene, quantities)


def _open_phase(scene: Scene, quantities: tuple[Quantity, ...]) -> Cloud:
    coil, main = grid(range(3), np.linspace(0.05, 0.95, 7))
    phases = Phases.sound(len(coil), main)
    rows, index = np.arange(len(coil)), coil.astype(np.int64)
    phases.ohms[rows, index] = 1e6
    # A coil that takes no current links nothing.
    phases.henries[rows, index, index] = 1e6
    phases.pulse = phases.henries.copy()
    return _cloud(OPEN_PHASE, phases, coil, scene, quantities)


def _open_path(scene: Scene, quantities: tuple[Quantity, ...], paths: int | None) -> Cloud:
    counts = (2, 3, 4, 6, 8) if paths is None else (paths,)
    coil, count, main, rise = grid(
        range(3), counts, (0.1, 0.35, 0.6, 0.8, 0.95), (0.0, 0.25, 0.5, 1.0)
    )
    ratio = count / (count - 1)
    phases = Phases.sound(len(coil), main)
    rows, index = np.arange(len(coil)), coil.astype(np.int64)
    phases.ohms[rows, index] = ratio
    # The main flux stays, the leakage of the remaining paths is higher; the saturation of the
    # former and the coupling of the latter leave it open by how much.
    extra = (1 - main) * (ratio - 1) * (1 - rise)
    phases.henries[rows, index, index] += extra
    phases.pulse = phases.henries.copy()
    return _cloud(OPEN_PATH, phases, coil, scene, quantities)


def _reversed(scene: Scene, quantities: tuple[Quantity, ...]) -> Cloud:
    """Let one of so many parts of a phase work against the rest; 1 is the whole phase reversed."""
    coil, parts, main = grid(range(3), _REVERSED_PARTS, np.linspace(0.05, 0.95, 12))
    phases = Phases.sound(len(coil), main)
    rows, index = np.arange(len(coil)), coil.astype(np.int64)
    flux = 1 - 2 / parts
    _scale(phases.henries, coil, flux)
    phases.henries[rows, index, index] = (1 - main) + main * flux**2
    phases.pulse = phases.henries.copy()
    return _cloud(REVERSED, phases, coil, scene, quantities, loss_doubt=0.1)


def _bad_reading(scene: Scene, quantities: tuple[Quantity, ...], *, repeated: bool) -> Cloud:
    """One pair of one quantity reads wrong: a clip adds resistance, a slip of a key anything."""
    size = sizes(0.003, 6.0)
    row, pair, deviation = grid(
        range(len(quantities)), range(3), np.concatenate([-size[::-1], size])
    )
    count = len(pair)
    cloud = _cloud(BAD_READING, Phases.sound(count, MAIN_SHARE), pair, scene, quantities)
    index = (np.arange(count), row.astype(np.int64), pair.astype(np.int64))
    cloud.logs[index] += deviation
    cloud.doubt[:] = 0
    cloud.doubt[index] = _DOUBT * np.abs(deviation)
    clip = np.isin(quantities, ("resistance", "loss"))[row.astype(np.int64)]
    weight = 1 + 0.7 * np.sign(deviation) * clip
    # A reading that was repeated with the leads put on anew is seldom wrong twice alike.
    cloud.weight = weight / weight.sum() * (0.02 if repeated else 1.0)
    return cloud


def _two_faults(scene: Scene, quantities: tuple[Quantity, ...]) -> Cloud:
    """Put a fault of the turns in one phase, and another or a high joint in a second phase.

    Coarse on purpose: it is there so that two faults are not taken for one of another kind, and
    never to be named. Each of the two is larger than natural spread, or one would do.
    """
    bridge = "inductance" in quantities  # and loss with it
    tangents = (0.05, 0.5, 2.0) if bridge else (0.0,)
    quicks = (0.4, 1.0, 1.6) if bridge and "pulse" in quantities else (1.0,)
    parts = (0.05, 0.5) if "resistance" in quantities else (0.1,)
    falls = np.geomspace(0.05, 0.6, 7)
    joints = np.geomspace(0.03, 2.0, 7)
    one = grid(range(3), (1,), falls, parts, tangents, quicks, falls, parts, (0.0,))
    two = grid(range(3), (1, 2), falls, parts, tangents, quicks, (0.0,), (0.0,), joints)
    first, step, fall, part, tangent, quick, other_fall, other_part, joint = (
        np.concatenate(pair) for pair in zip(one, two, strict=True)
    )
    second = (first + step) % 3
    phases = Phases.sound(len(first), MAIN_SHARE)
    rows = np.arange(len(first))
    for coil, lost, share in ((first, fall, part), (second, other_fall, other_part)):
        index = coil.astype(np.int64)
        phases.ohms[rows, index] = 1 - lost * share
        _scale(phases.henries, coil, np.sqrt(1 - lost))
        _scale(phases.pulse, coil, np.sqrt(1 - np.minimum(lost * quick, _DEEPEST)))
        phases.loop[rows, index] = lost * tangent
    phases.ohms[rows, second.astype(np.int64)] += joint
    nowhere = np.full(len(first), -1)
    cloud = _cloud(TWO_FAULTS, phases, nowhere, scene, quantities, loss_doubt=0.3)
    cloud.doubt *= _COARSE
    return cloud


def _phase_to_phase(scene: Scene, quantities: tuple[Quantity, ...]) -> Cloud:
    """Join two phases by a contact at some depth: a network of two halves a phase.

    How a slow pulse divides between the contact and the turns behind it is modelled by the
    impedance at one frequency only, hence the doubt.
    """
    pair, depth, contact, main = grid(
        range(3), (0.05, 0.12, 0.25, 0.5, 0.8), np.geomspace(0.003, 20, 14), (0.3, 0.7)
    )
    logs = contact_logs(scene, quantities, pair.astype(np.int64), depth, contact, main)
    factor = np.full(len(quantities), 2 * _DOUBT)
    if "pulse" in quantities and scene.law != "period":
        factor[quantities.index("pulse")] = 0.3
    return Cloud(
        hypothesis=PHASE_TO_PHASE,
        logs=logs,
        doubt=_shift(logs) * factor[:, None],
        place=pair.astype(np.int64),
        turns=np.full(len(pair), np.nan),
        weight=np.full(len(pair), 1 / len(pair)),
    )
