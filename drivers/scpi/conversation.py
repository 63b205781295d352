r"""A conversation with one SCPI instrument: one question at a time, and back into step.

Frames::

    ▶ *IDN?\n                     ◀ maker,model,serial,firmware\n
    ▶ *ESR?\n                     ◀ 128\n                      bit 7: it was switched on
    ▶ SYST:ERR?\n                 ◀ -113,"Undefined header"\n  until 0,"No error"
    ▶ FETC?\n                     ◀ +8.42130000E-01\n          or a block #<d><length><bytes>

Assumptions: one answer for one query, in order; nothing is sent unasked.

Known damage and what is done about it:

* An answer that does not come in time may still come. The link is resynchronised, and then
  ``*IDN?`` is asked: whatever arrives before the known identity is an old answer and is dropped.
  Without that, every later value would be the answer to the query before it.
* Something unasked, or an answer that does not fit its query, shows that answers and queries are
  out of step: the same cure.
* A resynchronisation before the setup is done: what was sent of it may be lost, so all of it is
  sent again before a value is asked for.
* The instrument was off for a while: its settings are gone. Bit 7 of the event status register
  tells, and what a person configured to be sent is sent again.
"""

import re
from abc import abstractmethod
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from capture.driver import (
    Action,
    Driver,
    Event,
    Frame,
    Identified,
    InstrumentFault,
    Malformed,
    NoAnswer,
    PowerCycled,
    Reply,
    Resync,
    ScpiFramer,
    Send,
)
from drivers.scpi.echo import Echo
from drivers.scpi.manners import ERROR_QUERY, IDENTITY_QUERY, STATUS_QUERY, Manners

_ERROR_ANSWER = re.compile(r'(?P<code>[+-]?[0-9]{1,6})\s*,\s*"(?P<text>.*)"\Z', re.DOTALL)
_INTEGER = re.compile(r"[+-]?[0-9]{1,6}\Z")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?\Z")
# Two letters, or the four fields of IEEE 488.2 §10.14 with something in one of them.
_IDENTITY = re.compile(
    r"(?=.*[A-Za-z].*[A-Za-z]|(?:[^,]*,){3})(?=.*[A-Za-z0-9]).{3,200}\Z", re.DOTALL
)
_MOST_ERRORS = 20  # more than this in one go is a queue that fills as fast as it is read
_MOST_SILENT = 2  # sessions; in one of them the answer may have been lost with the link
_MOST_STRANGE = 2  # answers of another form; the first may have been one out of step

# An instrument that talks nonsense without end is not resynchronised without end: the first cure
# comes at once, each further one without a good value between comes later, up to the longest wait.
_FIRST_CURE_WAIT = 0.1
_LONGEST_CURE_WAIT = 2.0

_POWER_ON = 1 << 7  # IEEE 488.2 §11.5.1.1.2

NEVER = float("-inf")


class Misfit(ValueError):
    """An answer that does not fit its query; the text says why."""


@dataclass(frozen=True, slots=True)
class Question:
    """A query, and who takes its answer.

    ``take`` raises `Misfit` for an answer that does not fit. ``spare`` marks a query that an
    instrument may lack: it is left out once it stays unanswered.
    """

    text: str
    take: Callable[[Frame, str], None]
    spare: bool = False


@dataclass(slots=True)
class _Pending:
    question: Question
    sent: float
    deadline: float


class Conversation(Driver):
    """Talks to one instrument. A subclass says what one cycle asks, and reads the answers."""

    def __init__(self, manners: Manners) -> None:
        self.now = NEVER
        self._manners = manners
        self._framer = ScpiFramer()
        self._events: deque[Event] = deque()
        self._todo: deque[Question | str] = deque()
        self._pending: _Pending | None = None
        self._echo = Echo()
        self._resync: str | None = None
        self._identity: bytes | None = None
        self._other_identity: bytes | None = None
        self._errors_read = 0
        self._strange_answers: dict[str, int] = {}
        self._cure_wait = 0.0
        self._cure_at = NEVER
        self._lacks: set[str] = set()
        self._setup_lacks: set[str] = set()  # there only: a value's query may be asked there too
        self._silent: dict[str, int] = {}  # spare queries: sessions on end without an answer
        self._met_before: bytes | None = None
        self._next_cycle = NEVER
        self._next_watch = NEVER
        self._quiet_until = NEVER
        self._power_was_seen = False
        self._is_set_up = False  # all of the setup was sent, and an answer came after that
        self._prepare()

    @abstractmethod
    def cycle(self) -> Iterable[Question]:
        """Give the questions of one cycle, in order; asked anew each cycle."""

    def restarted(self) -> None:
        """Forget what was known of the instrument's settings: it was off, or answers were lost."""

    # ── the driver interface ─────────────────────────────────────────────────────────────────

    def resume(self, earlier: Driver) -> None:
        """Take over which queries it lacks; used once it has said the same identity."""
        if isinstance(earlier, Conversation):
            self._met_before = earlier._identity or earlier._met_before  # noqa: SLF001 - one of us
            self._silent = dict(earlier._silent)  # noqa: SLF001 - same

    def receive(self, data: bytes, end_of_message: bool, now: float) -> None:  # noqa: FBT001 - the driver interface
        """Take bytes from the link."""
        self.now = now
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
            self._echo.answered()
            return [self._back_into_step(now)] if now >= self._cure_at else []
        if self._pending is not None or now < self._quiet_until:
            return []
        if not self._todo:
            self._plan(now)
        return [self._send(now)] if self._todo else []

    def wake_at(self) -> float | None:
        """Tell when there is something to send or to give up on, as seconds of `now`."""
        if self._resync is not None:
            return self._cure_at
        if self._pending is not None:
            return self._pending.deadline
        return max(self._quiet_until, NEVER if self._todo else self._next_cycle)

    def closing(self, now: float) -> Iterable[Action]:  # noqa: ARG002 - the driver interface
        """Give what is to be sent before the link is closed."""
        return [Send(text.encode("ascii", "replace") + b"\n") for text in self._manners.closing]

    # ── for subclasses ───────────────────────────────────────────────────────────────────────

    def tell(self, event: Event) -> None:
        """Add an event."""
        self._events.append(event)
        self._cure_wait, self._cure_at = 0.0, NEVER

    def ask_next(self, question: Question) -> None:
        """Put a question before all others that wait."""
        self._todo.appendleft(question)

    def cut_short(self) -> None:
        """Leave out what is left of this cycle."""
        self._todo.clear()

    def again(self) -> None:
        """Begin the next cycle without waiting for its time."""
        self._next_cycle = NEVER

    # ── sending ──────────────────────────────────────────────────────────────────────────────

    def _plan(self, now: float) -> None:
        if now < self._next_cycle:
            return
        manners = self._manners
        self._next_cycle = now + manners.interval_s
        if manners.watch_s > 0 and now >= self._next_watch:
            if self._next_watch > NEVER:
                self._append(Question(STATUS_QUERY, self._take_status, spare=True))
            self._next_watch = now + manners.watch_s
        for question in self.cycle():
            self._append(question)

    def _prepare(self) -> None:
        """Line up what must be asked and sent before the next value can be believed."""
        manners = self._manners
        self._todo.clear()
        if manners.identify:
            self._append(Question(IDENTITY_QUERY, self._take_identity))
        if manners.watch_s > 0:
            self._append(Question(STATUS_QUERY, self._take_status, spare=True))
        if manners.error_queue:
            self._errors_read = 0
            self._append(Question(ERROR_QUERY, self._take_error, spare=True))
        if not self._is_set_up:
            self._line_up_setup()

    def _line_up_setup(self) -> None:
        """Line up the setup, all of it: with a part of it the meter may be at another thing."""
        self._is_set_up = False
        lacks = self._lacks | self._setup_lacks
        setup = [text for text in self._manners.setup if text not in lacks]
        self._todo.extend(Question(text, _ignore) if text.endswith("?") else text for text in setup)

    def _append(self, question: Question) -> None:
        if question.text not in self._lacks:
            self._todo.append(question)

    def _send(self, now: float) -> Send:
        question = self._todo.popleft()
        text = question if isinstance(question, str) else question.text
        data = text.encode("ascii", "replace") + b"\n"
        self._echo.sent(data)
        if isinstance(question, str):
            return Send(data)
        timeout = self._manners.timeout_s
        self._pending = _Pending(question, now, now + timeout)
        return Send(data, Reply.MESSAGE, timeout)

    def _give_up(self, pending: _Pending, now: float) -> None:
        self._pending = None
        text = pending.question.text
        self._events.append(NoAnswer(text.encode("ascii", "replace"), now - pending.sent))
        self._resync = f"no answer to {text}"
        self._echo.silent()
        if pending.question.take is _ignore:
            self._setup_lacks.add(text)  # the setup goes on without it
        if pending.question.spare:
            self._lacks.add(text)  # this instrument has none; asking again would stall it
            self._silent[text] = self._silent.get(text, 0) + 1

    def _back_into_step(self, now: float) -> Resync:
        reason, self._resync = self._resync or "", None
        self._cure_wait = min(max(2 * self._cure_wait, _FIRST_CURE_WAIT), _LONGEST_CURE_WAIT)
        self._cure_at = now + self._cure_wait
        self.restarted()
        self._prepare()
        if not self._manners.identify:
            self._quiet_until = now + self._manners.timeout_s
        return Resync(reason)

    # ── receiving ────────────────────────────────────────────────────────────────────────────

    def _take(self, frame: Frame) -> None:
        pending = self._pending
        if frame.damage is not None:
            self._misfit(frame, "longer than any answer")
            return
        if self._echo.is_one(frame.data, awaited=pending is not None):
            return
        if pending is None:
            self._misfit(frame, "came unasked")
            return
        self._echo.answered()
        try:
            text = "" if frame.data[:1] == b"#" else frame.data.decode("ascii").strip()
        except UnicodeDecodeError:
            self._misfit(frame, "not ASCII")
            return
        question = pending.question
        if question.take != self._take_identity:
            self._pending = None
        try:
            question.take(frame, text)
        except Misfit as error:
            self._misfit(frame, str(error))
            return
        if not self._is_set_up:
            self._is_set_up = not any(_is_setup(each) for each in self._todo)
        if question.spare:
            self._silent.pop(question.text, None)

    def _misfit(self, frame: Frame, reason: str) -> None:
        """Report a frame that does not fit, and get back into step.

        While an identity is awaited that is already under way: old answers are only reported.
        """
        self._events.append(Malformed(frame.raw, reason))
        if self._pending is None:
            self._resync = self._resync or f"an answer {reason}"

    def _take_identity(self, frame: Frame, text: str) -> None:
        given, known = frame.data.strip(), self._identity
        if given != known:
            self._check_identity(given, text)
            self._pending = None
            self._identity, self._other_identity = given, None
            self._recall(given)
            parts = [part.strip() for part in text.split(",", 3)]
            maker, model, serial, firmware = (*parts, "", "", "")[:4]
            self._events.append(Identified(maker, model, serial, firmware, frame.raw))
        self._pending = None

    def _recall(self, given: bytes) -> None:
        """Leave out what this very instrument answered in none of the last sessions."""
        if given != self._met_before:
            self._silent.clear()
            return
        self._lacks |= {text for text, times in self._silent.items() if times >= _MOST_SILENT}
        self._todo = deque(
            each for each in self._todo if isinstance(each, str) or each.text not in self._lacks
        )

    def _check_identity(self, given: bytes, text: str) -> None:
        """Let a new identity pass: the first that looks like one, or another that comes twice.

        The first may have been spoilt by noise at opening, or another instrument may have been put
        on the port; an old value looks like no identity, and an old identity is the known one.

        Raises:
            Misfit: an old answer.
        """
        if text.endswith("?"):
            raise Misfit("a question, not an identity: the echo of one asked before")
        if not _IDENTITY.match(text) or all(_NUMBER.match(p.strip()) for p in text.split(",")):
            raise Misfit("an old answer, not an identity")
        if self._identity is not None and given != self._other_identity:
            self._other_identity = given
            raise Misfit("an old answer, not the identity")

    def _take_status(self, frame: Frame, text: str) -> None:
        del frame
        if not _INTEGER.match(text):
            self._strange(STATUS_QUERY)
            raise Misfit("no event status register")
        was_on = bool(int(text) & _POWER_ON)
        if was_on and self._power_was_seen:
            self._events.append(PowerCycled())
            self.restarted()
            self.cut_short()
            self._line_up_setup()
        self._power_was_seen = True

    def _strange(self, query: str) -> None:
        """Count an answer in a form of the instrument's own; values come before such a query."""
        self._strange_answers[query] = self._strange_answers.get(query, 0) + 1
        if self._strange_answers[query] >= _MOST_STRANGE:
            self._lacks.add(query)

    def _take_error(self, frame: Frame, text: str) -> None:
        del frame
        match = _ERROR_ANSWER.match(text)
        if match is None:
            self._strange(ERROR_QUERY)
            raise Misfit("no entry of an error queue")
        self._strange_answers.pop(ERROR_QUERY, None)
        code = int(match["code"])
        if code == 0:
            return
        self._events.append(InstrumentFault(code, match["text"].replace('""', '"')))
        self._errors_read += 1
        if self._errors_read < _MOST_ERRORS:
            self.ask_next(Question(ERROR_QUERY, self._take_error, spare=True))


def _is_setup(message: Question | str) -> bool:
    return isinstance(message, str) or message.take is _ignore


def _ignore(_frame: Frame, _text: str) -> None:
    """Take an answer that nobody needs."""
