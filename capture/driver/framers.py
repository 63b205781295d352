"""Cutting a byte stream into frames with bounded memory.

Strategy: a framer keeps only the beginning of a frame whose end has not come. Past ``limit`` bytes
it forgets what it has, says so once, and skips to the next terminator; so a stream that never ends
a line costs ``limit`` bytes and one event, however long it runs.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum, auto


class Damage(Enum):
    """Why a frame is not whole."""

    TOO_LONG = auto()
    """No terminator within the limit; the rest up to the next terminator was skipped."""
    NO_FRAME = auto()
    """Bytes of a packed stream that belong to no frame."""


@dataclass(slots=True)
class Frame:
    """One frame. Not frozen, since one is made of every line; not to be altered all the same.

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

    Raises ValueError for an empty terminator, or a limit below one byte.
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
        self._buffer += data
        self._cut(frames)
        buffer = self._buffer
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

    @property
    def skipping(self) -> bool:
        """Whether the rest of a frame that was too long is being passed over."""
        return self._skipping

    def _cut(self, frames: list[Frame]) -> None:
        """Cut off the frames whose end has come."""
        end, whole = self._terminator, bytes(self._buffer)
        if end is not None:
            *lines, rest = whole.split(end)
            for line in lines:
                self._take(line, line + end, frames)
        else:
            lines = whole.splitlines(keepends=True)
            rest = lines.pop() if lines and lines[-1][-1:] not in _ENDS else b""
            for line in lines:
                # The second of a pair ends an empty line, which means nothing, so it is no part of
                # this one: it may also come later.
                data = line.rstrip(b"\r\n")
                if data and len(data) <= self._limit and not self._skipping:
                    frames.append(Frame(data, line[: len(data) + 1]))
                else:
                    self._take(data, line[: len(data) + 1], frames)
        self._buffer[:] = rest

    def _take(self, data: bytes, raw: bytes, frames: list[Frame]) -> None:
        if self._skipping:
            self._skipping = False
        elif len(data) > self._limit:
            frames.append(Frame(data[: self._limit], raw[: self._limit], Damage.TOO_LONG))
        elif data or self._terminator is not None:
            frames.append(Frame(data, raw))

    def _bound(self, frames: list[Frame]) -> None:
        buffer = self._buffer
        keep = self._kept()
        if len(buffer) <= self._limit + keep and not self._skipping:
            return
        if not self._skipping:
            first = bytes(buffer[: self._limit])
            frames.append(Frame(first, first, Damage.TOO_LONG))
            self._skipping = True
        del buffer[: max(0, len(buffer) - keep)]

    def _kept(self) -> int:
        """Tell how many bytes may be the beginning of a line's end, cut by what has arrived."""
        return len(self._terminator) - 1 if self._terminator else 0


_ENDS = (b"\r", b"\n")


class CheckedLineFramer(LineFramer):
    """Lines with a binary checksum of ``size`` bytes, any of which may look like a terminator.

    ``after`` tells that the checksum stands behind the terminator; it then belongs to the frame's
    raw bytes only. Otherwise it stands before it, is part of the data, and ``verify`` tells whether
    data and checksum agree: where they do not, a terminator that comes within the next few bytes
    may be the true one.
    """

    def __init__(
        self,
        terminator: bytes,
        *,
        size: int,
        after: bool,
        verify: Callable[[bytes], bool],
        limit: int = 4096,
    ) -> None:
        super().__init__(terminator=terminator, limit=limit)
        self._end = terminator
        self._size = size
        self._after = after
        self._verify = verify

    def _cut(self, frames: list[Frame]) -> None:
        buffer, start = self._buffer, 0
        while (found := self._find_end(start))[0] >= 0:
            end, after = found
            self._take(bytes(buffer[start:end]), bytes(buffer[start:after]), frames)
            start = after
        del buffer[:start]

    def _find_end(self, start: int) -> tuple[int, int]:
        buffer, width = self._buffer, len(self._end)
        end = buffer.find(self._end, start)
        if end < 0:
            return -1, -1
        if self._after:
            whole = end + width + self._size
            return (end, whole) if whole <= len(buffer) else (-1, -1)
        place = end
        last = end + self._size + width
        while place >= 0:
            if self._verify(bytes(buffer[start:place])):
                return place, place + width
            place = buffer.find(self._end, place + 1, last)
        # Damaged; but as long as the bytes that could be its rest are missing, it may be whole.
        if last > len(buffer):
            return -1, -1
        if self._skipping or end - start > self._limit:
            # The beginning is gone, and with it what the checksum tells: of the ends that may be
            # the checksum's own bytes, the last leaves nothing over that looked like a line.
            end = buffer.rfind(self._end, end, last)
        return end, end + width

    def _kept(self) -> int:
        return len(self._end) - 1 + len(self._end) + self._size


class ScpiFramer:
    """Frames of a SCPI answer: a line, or a definite-length block that may hold line ends.

    A block is ``#``, one digit d from 1 to 9, d digits of length, then so many bytes (IEEE 488.2
    §8.7.9); its frame's data begins with the ``#``. ``#0`` (indefinite) and ``#H``, ``#Q``, ``#B``
    (numbers) are taken as lines.
    """

    def __init__(self, *, line_limit: int = 4096, block_limit: int = 131072) -> None:
        self._lines = LineFramer(limit=line_limit)
        self._block_limit = block_limit
        self._block = bytearray()

    def feed(self, data: bytes, *, end_of_message: bool = False) -> list[Frame]:
        """Take bytes; give the frames that they complete."""
        frames: list[Frame] = []
        while data:
            if self._block or (not self._lines.pending and not self._lines.skipping):
                data = self._feed_start(data, frames)
            else:
                data = self._feed_line(data, frames)
        if end_of_message:
            self._end_block_as_line(frames)
            frames += self._lines.feed(b"", end_of_message=True)
        return frames

    def reset(self) -> bytes:
        """Forget an unfinished frame and give back its bytes."""
        left = bytes(self._block) + self._lines.reset()
        self._block.clear()
        return left

    def _feed_start(self, data: bytes, frames: list[Frame]) -> bytes:
        """Take bytes at the start of a frame or inside a block; give what is left."""
        if not self._block:
            data = data.lstrip(b"\r\n")
            if data[:1] != b"#":
                return self._feed_line(data, frames)
        wanted = self._wanted(self._block + data[: 11 - min(len(self._block), 11)])
        if wanted is None:
            self._end_block_as_line(frames)
            return self._feed_line(data, frames)
        missing = wanted - len(self._block)
        self._block += data[:missing]
        if len(self._block) == wanted and self._wanted(self._block) == wanted:
            block = bytes(self._block)
            self._block.clear()
            frames.append(Frame(block, block))
        return data[missing:]

    def _wanted(self, start: bytes | bytearray) -> int | None:
        """Tell how many bytes of a block are needed by what is known; None where it is none."""
        if len(start) == 1:
            return 2
        digits = start[1] - ord("0")
        if not 1 <= digits <= 9:  # noqa: PLR2004 - one decimal digit, not zero
            return None
        length = bytes(start[2 : 2 + digits])
        if length and not length.isdigit():
            return None
        if len(length) < digits:
            return 2 + digits
        total = 2 + digits + int(length)
        return total if total <= self._block_limit else None

    def _feed_line(self, data: bytes, frames: list[Frame]) -> bytes:
        """Take bytes up to and including the next line end; give what is left."""
        ends = [end for byte in (b"\r", b"\n") if (end := data.find(byte)) >= 0]
        cut = min(ends) + 1 if ends else len(data)
        frames += self._lines.feed(data[:cut])
        return data[cut:]

    def _end_block_as_line(self, frames: list[Frame]) -> None:
        """Take what looked like the beginning of a block for text."""
        start = bytes(self._block)
        self._block.clear()
        frames += self._lines.feed(start)
