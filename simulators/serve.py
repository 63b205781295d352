"""Serve simulated instruments: one select loop, no threads.

    start -> loop -> stop is `Server.run`.

Each turn of the loop hands over what hosts sent, lets instruments speak when they are due, and
does what the hand at the bench asks for, a line on the hand's descriptor each.
"""

import contextlib
import json
import os
import select
import signal
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TextIO

from simulators.faults import Damaged
from simulators.hand import Hand, RefusedError
from simulators.line_faults import Baud, BaudSettings
from simulators.ports import Port

_LONGEST_COMMAND = 4096


@dataclass
class Station:
    """One instrument at one port.

    lossless: let the instrument speak only when all it said before has gone out, so that nothing
    is lost (for load tests); else it speaks when it likes and a host that does not read loses.
    baud: the instrument's own line speed; a host set to another one sees and causes noise.
    """

    kind: str
    instrument: Damaged
    port: Port
    lossless: bool = False
    baud: int | None = None
    seed: int = 1
    hand: Hand = field(default_factory=Hand)

    def __post_init__(self) -> None:
        self._noise = Baud(BaudSettings(), self.seed)
        self._vanished = False
        self.hand.add("unplug", "unplug", self._unplug)
        self.hand.add("plug", "plug", self._plug)
        self.hand.add("place", "place", lambda _rest, _now: json.dumps(self.port.place()))
        self.hand.add("dropped", "dropped", lambda _rest, _now: str(self.port.dropped))

    def turn(self, now: float) -> None:
        """Do everything that is due."""
        data, ended = self.port.read()
        if data:
            self._send(self.instrument.received(self._line(data, now), now), now)
        if self.port.admit() or ended:
            self.instrument.clear_bus()
        if self.port.pending:
            self.port.send(b"")
        if not self._blocked():
            self._send(self.instrument.spoken(now), now)
        self._follow_vanishing()

    def wake_at(self) -> float | None:
        """Return when the instrument is due; None while only the host can change anything."""
        return None if self._blocked() else self.instrument.wake_at()

    def obey(self, line: str, now: float) -> str:
        """Do a hand command of the plug or of the instrument."""
        if self.hand.knows(line) and not line.startswith("help"):
            return self.hand.obey(line, now)
        answer = self.instrument.command(line, now)
        if line.strip() == "help":
            answer += "; " + "; ".join(usage for usage in self.hand.usages() if usage != "help")
        return answer

    def _blocked(self) -> bool:
        return self.lossless and (self.port.pending > 0 or not self.port.host_is_there())

    def _line(self, data: bytes, now: float) -> bytes:
        if self.baud is not None and self.port.speed() not in {None, self.baud}:
            return self._noise.damage(data, now)
        return data

    def _send(self, data: bytes, now: float) -> None:
        if data:
            self.port.send(self._line(data, now))

    def _follow_vanishing(self) -> None:
        if self.instrument.gone and not self._vanished:
            self._vanished = True
            self.port.unplug()
        elif self._vanished and not self.instrument.gone:
            # A port that is taken meanwhile is tried again at the next turn.
            with contextlib.suppress(OSError):
                self.port.plug()
                self._vanished = False

    def _unplug(self, _rest: str, _now: float) -> str:
        self.port.unplug()
        return "unplugged"

    def _plug(self, _rest: str, _now: float) -> str:
        try:
            self.port.plug()
        except OSError as error:
            raise RefusedError(f"cannot plug in: {error}") from None
        self.instrument.come_back()
        self._vanished = False
        return "plugged in at " + json.dumps(self.port.place())


class Server:
    """Serves stations until it is stopped.

    hand: descriptor from which hand commands come as lines, or None. With several stations a
    line begins with the station's number, counted from 0.
    answers: where each hand command's one line of answer goes.
    stop_at_eof: stop when the hand's descriptor is closed, so that a simulator never outlives
    the program that started it.
    """

    def __init__(
        self,
        stations: Sequence[Station],
        *,
        hand: int | None = None,
        answers: TextIO | None = None,
        stop_at_eof: bool = False,
    ) -> None:
        self._stations = list(stations)
        self._hand = hand
        self._answers = answers
        self._stop_at_eof = stop_at_eof
        self._typed = bytearray()
        self._stopping = False
        self._wake_read, self._wake_write = os.pipe()
        for end in (self._wake_read, self._wake_write):
            os.set_blocking(end, False)

    def stop(self) -> None:
        """Ask the loop to end; may be called from a signal handler or another thread."""
        self._stopping = True
        with contextlib.suppress(OSError):
            os.write(self._wake_write, b"x")

    def run(self) -> None:
        """Serve until stopped; the ports are closed when this returns."""
        try:
            while not self._stopping:
                now = time.monotonic()
                for station in self._stations:
                    station.turn(now)
                self._wait()
        finally:
            for station in self._stations:
                station.port.close()
            os.close(self._wake_read)
            os.close(self._wake_write)

    def _wait(self) -> None:
        """Wait for bytes, for a hand command, or until an instrument is due."""
        readers = [self._wake_read]
        writers: list[int] = []
        if self._hand is not None:
            readers.append(self._hand)
        due: float | None = None
        for station in self._stations:
            readers += station.port.readers()
            writers += station.port.writers()
            wake = station.wake_at()
            if wake is not None:
                due = wake if due is None else min(due, wake)
        timeout = None if due is None else max(0.0, due - time.monotonic())
        ready, _, _ = select.select(readers, writers, [], timeout)
        if self._hand is not None and self._hand in ready:
            self._read_hand(self._hand)

    def _read_hand(self, descriptor: int) -> None:
        data = os.read(descriptor, _LONGEST_COMMAND)
        if not data:
            self._hand = None
            if self._stop_at_eof:
                self._stopping = True
            return
        self._typed += data
        *lines, rest = self._typed.split(b"\n")
        self._typed = bytearray(rest[-_LONGEST_COMMAND:])
        for line in lines:
            text = line.decode(errors="replace").strip()
            if text:
                self._answer(self._obey(text))

    def _obey(self, text: str) -> str:
        now = time.monotonic()
        if text == "quit":
            self._stopping = True
            return "ok: stopping"
        if len(self._stations) == 1:
            return self._stations[0].obey(text, now)
        number, _, rest = text.partition(" ")
        if not number.isdigit() or int(number) >= len(self._stations):
            return f"no: begin with a station's number, 0 to {len(self._stations) - 1}"
        return self._stations[int(number)].obey(rest, now)

    def _answer(self, text: str) -> None:
        if self._answers is None:
            return
        one_line = text.replace("\r", " ").replace("\n", " ")
        try:
            print(one_line, file=self._answers, flush=True)
        except OSError:  # whoever listened has gone; the instruments stay
            self._answers = None


@contextlib.contextmanager
def stopped_by_signals(server: Server) -> Iterator[None]:
    """Stop the server on SIGTERM or SIGINT; outside the main thread, change nothing."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {
        number: signal.signal(number, lambda _number, _frame: server.stop())
        for number in (signal.SIGTERM, signal.SIGINT)
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def serve_forever(
    stations: Sequence[Station],
    *,
    hand: int | None = None,
    answers: TextIO | None = None,
    stop_at_eof: bool = False,
) -> None:
    """Print one line of JSON for each station, then serve until a signal, `quit` or end of input.

    The JSON has `kind`, `port`, `link`, `tcp` and `pid`; several stations give a list in one line.
    """
    server = Server(stations, hand=hand, answers=answers, stop_at_eof=stop_at_eof)
    with stopped_by_signals(server):
        if answers is not None:
            found = [
                {"kind": station.kind, **station.port.place(), "pid": os.getpid()}
                for station in stations
            ]
            print(json.dumps(found[0] if len(found) == 1 else found), file=answers, flush=True)
        server.run()
