r"""Traces: recorded bytes with direction and time.

A trace is a text file with one JSON object a line, written as the bytes come. The first line says
what it is; each line after that is a chunk of bytes, or something that happened to the link::

    {"trace": 1, "link": "/dev/ttyUSB0", "began": "2026-11-25T08:00:00.000000Z", "baud": 9600}
    {"t": 0.512344, "in": " 512.4 MOhm\r\n"}
    {"t": 1.514020, "in_hex": "00 01 00 06 4a 8c fd 3c"}
    {"t": 1.600000, "out": "FETC?\n"}
    {"t": 2.000000, "event": "lost", "text": "the cable was pulled"}

``t`` is seconds since ``began`` by a clock that never runs backwards. ``in`` is from the
instrument, ``out`` to it; bytes that are not printable ASCII (CR, LF and TAB are) stand in hex
instead. Members that a reader does not know are passed over; ``trace`` counts up when that is not
enough.
"""

import json
import math
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

from capture.clock import Clock
from capture.errors import InputError, LinkError
from capture.faults import shown
from capture.links import Link
from capture.model.fields import rfc3339

VERSION = 1

_READ_LIMIT = 4096
_LONGEST_WAIT = 0.1
_REOPEN_AFTER = 1.0
_LONGEST_LINE = 64 * 1024
# What says how a serial line is set, and what is not worth saying of it.
_LINE = {"baud": None, "data_bits": 8, "parity": "none", "stop_bits": 1, "flow": "none"}
_PRINTABLE = frozenset(range(0x20, 0x7F)) | {0x09, 0x0A, 0x0D}


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes that went over a link at one time."""

    time: float
    """Seconds since the trace began."""
    data: bytes
    received: bool
    """From the instrument; else to it."""


class TraceWriter:
    """Writes a trace; every line is on its way to the disk before the next one."""

    def __init__(self, file: TextIO, clock: Clock, link: str, settings: Mapping[str, Any]) -> None:
        self._file = file
        self._clock = clock
        self._began = clock.monotonic()
        self._line({"trace": VERSION, "link": link, "began": rfc3339(clock.utc()), **settings})

    def received(self, data: bytes) -> None:
        """Write bytes from the instrument."""
        self._chunk("in", data)

    def sent(self, data: bytes) -> None:
        """Write bytes to the instrument."""
        self._chunk("out", data)

    def event(self, what: str, text: str) -> None:
        """Write what happened to the link."""
        self._line({"t": self._time(), "event": what, "text": text})

    def _chunk(self, direction: str, data: bytes) -> None:
        if _PRINTABLE.issuperset(data):
            self._line({"t": self._time(), direction: data.decode("ascii")})
        else:
            self._line({"t": self._time(), f"{direction}_hex": data.hex(" ")})

    def _time(self) -> float:
        return round(self._clock.monotonic() - self._began, 6)

    def _line(self, members: Mapping[str, Any]) -> None:
        self._file.write(json.dumps(members, ensure_ascii=False) + "\n")
        self._file.flush()


def listen(
    link: Link,
    seconds: float,
    clock: Clock,
    stop: threading.Event,
    on_data: Callable[[bytes], bool],
    on_event: Callable[[str, str], None],
) -> None:
    """Hand over what comes over a link for so many seconds. Nothing is ever sent.

    A link that is lost is opened again. ``on_data`` ends it early by giving True.

    Raises:
        LinkError: the link could not be opened at the first try.
    """
    end = clock.monotonic() + seconds
    link.open()
    is_open = True
    on_event("opened", link.description)
    try:
        while (left := end - clock.monotonic()) > 0 and not stop.is_set():
            try:
                if not is_open:
                    link.open()
                    is_open = True
                    on_event("opened", link.description)
                data, _ = link.read(_READ_LIMIT, min(left, _LONGEST_WAIT))
            except LinkError as error:
                if is_open:
                    on_event("lost", str(error))
                link.close()
                is_open = False
                clock.wait(stop, min(left, _REOPEN_AFTER))
                continue
            if data and on_data(data):
                return
    finally:
        link.close()


def read_trace(path: Path) -> list[Chunk]:
    """Read the bytes of a trace.

    Raises:
        InputError: the file cannot be read or is no trace; says which line.
    """
    try:
        with path.open(encoding="utf-8") as file:
            return list(_chunks(file, path))
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"trace {path}: cannot be read: {error}") from error


def line_settings(path: Path) -> dict[str, Any]:
    """Give how the serial line of a trace was set, as far as it is not as ports are set anyway.

    Raises:
        InputError: the file cannot be read or is no trace.
    """
    try:
        with path.open(encoding="utf-8") as file:
            first = file.readline(_LONGEST_LINE)
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"trace {path}: cannot be read: {error}") from error
    _check_first(first, path)
    members = _members(first, f"trace {path}, line 1")
    return {
        name: members[name]
        for name, usual in _LINE.items()
        if isinstance(members.get(name), int | float | str) and members[name] != usual
    }


def _chunks(file: TextIO, path: Path) -> Iterator[Chunk]:
    number = 0
    while line := file.readline(_LONGEST_LINE):
        number += 1
        where = f"trace {path}, line {number}"
        if number == 1:
            _check_first(line, path)
            continue
        if not line.endswith("\n"):
            return  # the recording ended in the middle of a line
        chunk = _chunk(_members(line, where), where)
        if chunk is not None:
            yield chunk
    if number == 0:
        raise InputError(f"trace {path}: is empty")


def _check_first(line: str, path: Path) -> None:
    members = _members(line, f"{path}: is no trace: line 1")
    if "trace" not in members:
        raise InputError(f'{path}: is no trace: line 1: expected {{"trace": {VERSION}, …}}')
    if members["trace"] != VERSION:
        raise InputError(
            f"trace {path}: is of version {shown(members['trace'])}, "
            f"this Benchtally reads {VERSION}"
        )


def _members(line: str, where: str) -> dict[str, Any]:
    try:
        members = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{where}: not JSON: {error}") from error
    if not isinstance(members, dict):
        raise InputError(f"{where}: expected an object, found {line.strip()[:40]!r}")
    return members


def _chunk(members: Mapping[str, Any], where: str) -> Chunk | None:
    for direction in ("in", "out"):
        for name in (direction, f"{direction}_hex"):
            if name not in members:
                continue
            try:
                text, time = str(members[name]), float(members["t"])
                data = bytes.fromhex(text) if name.endswith("_hex") else text.encode("latin-1")
                if not math.isfinite(time):
                    raise ValueError(f"t is {time}")
            except (KeyError, TypeError, ValueError, OverflowError) as error:
                raise InputError(f"{where}: t or {name} is missing or wrong: {error}") from error
            return Chunk(time, data, received=direction == "in")
    return None
