r"""ASCII meter: reads lines that a profile describes, sent unasked or in answer to a poll.

Frames, for instance::

    ◀ INS    512.4 MOhm\r\n       value and unit
    ◀ INS   >5.50 GOhm\r\n        a bound: above range
    ◀ INS    ----\r\n             no valid value

Assumptions: a line is whole or damaged, and a damaged one does not fit the profile's pattern. A
line without a checksum that lost a digit on the wire cannot be told from a good one; parity and a
pattern of fixed width narrow that.

Known damage and what is done about it:

* The port is opened in the middle of a line. ``42.1 mΩ`` may be the end of ``842.1 mΩ``, so what
  arrives first is dropped up to the first terminator, unless the line was quiet after opening:
  then the first byte is the start of a line (somebody pressed "send").
* A line fits two patterns of the profile, or a unit or flag is not listed: Malformed, not guessed.
* A polled meter answers late: the link is resynchronised, and whatever arrives before the next
  poll belongs to nobody. The next poll waits a whole time-out.
"""

import re
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

from capture.driver import (
    Action,
    Driver,
    Event,
    Frame,
    Indication,
    InputError,
    LineFramer,
    Malformed,
    NoAnswer,
    Profile,
    Reply,
    Resync,
    Send,
    Status,
    load_profile,
    parse_shown,
    unit_of,
)

PACKAGE = "drivers.ascii_meter"
ID = "ascii-meter"

# A port that stayed quiet this long after opening was not opened in the middle of a line: at 300
# baud, the slowest rate met on such meters, a character takes 33 ms.
_QUIET_START = 0.25

_NO_END = "no end of line within the profile's length"


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
    return [] if poll is None else [poll.message.encode("latin-1", "replace")]


def profile_of(options: AsciiMeterOptions) -> Profile:
    """Give the profile that the options name."""
    return _profile(options.profile)


@dataclass(frozen=True, slots=True)
class _Form:
    """A profile's line form, compiled."""

    pattern: re.Pattern[str]
    groups: frozenset[str]
    quantity: str | None
    unit: str
    functions: dict[str, tuple[str, str]]
    units: dict[str, str]
    flags: dict[str, Status]


def _compile(profile: Profile) -> tuple[_Form, ...]:
    forms = []
    for line in profile.lines:
        pattern = re.compile(line.pattern)
        functions = {text: (f.quantity, f.unit) for text, f in line.functions.items()}
        forms.append(
            _Form(
                pattern,
                frozenset(pattern.groupindex),
                line.quantity,
                line.unit,
                functions,
                line.units,
                line.flags,
            )
        )
    return tuple(forms)


class AsciiMeter(Driver):
    """Reads the lines of one meter by its profile."""

    def __init__(self, options: AsciiMeterOptions) -> None:
        profile = _profile(options.profile)
        framing = profile.framing
        terminator = framing.terminator.encode("latin-1") if framing.terminator else None
        self._profile = profile
        self._forms = _compile(profile)
        self._ignore = tuple(re.compile(pattern) for pattern in profile.ignore)
        self._framer = LineFramer(terminator=terminator, limit=framing.longest)
        self._conditions = {**profile.conditions, **options.conditions}
        self._events: deque[Event] = deque()
        self._started = False
        self._joining = profile.poll is None
        self._skipped = 0
        self._drop_first = False
        self._quiet_since: float | None = None
        self._asked: float | None = None
        self._next_poll = float("-inf")
        self._resync: str | None = None

    def receive(self, data: bytes, end_of_message: bool, now: float) -> None:  # noqa: FBT001 - the driver interface
        """Take bytes from the link."""
        if not data and not end_of_message:
            return
        if self._joining:
            data = self._join(data, now)
        for frame in self._framer.feed(data, end_of_message=end_of_message):
            if self._drop_first:
                self._drop_first = False
            else:
                self._take(frame)

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
        if self._asked is not None and now >= self._asked + poll.timeout_s:
            message = poll.message.encode("latin-1", "replace")
            self._events.append(NoAnswer(message, now - self._asked))
            self._resync = "no answer to the poll"
        if self._resync is not None:
            reason, self._resync = self._resync, None
            self._asked = None
            self._framer.reset()
            self._next_poll = now + poll.timeout_s
            return [Resync(reason)]
        if self._asked is not None or now < self._next_poll:
            return []
        self._asked = now
        self._next_poll = now + poll.interval_s
        return [Send(poll.message.encode("latin-1", "replace"), Reply.LINE, poll.timeout_s)]

    def wake_at(self) -> float | None:
        """Tell when to poll or to give up on an answer; never for a talk-only meter."""
        poll = self._profile.poll
        if poll is None:
            return None
        if self._resync is not None:
            return float("-inf")
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

    def _take(self, frame: Frame) -> None:
        if frame.damage is not None:
            self._events.append(Malformed(frame.raw, _NO_END))
            return
        if self._profile.poll is not None and self._asked is None:
            self._events.append(Malformed(frame.raw, "came unasked"))
            self._resync = self._resync or "a line came unasked"
            return
        try:
            text = frame.data.decode(self._profile.framing.encoding).strip(" \0")
        except UnicodeDecodeError:
            self._bad(frame, f"not {self._profile.framing.encoding}")
            return
        if not text or any(pattern.fullmatch(text) for pattern in self._ignore):
            return
        try:
            indication = self._read(text, frame.raw)
        except InputError as error:
            self._bad(frame, str(error))
            return
        self._asked = None
        self._events.append(indication)

    def _bad(self, frame: Frame, reason: str) -> None:
        self._events.append(Malformed(frame.raw, reason))
        if self._asked is not None:
            self._resync = "an answer that is none of the profile's lines"

    def _read(self, text: str, raw: bytes) -> Indication:
        """Read one line.

        Raises:
            InputError: the line fits no pattern, or two, or holds something that is not listed.
        """
        fits = [(form, match) for form in self._forms if (match := form.pattern.fullmatch(text))]
        if not fits:
            raise InputError("fits no line of the profile")
        if len(fits) > 1:
            raise InputError("fits two lines of the profile")
        form, match = fits[0]
        quantity, unit = form.quantity, form.unit
        if "function" in form.groups and match["function"] is not None:
            function = match["function"].strip()
            if function not in form.functions:
                raise InputError(f"function {function!r} is not listed in the profile")
            quantity, unit = form.functions[function]
        if quantity is None:
            raise InputError("has no function text, and the profile gives no quantity")
        stands = match["unit"].strip() if "unit" in form.groups and match["unit"] else ""
        shown = parse_shown(
            f"{match['value'].strip()} {form.units.get(stands, stands)}",
            mark=self._profile.framing.decimal,
            default_unit=unit,
        )
        if stands:
            shown = replace(shown, shown_unit=stands)  # the profile's own text for it is no display
        base = unit_of(quantity) or shown.unit
        if base is None or shown.unit not in (None, base):
            raise InputError(f"{quantity} is in {base}, the line shows {shown.unit}")
        status = Status.OK
        if "flags" in form.groups:
            status = _status(match["flags"], form.flags)
        return Indication.of(quantity, base, shown, raw, status=status, conditions=self._conditions)


def _status(flags: str | None, known: dict[str, Status]) -> Status:
    """Tell the status that the flags of a line stand for; the first that is not ok counts."""
    status = Status.OK
    for flag in (flags or "").split():
        if flag not in known:
            raise InputError(f"flag {flag!r} is not listed in the profile")
        if status is Status.OK:
            status = known[flag]
    return status
