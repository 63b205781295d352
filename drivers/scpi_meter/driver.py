r"""SCPI meter: asks for the latest value at an interval and reads one number.

Frames::

    ▶ FETC?\n                     ◀ +8.42130000E-01\n         NR1, NR2 or NR3
    ▶ *IDN?\n                     ◀ maker,model,serial,firmware\n
    ▶ SYST:ERR?\n                 ◀ -113,"Undefined header"\n  until 0,"No error"

Assumptions: one answer for one query, in order; nothing is sent unasked.

Known damage and what is done about it:

* An answer that does not come in time may still come. The link is resynchronised, and then
  ``*IDN?`` is asked: whatever arrives before the known identity is an old answer and is dropped.
  Without that, every later value would be the answer to the query before it.
* Something unasked, or an answer that is no number, shows that answers and queries are out of
  step: the same cure.
* ``9.9E37``, ``-9.9E37`` and ``9.91E37`` are statuses, never numbers.

FETCh? starts nothing: it hands over what the meter measured last. READ?, INITiate and CONFigure
may route a test current; a person has to enable them for the instrument.
"""

import re
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import Enum, auto

from capture.driver import (
    Action,
    Driver,
    Event,
    Frame,
    Identified,
    Indication,
    InputError,
    InstrumentFault,
    LineFramer,
    Malformed,
    NoAnswer,
    Reply,
    Resync,
    Send,
    parse_unit,
    scale_number,
    unit_of,
)

_IDENTITY_QUERY = "*IDN?"
_ERROR_QUERY = "SYST:ERR?"
_ERROR_ANSWER = re.compile(r'(?P<code>[+-]?[0-9]{1,6})\s*,\s*"(?P<text>.*)"\Z', re.DOTALL)
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?\Z")
_MOST_ERRORS = 20  # more than this in one go is a queue that fills as fast as it is read
_LONGEST_ANSWER = 1024

# A meter that talks nonsense without end is not resynchronised without end: the first cure comes at
# once, each further one without a good value between comes later, up to the longest wait.
_FIRST_CURE_WAIT = 0.1
_LONGEST_CURE_WAIT = 2.0


@dataclass(frozen=True)
class ScpiMeterOptions:
    """What can be configured for one SCPI meter."""

    quantity: str = field(default="resistance", metadata={"help": "what FETCh? gives"})
    unit: str = field(default="", metadata={"help": "unit of the number; the base unit if empty"})
    query: str = field(default="FETC?", metadata={"help": "what asks for the value"})
    interval_s: float = field(default=1.0, metadata={"help": "seconds from query to query"})
    timeout_s: float = field(default=2.0, metadata={"help": "seconds an answer may take"})
    identify: bool = field(default=True, metadata={"help": "ask *IDN? first and after a time-out"})
    error_queue: bool = field(default=True, metadata={"help": "read SYSTem:ERRor? when in doubt"})
    setup: tuple[str, ...] = field(
        default=(), metadata={"help": "messages sent once after opening; each must be allowed"}
    )
    conditions: dict[str, str] = field(
        default_factory=dict, metadata={"help": "settings to store with every value"}
    )

    def __post_init__(self) -> None:
        """Refuse what cannot work, by option name."""
        base = unit_of(self.quantity)
        shown = parse_unit(self.unit).unit if self.unit else base
        if shown is None:
            raise InputError(f"unit: {self.quantity} needs one")
        if base not in (None, shown):
            raise InputError(f"unit: {self.quantity} is in {base}, not in {self.unit}")
        if not 0 <= self.interval_s <= 3600:  # noqa: PLR2004 - an hour
            raise InputError(f"interval_s: {self.interval_s} is not between 0 and 3600")
        if not 0.01 <= self.timeout_s <= 600:  # noqa: PLR2004 - ten minutes
            raise InputError(f"timeout_s: {self.timeout_s} is not between 0.01 and 600")
        if not self.query.endswith("?"):
            raise InputError(f"query: {self.query!r} is no query; it must end in a question mark")


def messages(options: ScpiMeterOptions) -> Sequence[bytes]:
    """List every message that a meter with these options may be sent."""
    every = [options.query, *options.setup]
    if options.identify:
        every.append(_IDENTITY_QUERY)
    if options.error_queue:
        every.append(_ERROR_QUERY)
    return [text.encode("ascii", "replace") for text in every]


class _Ask(Enum):
    """What a pending query was for."""

    IDENTITY = auto()
    ERROR = auto()
    VALUE = auto()
    SETUP = auto()


@dataclass(slots=True)
class _Pending:
    ask: _Ask
    message: bytes
    sent: float
    deadline: float


class ScpiMeter(Driver):
    """Asks one SCPI meter for its value at an interval."""

    def __init__(self, options: ScpiMeterOptions) -> None:
        self._options = options
        self._unit = options.unit or (unit_of(options.quantity) or "")
        self._framer = LineFramer(limit=_LONGEST_ANSWER)
        self._events: deque[Event] = deque()
        self._todo: deque[tuple[_Ask, str]] = deque()
        self._pending: _Pending | None = None
        self._resync: str | None = None
        self._cure_wait = 0.0
        self._cure_at = float("-inf")
        self._identity: bytes | None = None
        self._errors_read = 0
        self._error_queue = options.error_queue
        self._next_value = float("-inf")
        self._quiet_until = float("-inf")
        self._prepare(first=True)

    def receive(self, data: bytes, end_of_message: bool, now: float) -> None:  # noqa: FBT001 - the driver interface
        """Take bytes from the link."""
        for frame in self._framer.feed(data, end_of_message=end_of_message):
            self._take(frame)

    def next_event(self) -> Event | None:
        """Give the oldest event that was not given yet."""
        return self._events.popleft() if self._events else None

    def outgoing(self, now: float) -> Iterable[Action]:
        """Give what is to be sent by now."""
        pending = self._pending
        if pending is not None and now >= pending.deadline:
            self._give_up(pending, now)
        if self._resync is not None:
            self._pending = None
            self._framer.reset()
            if now < self._cure_at:
                return []
            reason, self._resync = self._resync, None
            self._cure_wait = min(max(2 * self._cure_wait, _FIRST_CURE_WAIT), _LONGEST_CURE_WAIT)
            self._cure_at = now + self._cure_wait
            self._prepare(first=False)
            if not self._options.identify:
                self._quiet_until = now + self._options.timeout_s
            return [Resync(reason)]
        if self._pending is not None or now < self._quiet_until:
            return []
        if not self._todo:
            if now < self._next_value:
                return []
            self._next_value = now + self._options.interval_s
            self._todo.append((_Ask.VALUE, self._options.query))
        return [self._send(now)]

    def wake_at(self) -> float | None:
        """Tell when there is something to send or to give up on."""
        if self._resync is not None:
            return self._cure_at
        if self._pending is not None:
            return self._pending.deadline
        return max(self._quiet_until, float("-inf") if self._todo else self._next_value)

    # ── sending ──────────────────────────────────────────────────────────────────────────────

    def _prepare(self, *, first: bool) -> None:
        """Line up what must be asked before the next value can be believed."""
        self._todo.clear()
        if self._options.identify:
            self._todo.append((_Ask.IDENTITY, _IDENTITY_QUERY))
        if self._error_queue:
            self._errors_read = 0
            self._todo.append((_Ask.ERROR, _ERROR_QUERY))
        if first:
            self._todo.extend((_Ask.SETUP, text) for text in self._options.setup)

    def _send(self, now: float) -> Send:
        ask, text = self._todo.popleft()
        data = text.encode("ascii", "replace") + b"\n"
        if ask is _Ask.SETUP and not text.endswith("?"):
            return Send(data)
        timeout = self._options.timeout_s
        self._pending = _Pending(ask, data.rstrip(), now, now + timeout)
        return Send(data, Reply.LINE, timeout)

    def _give_up(self, pending: _Pending, now: float) -> None:
        self._pending = None
        self._events.append(NoAnswer(pending.message, now - pending.sent))
        self._resync = f"no answer to {pending.message.decode('ascii', 'replace')}"
        if pending.ask is _Ask.ERROR:
            self._error_queue = False  # this instrument has none; asking again would stall it

    # ── receiving ────────────────────────────────────────────────────────────────────────────

    def _take(self, frame: Frame) -> None:
        pending = self._pending
        if self._resync is not None:
            self._events.append(Malformed(frame.raw, "came before answers were in step again"))
        elif frame.damage is not None:
            self._bad(frame, "longer than any answer")
        elif pending is None:
            self._bad(frame, "came unasked")
        else:
            try:
                text = frame.data.decode("ascii").strip()
            except UnicodeDecodeError:
                self._bad(frame, "not ASCII")
                return
            match pending.ask:
                case _Ask.IDENTITY:
                    self._take_identity(frame, text)
                case _Ask.ERROR:
                    self._take_error(frame, text)
                case _Ask.VALUE:
                    self._pending = None
                    self._take_value(frame, text)
                case _Ask.SETUP:
                    self._pending = None

    def _bad(self, frame: Frame, reason: str) -> None:
        """Report a frame that does not fit; unless an identity is awaited, answers are out of step."""
        self._events.append(Malformed(frame.raw, reason))
        if self._pending is None or self._pending.ask is not _Ask.IDENTITY:
            self._resync = self._resync or f"an answer {reason}"

    def _take_identity(self, frame: Frame, text: str) -> None:
        known = self._identity
        if known is not None and frame.data.strip() != known:
            self._bad(frame, "an old answer, not the identity")
            return
        if known is None and all(_NUMBER.match(part.strip()) for part in text.split(",")):
            self._bad(frame, "an old answer, not an identity")
            return
        self._pending = None
        if known is None:
            self._identity = frame.data.strip()
            parts = [part.strip() for part in text.split(",", 3)]
            maker, model, serial, firmware = (*parts, "", "", "")[:4]
            self._events.append(Identified(maker, model, serial, firmware, frame.raw))

    def _take_error(self, frame: Frame, text: str) -> None:
        self._pending = None
        match = _ERROR_ANSWER.match(text)
        if match is None:
            self._bad(frame, "no entry of an error queue")
            return
        code = int(match["code"])
        if code == 0:
            return
        self._events.append(InstrumentFault(code, match["text"].replace('""', '"')))
        self._errors_read += 1
        if self._errors_read < _MOST_ERRORS:
            self._todo.appendleft((_Ask.ERROR, _ERROR_QUERY))

    def _take_value(self, frame: Frame, text: str) -> None:
        if not _NUMBER.match(text):
            self._bad(frame, "not one number (NR1, NR2 or NR3)")
            return
        try:
            shown = scale_number(text, self._unit)
        except InputError as error:
            self._bad(frame, str(error))
            return
        self._cure_wait, self._cure_at = 0.0, float("-inf")
        options = self._options
        unit = parse_unit(self._unit).unit
        self._events.append(
            Indication.of(options.quantity, unit, shown, frame.raw, conditions=options.conditions)
        )
