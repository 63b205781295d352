r"""ASCII meter: reads what a profile describes, sent unasked or in answer to a poll.

Frames, for instance::

    ◀ INS    512.4 MOhm\r\n                 value and unit
    ◀ INS   >5.50 GOhm\r\n                  a bound: above range
    ◀ INS    ----\r\n                       no valid value
    ◀ 0:15 500 V 512.4 MOhm\r\n             elapsed time and two values
    ◀ 0007,2026-03-14 08:00:00,0.8242 Ohm\r\n   a stored result
    ◀ ␂842.1 mOhm␃6C                        a checksum behind the terminator
    ◀ 00 01 00 06 4A 99 FD 2B               a packed frame: see `drivers.ascii_meter.packed`

Assumptions: a line is whole or damaged, and a damaged one does not fit the profile's pattern. A
line without a checksum that lost a digit on the wire cannot be told from a good one; parity and a
line of fixed width narrow that.

Known damage and what is done about it:

* The port is opened in the middle of a line. ``42.1 mΩ`` may be the end of ``842.1 mΩ``, so what
  arrives first is dropped up to the first terminator, unless the line was quiet after opening:
  then the first byte is the start of a line (somebody pressed "send").
* A line fits two patterns of the profile, or a unit or flag is not listed: Malformed, not guessed.
* A checksum does not agree: Malformed.
* A polled meter answers late: the link is resynchronised, and whatever arrives before the next
  poll belongs to nobody. The next poll waits a whole time-out.
* A stored result is sent again: it carries the same record, which the journal stores once.
* A packed stream lost its gaps, or has gaps where none should be: `capture.driver.packed`.

One file, since asking, waiting, joining and letting go change one state; lines, plain lines and
packed frames have their own.
"""

import re
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from capture.driver import (
    CHECKSUMS,
    Action,
    CheckedLineFramer,
    Damage,
    Driver,
    Event,
    Frame,
    Identified,
    Indication,
    InputError,
    LineChecksum,
    LineFramer,
    Malformed,
    NoAnswer,
    Packed,
    PackedFramer,
    Profile,
    Reply,
    Resync,
    Send,
    load_profile,
)
from drivers.ascii_meter.lines import LineReader
from drivers.ascii_meter.packed import PackedReader, check_of
from drivers.ascii_meter.plain import PlainReader, suits

PACKAGE = "drivers.ascii_meter"
ID = "ascii-meter"

# A port that stayed quiet this long after opening was not opened in the middle of a line: at 300
# baud, the slowest rate met on such meters, a character takes 33 ms.
_QUIET_START = 0.25

_NO_END = "no end of line within the profile's length"
_HEX = frozenset(b"0123456789abcdefABCDEF")


@dataclass(frozen=True)
class AsciiMeterOptions:
    """What can be configured for one line-sending meter."""

    profile: str = field(metadata={"help": "profile by name or .toml file", "path": True})
    conditions: dict[str, str] = field(
        default_factory=dict, metadata={"help": "settings to store with every value"}
    )

    def __post_init__(self) -> None:
        """Read the profile now, so that its faults show before anything is opened."""
        _profile(self.profile)


@lru_cache(maxsize=64)
def _profile(name: str) -> Profile:
    return load_profile(name, PACKAGE, ID)


def messages(options: AsciiMeterOptions) -> Sequence[bytes]:
    """List the poll message, if the profile has one."""
    poll = _profile(options.profile).poll
    return [] if poll is None else [_bytes(poll.message)]


def make(options: AsciiMeterOptions) -> Driver:
    """Make a driver for one session."""
    profile = _profile(options.profile)
    if profile.packed is not None:
        return PackedMeter(profile.packed, profile, options)
    return AsciiMeter(options)


def profile_of(options: AsciiMeterOptions) -> Profile:
    """Give the profile that the options name."""
    return _profile(options.profile)


class AsciiMeter(Driver):
    """Reads the lines of one meter by its profile."""

    def __init__(self, options: AsciiMeterOptions) -> None:
        profile = _profile(options.profile)
        self._profile = profile
        self._reader = LineReader(profile, options.conditions)
        self._plain = PlainReader(profile, self._reader.conditions) if suits(profile) else None
        self._line = _LineParts(profile)
        self._framer = self._line.make_framer()
        self._ignore = tuple(re.compile(pattern) for pattern in profile.ignore)
        banner = profile.identity.banner
        self._banner = re.compile(banner) if banner else None
        self._events: deque[Event] = deque()
        self._started = False
        self._joining = profile.poll is None
        self._skipped = 0
        self._drop_first = False
        self._quiet_since: float | None = None
        self._asked: float | None = None
        self._answered: float | None = None
        self._next_poll = float("-inf")
        self._resync: str | None = None

    def receive(self, data: bytes, end_of_message: bool, now: float) -> None:  # noqa: FBT001 - the driver interface
        """Take bytes from the link."""
        if not data and not end_of_message:
            return
        if self._joining:
            data = self._join(data, now)
        frames = self._framer.feed(data, end_of_message=end_of_message)
        if self._drop_first and frames:
            self._drop_first = False
            del frames[0]
        if self._plain is None:
            for frame in frames:
                self._take(frame, now)
        else:
            read, keep = self._plain.read, self._events.append
            for frame in frames:
                one = None if frame.damage is not None else read(frame.data, frame.raw)
                if one is None:
                    self._take(frame, now)
                else:
                    keep(one)
        if self._answered is not None:
            self._answered = now

    def next_event(self) -> Event | None:
        """Give the oldest event that was not given yet."""
        return self._events.popleft() if self._events else None

    def outgoing(self, now: float) -> Iterable[Action]:
        """Poll, where the profile says how; a talk-only meter is never sent anything."""
        if not self._started:
            self._started = True
            self._quiet_since = now
        poll = self._profile.poll
        if poll is None:
            return []
        if self._answered is not None and now >= self._answered + poll.quiet_s:
            self._asked = self._answered = None  # the last of several lines has come
        if (
            self._asked is not None
            and self._answered is None
            and now >= self._asked + poll.timeout_s
        ):
            self._events.append(NoAnswer(_bytes(poll.message), now - self._asked))
            self._resync = "no answer to the poll"
        if self._resync is not None:
            reason, self._resync = self._resync, None
            self._asked = self._answered = None
            self._framer.reset()
            self._next_poll = now + poll.timeout_s
            return [Resync(reason)]
        if self._asked is not None or now < self._next_poll:
            return []
        self._asked = now
        self._next_poll = now + poll.interval_s
        return [Send(_bytes(poll.message), Reply.LINE, poll.timeout_s)]

    def wake_at(self) -> float | None:
        """Tell when to poll or to give up on an answer; never for a talk-only meter."""
        poll = self._profile.poll
        if poll is None:
            return None
        if self._resync is not None:
            return float("-inf")
        if self._answered is not None:
            return self._answered + poll.quiet_s
        return self._next_poll if self._asked is None else self._asked + poll.timeout_s

    def _join(self, data: bytes, now: float) -> bytes:
        """Drop the end of a line that began before the port was opened."""
        if self._quiet_since is not None and now - self._quiet_since >= _QUIET_START:
            self._joining = False
            return data
        # Inside a line now: from here on only its end tells where the next one begins.
        self._quiet_since = None
        if self._profile.framing.terminator:
            # Its last byte alone may stand within a line, so only the framer can tell the end.
            self._joining, self._drop_first = False, True
            return data
        ends = [end for byte in (b"\r", b"\n") if (end := data.find(byte)) >= 0]
        if not ends:
            self._count_skipped(data)
            return b""
        self._joining = False
        return data[min(ends) + 1 :]

    def _count_skipped(self, data: bytes) -> None:
        """Say it, once a line's length, where no line ends: noise of a wrong speed has no ends."""
        longest = self._profile.framing.longest
        self._skipped += len(data)
        if self._skipped > longest:
            self._skipped = 0
            self._events.append(Malformed(data[:longest], _NO_END))

    def _take(self, frame: Frame, now: float) -> None:
        if frame.damage is not None:
            self._events.append(Malformed(frame.raw, _NO_END))
            return
        if self._means_nothing(frame):
            if self._several() and self._asked is not None:
                self._answered = now  # an answer without a single result is an answer
            return
        if self._profile.poll is not None and self._asked is None:
            self._events.append(Malformed(frame.raw, "came unasked"))
            self._resync = self._resync or "a line came unasked"
            return
        try:
            indications = self._read(frame)
        except InputError as error:
            self._events.append(Malformed(frame.raw, str(error)))
            if self._asked is not None and not self._several():
                self._resync = "an answer that is none of the profile's lines"
            return
        self._events += indications
        if self._several():
            self._answered = now
        else:
            self._asked = None

    def _means_nothing(self, frame: Frame) -> bool:
        """Pass over blank lines, banners, echoes and prompts that stand alone."""
        text = self._line.without_prompts(self._line.decoded(frame.data)).strip(" \0\r\n\t")
        if not text or any(pattern.fullmatch(text) for pattern in self._ignore):
            return True
        framing, poll = self._profile.framing, self._profile.poll
        if framing.echo and poll is not None and text == poll.message.strip():
            return True
        match = None if self._banner is None else self._banner.fullmatch(text)
        if match is None:
            return False
        parts = {name: text.strip() for name, text in match.groupdict(default="").items()}
        maker, model = parts.get("maker", ""), parts.get("model", "")
        serial, firmware = parts.get("serial", ""), parts.get("firmware", "")
        self._events.append(Identified(maker, model, serial, firmware, frame.raw))
        return True

    def _read(self, frame: Frame) -> list[Indication]:
        poll = self._profile.poll
        query = None if poll is None else poll.message.strip()
        return self._reader.read(self._line.text_of(frame), frame.raw, query)

    def _several(self) -> bool:
        poll = self._profile.poll
        return poll is not None and poll.answer == "lines"


class _LineParts:
    """Takes a line apart: prompts, start, covered text, mark, checksum."""

    def __init__(self, profile: Profile) -> None:
        framing = profile.framing
        self._encoding = framing.encoding
        self._prompts = framing.prompts
        self._start = framing.start.encode("latin-1")
        self._terminator = framing.terminator.encode("latin-1") if framing.terminator else None
        self._longest = framing.longest
        self._checksum = profile.checksum

    def make_framer(self) -> LineFramer:
        """Make the framer for such lines."""
        checksum, terminator = self._checksum, self._terminator
        after = checksum is not None and checksum.place == "after-terminator"
        if checksum is None or terminator is None or (checksum.form == "hex" and not after):
            return LineFramer(terminator=terminator, limit=self._longest)
        return CheckedLineFramer(
            terminator, size=checksum.size, after=after, verify=self._agrees, limit=self._longest
        )

    def decoded(self, data: bytes) -> str:
        """Decode a line, damaged or not; for looking at it only."""
        return data.decode(self._encoding, "replace")

    def without_prompts(self, text: str) -> str:
        """Remove the prompts that stand before a line."""
        while True:
            rest = text
            for prompt in self._prompts:
                rest = rest.lstrip(" \0").removeprefix(prompt) if prompt in rest else rest
            if rest == text:
                return text
            text = rest

    def text_of(self, frame: Frame) -> str:
        """Give the text of a whole line, after its checksum was found to agree.

        Raises:
            InputError: no start, no checksum, a wrong one, or bytes that are no such text.
        """
        data = self._from_start(frame.data)
        if self._checksum is not None:
            behind = frame.raw[len(frame.data) :]
            data = _checked(data, behind, self._checksum, self._start, self._terminator or b"")
        try:
            text = data.decode(self._encoding)
        except UnicodeDecodeError as error:
            raise InputError(f"not {self._encoding}") from error
        return self.without_prompts(text).strip("\0")

    def _from_start(self, data: bytes) -> bytes:
        if not self._start:
            return data
        place = data.rfind(self._start)
        if place < 0:
            raise InputError(f"does not begin with {self._start!r}")
        return data[place + len(self._start) :]

    def _agrees(self, data: bytes) -> bool:
        assert self._checksum is not None  # a framer that asks was made for one
        try:
            _checked(self._from_start(data), b"", self._checksum, self._start, b"")
        except InputError:
            return False
        return True


def _checked(
    data: bytes, behind: bytes, checksum: LineChecksum, start: bytes, terminator: bytes
) -> bytes:
    """Take the checksum off a line and give what it stands for.

    ``behind`` is what stands behind the line: the terminator, perhaps with the checksum.

    Raises:
        InputError: no checksum, no mark, or one that does not agree.
    """
    known, size = CHECKSUMS[checksum.kind], checksum.size
    mark = checksum.mark.encode("latin-1", "replace")
    if checksum.place == "after-terminator":
        sent, rest = behind[len(terminator) :], data
    else:
        sent, rest = data[-size:], data[:-size]
    if len(sent) != size or not rest.endswith(mark):
        raise InputError("has no checksum")
    text = rest[: len(rest) - len(mark)]
    covered = (start if checksum.covers_start else b"") + text
    covered += mark if checksum.covers_mark else b""
    covered += terminator if checksum.covers_terminator else b""
    value = _number(sent, checksum)
    expected = known.compute(covered)
    if value != expected:
        width = 2 * known.size
        raise InputError(
            f"checksum {checksum.kind}: found {value:0{width}X}, expected {expected:0{width}X}"
        )
    return text


def _number(sent: bytes, checksum: LineChecksum) -> int:
    """Read a checksum as sent.

    Raises:
        InputError: hex digits were expected and something else stands there.
    """
    if checksum.form == "hex":
        if not set(sent) <= _HEX:
            raise InputError("has no checksum")
        sent = bytes.fromhex(sent.decode("ascii"))
    return int.from_bytes(sent, checksum.order)


class PackedMeter(Driver):
    """Reads the packed frames of one meter by its profile. It sends nothing."""

    def __init__(self, packed: Packed, profile: Profile, options: AsciiMeterOptions) -> None:
        self._reader = PackedReader(packed, profile, options.conditions)
        self._framer = PackedFramer(
            packed.length,
            gap_s=packed.gap_s,
            verify=check_of(packed),
            plausible=self._reader.can_read,
        )
        self._events: deque[Event] = deque()
        self._started = False

    def receive(self, data: bytes, end_of_message: bool, now: float) -> None:  # noqa: ARG002, FBT001 - the driver interface
        """Take bytes from the link."""
        if data:
            self._take(self._framer.feed(data, now))

    def next_event(self) -> Event | None:
        """Give the oldest event that was not given yet."""
        return self._events.popleft() if self._events else None

    def outgoing(self, now: float) -> Iterable[Action]:
        """Send nothing; look whether silence has ended a frame."""
        if not self._started:
            self._started = True
            self._framer.start(now)
        else:
            self._take(self._framer.flush(now))
        return []

    def wake_at(self) -> float | None:
        """Tell when silence would end a frame."""
        return self._framer.wake_at()

    def _take(self, frames: Iterable[Frame]) -> None:
        for frame in frames:
            if frame.damage is Damage.NO_FRAME:
                self._events.append(Malformed(frame.raw, "bytes that are no frame of the profile"))
                continue
            try:
                self._events += self._reader.read(frame.data)
            except InputError as error:
                self._events.append(Malformed(frame.raw, str(error)))


def _bytes(message: str) -> bytes:
    return message.encode("latin-1", "replace")
