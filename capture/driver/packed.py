"""Finding frames of fixed length in a stream that has nothing between them but time.

Strategy: three things can tell where a frame begins, and none is trusted alone.

* A gap: silence of so many seconds before a byte. USB converters and a busy host merge frames and
  tear them apart, so a gap may be missing, or stand inside a frame.
* A check: markers and a checksum in their places. One byte of checksum fits by chance once in 256
  places, and a stream offers as many places as it has bytes.
* The end of a good frame: the next one begins there.

A place counts as the beginning of a frame when the check fits there *and* a second thing agrees:
the frame before it, a gap at one of its ends, or the check of the frame behind it. Without any
check only whole bursts between two gaps count, and only if they hold a whole number of frames.

A check that adds up bytes, such as an exclusive or, does not mind where it starts counting: in a
stream whose frames begin alike it fits at a wrong place in one frame after the other. So a frame
that cannot be read (``plausible``) is believed where a gap stands before it only.
"""

from collections.abc import Callable

from capture.driver.framers import Damage, Frame

_MOST_JUNK = 256  # bytes reported at a time
_MOST_FRAMES = 16  # in one burst, where only gaps part them
_SLICE = 1024


class PackedFramer:
    """Frames of ``length`` bytes.

    ``gap_s`` is the silence between two frames, ``verify`` tells whether so many bytes pass the
    check of a frame; at least one of them must be given. ``plausible`` tells whether they can be
    read. Call `start` when the stream is opened, `feed` for
    bytes, and `flush` when `wake_at` has come. All times are monotonic seconds.

    Raises ValueError for no length, or for neither a gap nor a check.
    """

    def __init__(
        self,
        length: int,
        *,
        gap_s: float | None = None,
        verify: Callable[[bytes], bool] | None = None,
        plausible: Callable[[bytes], bool] = lambda _frame: True,
    ) -> None:
        if length < 1 or (gap_s is None and verify is None):
            raise ValueError("packed frames need a length, and a gap or a check")
        self._length = length
        self._gap_s = gap_s
        self._verify = verify
        self._plausible = plausible
        self._buffer = bytearray()
        self._last: float | None = None
        self._junk = bytearray()
        # With a check: places of gaps, whether a frame ended where the buffer begins, how many
        # places were checked, and those of them where the check fits.
        self._gaps: list[int] = []
        self._follows = False
        self._checked = 0
        self._fitting: list[int] = []
        # Without one: whether the burst under way is to be dropped, for it may have begun earlier.
        self._dropping = True

    def start(self, now: float) -> None:
        """Take note that the stream is open from now on."""
        self._last = now

    def feed(self, data: bytes, now: float) -> list[Frame]:
        """Take bytes; give the frames that are certain by now."""
        frames: list[Frame] = []
        self._note_gap(now, frames)
        for start in range(0, len(data), _SLICE):
            self._buffer += data[start : start + _SLICE]
            self._look(frames)
        self._last = now
        return frames

    def flush(self, now: float) -> list[Frame]:
        """Give the frames that silence makes certain."""
        frames: list[Frame] = []
        self._note_gap(now, frames)
        self._look(frames)
        return frames

    def wake_at(self) -> float | None:
        """Tell when silence would make something certain; None where it would not."""
        if self._gap_s is None or self._last is None or not (self._buffer or self._junk):
            return None
        return self._last + self._gap_s

    def reset(self) -> None:
        """Forget everything; the next byte may stand anywhere in a frame."""
        for each in (self._buffer, self._junk, self._gaps, self._fitting):
            each.clear()
        self._last, self._follows, self._checked, self._dropping = None, False, 0, True

    @property
    def pending(self) -> int:
        """Bytes kept."""
        return len(self._buffer) + len(self._junk)

    def _note_gap(self, now: float, frames: list[Frame]) -> None:
        if self._gap_s is None or self._last is None or now - self._last < self._gap_s:
            return
        self._last = None  # one silence is one gap, however long it lasts
        if self._verify is None:
            self._end_burst(frames)
            return
        place = len(self._buffer)
        if place not in self._gaps:
            self._gaps.append(place)
        self._report_junk(frames)

    def _look(self, frames: list[Frame]) -> None:
        if self._verify is None:
            self._bound_burst(frames)
        else:
            self._look_for_checked(self._verify, frames)

    # ── with a check ─────────────────────────────────────────────────────────────────────────

    def _look_for_checked(self, verify: Callable[[bytes], bool], frames: list[Frame]) -> None:
        while True:
            if self._follows:
                self._follow(verify, frames)
            if self._follows or not self._hunt(verify, frames):
                return

    def _follow(self, verify: Callable[[bytes], bool], frames: list[Frame]) -> None:
        """Take frame after frame for as long as each begins where the one before it ended."""
        buffer, length, taken = self._buffer, self._length, 0
        torn = min((gap for gap in self._gaps if gap % length), default=len(buffer))
        while taken + length <= len(buffer):
            raw = bytes(buffer[taken : taken + length])
            if taken + length > torn or not verify(raw):
                self._follows = False
                break
            frames.append(Frame(raw, raw))
            taken += length
            if not self._plausible(raw):
                self._follows = False
                break
        self._cut(taken)

    def _hunt(self, verify: Callable[[bytes], bool], frames: list[Frame]) -> bool:
        """Look for a place where a frame begins for certain; True when one was found."""
        buffer, length = self._buffer, self._length
        for place in range(self._checked, len(buffer) - length + 1):
            window = bytes(buffer[place : place + length])
            if verify(window) and (place in self._gaps or self._plausible(window)):
                self._fitting.append(place)
            self._checked = place + 1
        found = self._certain()
        undecided = self._fitting[0] if self._fitting else self._checked
        self._pass_over(undecided if found is None else found, frames)
        if found is None:
            return False
        self._report_junk(frames)
        raw = bytes(buffer[:length])
        frames.append(Frame(raw, raw))
        self._cut(length)
        self._fitting.clear()
        self._checked, self._follows = 0, self._plausible(raw)
        return True

    def _certain(self) -> int | None:
        """Tell the first place where a frame begins for certain; None while there is none."""
        length, gaps = self._length, self._gaps
        for place in self._fitting:
            if place in gaps or place + length in gaps or place + length in self._fitting:
                return place
        # What the check of the next frame has refuted is no frame.
        self._fitting = [each for each in self._fitting if each + length >= self._checked]
        return None

    def _pass_over(self, count: int, frames: list[Frame]) -> None:
        if count > 0:
            self._junk += self._buffer[:count]
            self._cut(count)
            if len(self._junk) >= _MOST_JUNK:
                self._report_junk(frames)

    def _cut(self, count: int) -> None:
        del self._buffer[:count]
        self._gaps = [place - count for place in self._gaps if place >= count]
        self._fitting = [place - count for place in self._fitting if place >= count]
        self._checked = max(0, self._checked - count)

    # ── without a check ──────────────────────────────────────────────────────────────────────

    def _end_burst(self, frames: list[Frame]) -> None:
        burst = bytes(self._buffer)
        self._buffer.clear()
        whole = not self._dropping and len(burst) % self._length == 0
        self._dropping = False
        if not whole:
            self._junk += burst
            self._report_junk(frames)
            return
        for start in range(0, len(burst), self._length):
            raw = burst[start : start + self._length]
            frames.append(Frame(raw, raw))

    def _bound_burst(self, frames: list[Frame]) -> None:
        if len(self._buffer) > self._length * _MOST_FRAMES or self._dropping:
            self._dropping = True
            self._junk += self._buffer
            self._buffer.clear()
            if len(self._junk) >= _MOST_JUNK:
                self._report_junk(frames)

    def _report_junk(self, frames: list[Frame]) -> None:
        for start in range(0, len(self._junk), _MOST_JUNK):
            raw = bytes(self._junk[start : start + _MOST_JUNK])
            frames.append(Frame(raw, raw, Damage.NO_FRAME))
        self._junk.clear()
