"""What can be wrong with a winding, each as its place and its size."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortedTurns:
    """Some turns of one coil bridged by a contact; they carry their own current from then on.

    `coupling` is how closely they follow the rest of their coil, beyond the main flux.
    """

    phase: str
    turns: float
    contact_ohms: float = 1e-3
    coupling: float = 0.6
    group: int = 0
    path: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class FewerTurns:
    """A share of the turns of a phase is missing, all in one coil: cut out, or never wound."""

    phase: str
    share: float
    group: int = 0
    path: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class HighJoint:
    """A joint at the line end of a phase that adds resistance."""

    phase: str
    ohms: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenPhase:
    """A phase that is interrupted."""

    phase: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenPath:
    """One of the parallel paths of a phase is interrupted."""

    phase: str
    path: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ReversedGroup:
    """One coil of a phase is connected the wrong way round."""

    phase: str
    group: int = 0
    path: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseToPhase:
    """A contact between the far ends of the first coils of two phases."""

    first: str
    second: str
    ohms: float = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class EarthFault:
    """A contact from one phase to the frame; without a second one it closes no circuit."""

    phase: str
    ohms: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DampInsulation:
    """Moisture: leakage rises by this factor, and absorption with its root."""

    factor: float = 30.0


Fault = (
    ShortedTurns
    | FewerTurns
    | HighJoint
    | OpenPhase
    | OpenPath
    | ReversedGroup
    | PhaseToPhase
    | EarthFault
    | DampInsulation
)

#: What each is called where it is asked for.
NAMES: dict[str, type[Fault]] = {
    "shorted-turns": ShortedTurns,
    "fewer-turns": FewerTurns,
    "high-joint": HighJoint,
    "open-phase": OpenPhase,
    "open-path": OpenPath,
    "reversed-group": ReversedGroup,
    "phase-to-phase": PhaseToPhase,
    "earth-fault": EarthFault,
    "damp-insulation": DampInsulation,
}
