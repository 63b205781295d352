"""Asking an unknown instrument what it is. Only when a person said so.

A probe can disturb: opening a port moves DTR and RTS, a query can end a measurement or take an
instrument to remote. So it listens before it asks, it sends nothing at all to an instrument that
talks by itself, and what it sends is one query, through the same policy as everything else.

    listen at the first rate ─▶ something came ─▶ listen at the other rates until it can be read
                             └▶ silence ────────▶ ask *IDN? at each rate until it is answered
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from capture.clock import Clock
from capture.discovery.candidates import IDENTITY_QUERY, Candidate, Heard, identity_in
from capture.discovery.device import USB, Device, is_meant
from capture.errors import InputError, LineRefused, LinkError
from capture.links import Link
from capture.links.address import host_and_port

#: Everything that a probe may send.
MESSAGES = (IDENTITY_QUERY + b"\n",)

#: Rates that most instruments leave the factory with; common practice, no source.
RATES = (9600, 19200, 115200, 38400, 57600, 4800, 2400, 1200)

WARNING = (
    "a probe can disturb an instrument: opening its port moves DTR and RTS, a query can end a "
    "measurement or take the instrument to remote, and at a wrong rate it arrives as noise. "
    "Let no test run on the instrument meanwhile"
)

_LISTEN = 2.5  # a meter that talks by itself does so about once a second
_ANSWER = 1.0
_QUIET = 0.3  # after this much silence an answer is complete
_PIECE = 0.25  # seconds of one read
_MOST = 65536
_SAMPLE = 64  # bytes; several frames of a binary meter, which must be read, too
_LEAST_TEXT = 0.7  # of random bytes 0.38 are text


class Policy(Protocol):
    """What holds back messages that nobody allowed."""

    def check(self, data: bytes) -> None:
        """Let ``data`` pass, or raise `PolicyError`."""
        ...


@dataclass(frozen=True, slots=True)
class Finding:
    """What a probe found.

    Attributes:
        link: link settings at which it was found, as they stand in a configuration.
        identity: its answer to ``*IDN?``; empty where it gave none.
        heard: what it said by itself.
        asked: whether anything was sent.
    """

    link: dict[str, Any]
    identity: str = ""
    heard: Heard = ()
    asked: bool = False


class Prober:
    """Probes one port at a time."""

    def __init__(
        self,
        make_link: Callable[[dict[str, Any]], Link],
        policy: Policy,
        clock: Clock,
        candidates: Sequence[Candidate],
    ) -> None:
        self._make_link = make_link
        self._policy = policy
        self._clock = clock
        self._candidates = candidates

    def probe(self, link: dict[str, Any]) -> Finding:
        """Find out what is at ``link``, given by kind and place; other settings are tried.

        Raises:
            LinkError: the port cannot be opened, or went away.
        """
        trials = self._trials(link)
        heard = self._first_words(trials)
        if heard is not None:
            return self._understand(trials, heard)
        for number, trial in enumerate(trials):
            # What was asked at a wrong rate waits in the instrument as the noisy beginning of a
            # message, and takes the next query for its end. The query after that is understood.
            identity = self._ask(trial, times=1 if number == 0 else 2)
            if identity:
                return Finding(trial, identity, asked=True)
        return Finding(trials[0], asked=True)

    def _first_words(self, trials: Sequence[dict[str, Any]]) -> Finding | None:
        """Listen, at one rate for each way to set DTR and RTS; None where it stays silent.

        At a wrong rate something comes all the same, if only noise.
        """
        tried: list[tuple[Any, Any]] = []
        for trial in trials:
            lines = (trial.get("dtr"), trial.get("rts"))
            if lines in tried:
                continue
            tried.append(lines)
            heard = self._listen(trial)
            if heard:
                return Finding(trial, heard=heard)
        return None

    def _understand(self, trials: Sequence[dict[str, Any]], first: Finding) -> Finding:
        """Listen at the other settings until something can be read; else give what is most text."""
        clearest = first
        for trial in trials:
            heard = first.heard if trial == first.link else self._listen(trial)
            if heard and self._is_read(trial, heard):
                return Finding(trial, heard=heard)
            if _text_in(heard) > _text_in(clearest.heard):
                clearest = Finding(trial, heard=heard)
        return clearest

    def _trials(self, link: dict[str, Any]) -> list[dict[str, Any]]:
        """List the settings to try: ordinary rates, then what profiles ask for besides."""
        if link["kind"] != "serial":
            return [link]
        ordinary = [{**link, "baud": rate} for rate in RATES]
        special = [{**ordinary[0], **each.link} for each in self._candidates]
        found: list[dict[str, Any]] = []
        for each in ordinary + special:
            if each not in found:
                found.append(each)
        return found

    def _is_read(self, trial: dict[str, Any], heard: Heard) -> bool:
        return any(each.suits(trial) and each.read(heard) for each in self._candidates)

    def _listen(self, trial: dict[str, Any]) -> Heard:
        link = self._make_link(trial)
        if link.message_based:
            return ()  # such a device speaks only when it is asked
        try:
            link.open()
            return self._hear(link, _LISTEN, _LISTEN, enough=_is_noise)
        except LineRefused:
            return ()  # what a profile asks for and this port does not have; others may do
        finally:
            link.close()

    def _ask(self, trial: dict[str, Any], *, times: int) -> str:
        link = self._make_link(trial)
        try:
            link.open()
            for _ in range(times):
                for message in MESSAGES:
                    self._policy.check(message)
                    link.write(message)
                heard = self._hear(link, _ANSWER, _QUIET)
                identity = identity_in(b"".join(data for _, data in heard))
                if identity:
                    return identity
        except LineRefused:
            return ""  # as for listening
        finally:
            link.close()
        return ""

    def _hear(
        self,
        link: Link,
        longest: float,
        quiet: float,
        enough: Callable[[Heard], bool] = lambda _heard: False,
    ) -> Heard:
        """Read for ``longest`` seconds, until it is ``quiet`` so long, or ``enough`` is heard."""
        heard: list[tuple[float, bytes]] = []
        began = last = self._clock.monotonic()
        size = 0
        while size < _MOST:
            now = self._clock.monotonic()
            if now - began >= longest or (heard and now - last >= quiet):
                break
            try:
                data, end = link.read(4096, _PIECE)
            except LinkError:
                if heard:
                    break  # what it said counts, though it has gone
                raise
            if data:
                last = self._clock.monotonic()
                heard.append((last, data))
                size += len(data)
            if end or enough(heard):
                break
        return heard


def link_table(port: str, devices: Iterable[Device]) -> dict[str, Any]:
    """Tell by what kind of link ``port`` is reached, as a configuration writes it.

    ``port`` is a path, ``usb:VID:PID:SERIAL``, or HOST:PORT.

    Raises:
        InputError: none of these.
    """
    device = next((each for each in devices if is_meant(port, each)), None)
    if (device is not None and device.kind == "usbtmc") or port.startswith("/dev/usbtmc"):
        return {"kind": "usbtmc", "device": port}
    tcp = host_and_port(port)
    if port.lower().startswith(USB) or device is not None or "/" in port or tcp is None:
        if not port.strip() or not port.isprintable():
            raise InputError("give a port's path, usb:VID:PID:SERIAL, or HOST:PORT")
        return {"kind": "serial", "port": port}
    host, number = tcp
    return {"kind": "tcp", "host": host, "port": number}


def _is_noise(heard: Heard) -> bool:
    """Tell whether there is enough to know that it is no text, so that the next rate is tried."""
    return sum(len(data) for _, data in heard) >= _SAMPLE and _text_in(heard) < _LEAST_TEXT


def _text_in(heard: Heard) -> float:
    """Give the share of printable text in what was heard: at a wrong rate there is little."""
    data = b"".join(piece for _, piece in heard)
    text = sum(1 for byte in data if 0x20 <= byte < 0x7F or byte in b"\r\n\t")  # noqa: PLR2004 - ASCII
    return text / len(data) if data else 0.0
