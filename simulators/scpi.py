"""A SCPI device: message exchange, common commands, status and errors; it measures nothing.

Theory of operation. Program messages end with LF (IEEE 488.2 §7.5; CR before it is white space)
and are executed unit by unit. A unit either answers, or answers nothing, or is `Pending`: it
finishes at a later time, and the units after it wait. The answers of one message leave as one
response message, joined by `;` and ended by LF (§8.4, §8.5). A message that arrives while an
answer is still pending interrupts it: the answer is thrown away and -410 queued (§6.3.2.3).

A command error makes the parser skip the rest of that message (§6.1.6.1 allows it).
Sections are cited from memory of IEEE 488.2-1992 and SCPI-99.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from simulators.hand import Hand
from simulators.scpi_answers import Answer, Handler, Parameters, Pending, StatusGroup
from simulators.scpi_errors import (
    OPERATION_COMPLETE,
    POWER_ON,
    ErrorQueue,
    ScpiError,
    event_bit,
)
from simulators.scpi_syntax import (
    expect,
    numeric,
    plain,
    spellings,
    split_header,
    split_unquoted,
)

_COMMAND_ERRORS = range(-199, -99)
_WHITE = bytes(set(range(0x21)) - {0x0A}) + b"\x7f"


@dataclass(frozen=True, slots=True)
class _Unit:
    header: str
    parameters: Parameters
    handler: Handler


class ScpiDevice:
    """A SCPI device to build on: subclasses add headers with `add` and hand commands.

    identity: the four fields of `*IDN?`, joined by commas (IEEE 488.2 §10.14).
    terminator: what ends a response; LF by the standard, CR LF on many serial lines.
    """

    input_limit = 1024

    def __init__(self, identity: str, terminator: bytes = b"\n") -> None:
        self._identity = identity
        self._terminator = terminator
        self.errors = ErrorQueue()
        self.operation = StatusGroup()
        self.questionable = StatusGroup()
        self._event_status = POWER_ON
        self._event_enable = 0
        self._request_enable = 0
        self._operation_complete_at: float | None = None
        self._input = bytearray()
        self._overrun = False
        self._messages: deque[bytes] = deque()
        self._units: deque[_Unit] = deque()
        self._path = ""
        self._identified = False
        self._pending: Pending | None = None
        self._queried = False
        self._answers: list[bytes] = []
        self._handlers: dict[str, Handler] = {}
        self.hand = Hand()
        self.hand.add("power-cycle", "power-cycle", self._power_cycle)
        self._add_required()

    # What the world sees --------------------------------------------------------------------

    def received(self, data: bytes, now: float) -> bytes:
        """Take bytes; return the response messages that are complete at once."""
        for line in self._lines(data):
            if self._queried:
                self._drop_message()
                self._note(-410)
            self._messages.append(line)
        return self._run(now)

    def spoken(self, now: float) -> bytes:
        """Return the response messages that have become complete by now."""
        return self._run(now)

    def wake_at(self) -> float | None:
        """Return when the pending answer is ready, or None."""
        return None if self._pending is None else self._pending.at

    def command(self, line: str, now: float) -> str:
        """Do a hand command."""
        return self.hand.obey(line, now)

    def status_byte(self, *, message_available: bool) -> int:
        """Return the status byte (SCPI-99 vol. 1 §9.1; MSS as bit 6)."""
        bits = 0
        bits |= 0x04 if len(self.errors) else 0
        bits |= 0x08 if self.questionable.summary else 0
        bits |= 0x10 if message_available else 0
        bits |= 0x20 if self._event_status & self._event_enable else 0
        bits |= 0x80 if self.operation.summary else 0
        return bits | (0x40 if bits & self._request_enable else 0)

    def clear_bus(self) -> None:
        """Forget input and output (device clear); settings, status and errors stay."""
        self._input.clear()
        self._overrun = False
        self._messages.clear()
        self._drop_message()

    def unterminated(self) -> None:
        """Queue -420: the host reads, but asked nothing."""
        if not self._queried:
            self._note(-420)

    def interrupted(self) -> None:
        """Queue -410: the host writes, but did not read the answer."""
        self._note(-410)

    # For subclasses -------------------------------------------------------------------------

    def add(self, pattern: str, handler: Handler) -> None:
        """Add a header such as `FORMat[:DATA]?`; capital letters are the short form."""
        for spelling in spellings(pattern):
            self._handlers[spelling] = handler

    def reset(self, now: float) -> None:  # noqa: ARG002 - subclasses restart at that time
        """Put the settings back (*RST); subclasses extend this."""
        self._operation_complete_at = None

    def clear(self) -> None:
        """Empty all events and the error queue (*CLS, IEEE 488.2 §10.3)."""
        self.errors.clear()
        self._event_status = 0
        self.operation.event = 0
        self.questionable.event = 0
        self._operation_complete_at = None

    def busy_until(self, now: float) -> float:
        """Return when the overlapped operations end that run now; `now` when there are none."""
        return now

    # The parser ------------------------------------------------------------------------------

    def _lines(self, data: bytes) -> list[bytes]:
        """Collect input; return the messages that it completes."""
        if self._terminator == b"\r":
            data = data.replace(b"\r", b"\n")
        *ended, rest = data.split(b"\n")
        lines = []
        for part in ended:
            self._collect(part)
            if not self._overrun:
                lines.append(bytes(self._input))
            self._input.clear()
            self._overrun = False
        self._collect(rest)
        return lines

    def _collect(self, part: bytes) -> None:
        if self._overrun:
            return
        self._input += part
        if len(self._input) > self.input_limit:
            self._input.clear()
            self._overrun = True
            self._note(-363)

    def _run(self, now: float) -> bytes:
        """Execute what can be executed by now; return whole response messages."""
        out = bytearray()
        while True:
            self._settle_operation_complete(now)
            if self._pending is not None:
                if now < self._pending.at:
                    return bytes(out)
                pending, self._pending = self._pending, None
                self._guarded(lambda pending=pending: pending.finish(now))  # type: ignore[misc]
            elif self._units:
                unit = self._units.popleft()
                self._guarded(lambda unit=unit: unit.handler(unit.parameters, now))  # type: ignore[misc]
            else:
                out += self._response()
                if not self._messages:
                    return bytes(out)
                self._begin(self._messages.popleft())

    def _response(self) -> bytes:
        answers, self._answers = self._answers, []
        self._queried = False
        return b";".join(answers) + self._terminator if answers else b""

    def _begin(self, line: bytes) -> None:
        """Parse a program message into units, up to its first command error."""
        self._path = ""
        self._identified = False
        text = line.strip(_WHITE).decode("latin-1")
        if not text:
            return
        try:
            for part in split_unquoted(text, ";"):
                self._units.append(self._unit(part))
        except ScpiError as error:
            # Executed in its turn, so that errors keep the order of the units.
            self._units.append(_Unit("", [], _raiser(error)))

    def _unit(self, text: str) -> _Unit:
        header, parameters = split_header(text)
        if header.startswith("*"):
            name = header.upper()
        else:
            # SCPI-99 vol. 1 §6.2.4: a header starts where the one before it stood, unless `:`.
            full = header[1:] if header.startswith(":") else self._path + header
            name = plain(full)
            self._path = full[: full.rfind(":") + 1]
        handler = self._handlers.get(name)
        if handler is None:
            raise ScpiError(-113, header[:40])
        if name.endswith("?"):
            if self._identified:
                # *IDN? answers arbitrary ASCII, so no query may follow it (§10.14.3).
                raise ScpiError(-440)
            self._identified = name == "*IDN?"
            self._queried = True
        return _Unit(name, parameters, handler)

    def _guarded(self, step: Callable[[], Answer]) -> None:
        try:
            answer = step()
        except ScpiError as error:
            self._note(error.code, error.detail)
            if error.code in _COMMAND_ERRORS:
                self._units.clear()
            return
        match answer:
            case Pending():
                self._pending = answer
            case str():
                self._answers.append(answer.encode("ascii"))
            case bytes():
                self._answers.append(answer)
            case None:
                pass

    def _drop_message(self) -> None:
        self._units.clear()
        self._answers.clear()
        self._pending = None
        self._queried = False

    def _note(self, code: int, detail: str = "") -> None:
        self.errors.put(code, detail)
        self._event_status |= event_bit(code)

    def _settle_operation_complete(self, now: float) -> None:
        if self._operation_complete_at is not None and now >= self._operation_complete_at:
            self._operation_complete_at = None
            self._event_status |= OPERATION_COMPLETE

    # Common commands and required headers -----------------------------------------------------

    def _add_required(self) -> None:
        """Add IEEE 488.2 §10 common commands and what SCPI-99 vol. 1 §4.2.1 requires."""
        self.add("*IDN?", self._plain_query(lambda: self._identity))
        self.add("*CLS", self._plain_command(self.clear))
        self.add("*RST", self._reset)
        self.add("*TST?", self._plain_query(lambda: "0"))
        self.add("*ESR?", self._plain_query(self._take_event_status))
        self.add("*ESE?", self._plain_query(lambda: str(self._event_enable)))
        self.add("*ESE", self._set_event_enable)
        self.add("*SRE?", self._plain_query(lambda: str(self._request_enable)))
        self.add("*SRE", self._set_request_enable)
        self.add(
            "*STB?",
            self._plain_query(lambda: str(self.status_byte(message_available=bool(self._answers)))),
        )
        self.add("*OPC?", lambda parameters, now: self._wait(parameters, now, "1"))
        self.add("*OPC", self._operation_complete)
        self.add("*WAI", lambda parameters, now: self._wait(parameters, now, None))
        self.add("SYSTem:ERRor[:NEXT]?", self._plain_query(self.errors.take))
        self.add("SYSTem:ERRor:COUNt?", self._plain_query(lambda: str(len(self.errors))))
        self.add("SYSTem:VERSion?", self._plain_query(lambda: "1999.0"))
        self.add("SYSTem:REMote", self._plain_command(lambda: None))
        self.add("SYSTem:LOCal", self._plain_command(lambda: None))
        self.add("STATus:PRESet", self._plain_command(self._preset))
        for name, group in (("OPERation", self.operation), ("QUEStionable", self.questionable)):
            self._add_group(f"STATus:{name}", group)

    def _add_group(self, root: str, group: StatusGroup) -> None:
        self.add(f"{root}[:EVENt]?", self._plain_query(lambda: str(group.take())))
        self.add(f"{root}:CONDition?", self._plain_query(lambda: str(group.condition)))
        self.add(f"{root}:ENABle?", self._plain_query(lambda: str(group.enable)))

        def enable(parameters: Parameters, _now: float) -> None:
            group.enable = _register(parameters, 0xFFFF) & 0x7FFF

        self.add(f"{root}:ENABle", enable)

    def _plain_query(self, answer: Callable[[], str]) -> Handler:
        def handler(parameters: Parameters, _now: float) -> str:
            expect(parameters, 0)
            return answer()

        return handler

    def _plain_command(self, act: Callable[[], object]) -> Handler:
        def handler(parameters: Parameters, _now: float) -> None:
            expect(parameters, 0)
            act()

        return handler

    def _reset(self, parameters: Parameters, now: float) -> None:
        expect(parameters, 0)
        self.reset(now)

    def _take_event_status(self) -> str:
        status, self._event_status = self._event_status, 0
        return str(status)

    def _set_event_enable(self, parameters: Parameters, _now: float) -> None:
        self._event_enable = _register(parameters, 0xFF)

    def _set_request_enable(self, parameters: Parameters, _now: float) -> None:
        self._request_enable = _register(parameters, 0xFF) & ~0x40

    def _operation_complete(self, parameters: Parameters, now: float) -> None:
        expect(parameters, 0)
        self._operation_complete_at = self.busy_until(now)

    def _wait(self, parameters: Parameters, now: float, answer: str | None) -> Answer:
        expect(parameters, 0)
        until = self.busy_until(now)
        return answer if until <= now else Pending(until, lambda _now: answer)

    def _preset(self) -> None:
        self.operation.enable = 0
        self.questionable.enable = 0

    def _power_cycle(self, _rest: str, now: float) -> str:
        self.clear_bus()
        self.reset(now)
        self.clear()
        self._event_enable = self._request_enable = 0
        self._preset()
        self._event_status = POWER_ON
        self.powered_on(now)
        return "switched off and on again"

    def powered_on(self, now: float) -> None:
        """Take on what the instrument does by itself after switching on, beyond *RST."""


def _register(parameters: Parameters, most: int) -> int:
    expect(parameters, 1)
    return round(numeric(parameters[0], least=0, most=most))


def _raiser(error: ScpiError) -> Handler:
    def handler(_parameters: Parameters, _now: float) -> Answer:
        raise error

    return handler
