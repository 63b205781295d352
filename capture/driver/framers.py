"""Cutting a byte stream into frames with bounded memory.

Strategy: a framer keeps only the beginning of a frame whose end has not come. Past ``limit`` bytes
it forgets what it has, says so once, and skips to the next terminator; so a stream that never ends
a line costs ``limit`` bytes and one event, however long it runs.
"""

from dataclasses import dataclass
from enum import Enum, auto


class Damage(Enum):
    """Why a frame is not whole."""

    TOO_LONG = auto()
    """No terminator within the limit; the rest up to the next terminator was skipped."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame.

    Attributes:
        data: the frame without its terminator; of a damaged frame the first bytes, for the log.
        raw: the frame with its terminator.
        damage: None for a whole frame.
    """

    data: bytes
    raw: bytes
    damage: Damage | None = None


class LineFramer:
    """Frames ended by a terminator.

    The default ends a line at LF or CR, and takes CR LF or LF CR as one end: empty lines are
    passed over, as SCPI instruments differ in which they send. With an explicit ``terminator``
    only that byte string ends a frame, and empty frames are kept.
    """

    def __init__(self, *, terminator: bytes | None = None, limit: int = 4096) -> None:
        if limit < 1 or terminator == b"":
            raise ValueError("a line framer needs a limit of at least 1 and a non-empty terminator")
        self._terminator = terminator
        self._limit = limit
        self._buffer = bytearray()
        self._skipping = False

    def feed(self, data: bytes, *, end_of_message: bool = False) -> list[Frame]:
        """Take bytes; give the frames that they complete.

        ``end_of_message`` ends a frame where the link says so, terminator or not.
        """
        frames: list[Frame] = []
        buffer = self._buffer
        buffer += data
        start = 0
        while True:
            end, after = self._find_end(start)
            if end < 0:
                break
            self._take(bytes(buffer[start:end]), bytes(buffer[start:after]), frames)
            start = after
        del buffer[:start]
        if end_of_message and (buffer or self._skipping):
            rest = bytes(buffer)
            buffer.clear()
            self._take(rest, rest, frames)
        self._bound(frames)
        return frames

    def reset(self) -> bytes:
        """Forget an unfinished frame and give back its bytes."""
        left = bytes(self._buffer)
        self._buffer.clear()
        self._skipping = False
        return left

    @property
    def pending(self) -> int:
        """Bytes kept of a frame whose end has not come."""
        return len(self._buffer)

    def _find_end(self, start: int) -> tuple[int, int]:
        buffer, terminator = self._buffer, self._terminator
        if terminator is not None:
            end = buffer.find(terminator, start)
            return end, end + len(terminator)
        line_feed = buffer.find(b"\n", start)
        carriage_return = buffer.find(b"\r", start, line_feed if line_feed >= 0 else len(buffer))
        end = carriage_return if carriage_return >= 0 else line_feed
        return end, end + 1

    def _take(self, data: bytes, raw: bytes, frames: list[Frame]) -> None:
        if self._skipping:
            self._skipping = False
        elif len(data) > self._limit:
            frames.append(Frame(data[: self._limit], raw[: self._limit], Damage.TOO_LONG))
        elif data or self._terminator is not None:
            frames.append(Frame(data, raw))

    def _bound(self, frames: list[Frame]) -> None:
        buffer = self._buffer
        # A terminator may be cut in two by the end of what has arrived.
        keep = len(self._terminator) - 1 if self._terminator else 0
        if len(buffer) <= self._limit + keep:
            return
        if not self._skipping:
            first = bytes(buffer[: self._limit])
            frames.append(Frame(first, first, Damage.TOO_LONG))
            self._skipping = True
        del buffer[: len(buffer) - keep]
