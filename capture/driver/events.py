"""What a driver tells the session, and what it asks the session to do."""

from dataclasses import dataclass
from enum import StrEnum

from capture.model import Indication


@dataclass(frozen=True, slots=True)
class Identified:
    """The instrument said what it is (``*IDN?`` or a banner). Missing parts are empty."""

    maker: str
    model: str
    serial: str
    firmware: str
    raw: bytes


@dataclass(frozen=True, slots=True)
class Malformed:
    """Bytes that are no frame of this instrument, or a frame that could mean two things."""

    raw: bytes
    reason: str


@dataclass(frozen=True, slots=True)
class NoAnswer:
    """A query was not answered in time."""

    query: bytes
    waited: float


@dataclass(frozen=True, slots=True)
class InstrumentFault:
    """An entry of the instrument's own error queue."""

    code: int
    text: str


@dataclass(frozen=True, slots=True)
class PowerCycled:
    """The instrument was switched off and on: its settings may be gone."""


Event = Indication | Identified | Malformed | NoAnswer | InstrumentFault | PowerCycled


class Reply(StrEnum):
    """What answer a message calls for."""

    NONE = "none"
    LINE = "line"
    """One line on a stream link; one message on a message link."""
    MESSAGE = "message"
    """Binary data that may hold line feeds; on a stream link its length is in the data."""


@dataclass(frozen=True, slots=True)
class Send:
    """Write ``data``; an answer as ``reply`` says is due within ``timeout`` seconds."""

    data: bytes
    reply: Reply = Reply.NONE
    timeout: float = 0.0


@dataclass(frozen=True, slots=True)
class Resync:
    """Bring the link back to a known state: what is still on its way belongs to nobody."""

    reason: str


Action = Send | Resync
