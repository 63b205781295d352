"""Upkeep of the journal's files while the daemon runs: a short log, and room kept for the end.

The log (WAL) is emptied into the file as it grows. That fails while any program holds a read
transaction open; ours never do, but a person's may. Then the log grows with every commit, and so
that it cannot fill the disk, nothing more is stored once it is long and takes half of what room
there would be without it.

The reserve is a file of zeros. While the daemon runs, a full disk is a full disk: readings wait in
their workers, and giving the reserve up would only put that off. When it stops, the reserve is
deleted, so that what the workers hold, and the gaps they have to report, can still be stored.
"""

import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import structlog

from capture.clock import Clock
from capture.errors import JournalError
from capture.journal.beside import log_of, size_of

RESERVE = 8 << 20  # bytes

_EVERY = 0.5  # seconds between two looks
_SHORT = 8 << 20  # a log up to this is left to SQLite's own way of emptying it
_LONG = 64 << 20  # one that cannot be emptied is complained of from here
_MOST = 256 << 20  # and ends what is stored from here, where it takes half of the room
_COMPLAIN_EVERY = 60.0
_SPARE = 4  # the reserve is made where there is so many times its room


@dataclass(frozen=True, slots=True)
class Health:
    """How the journal is.

    Attributes:
        taking: whether it stores what it is given.
        reason: why not, or what is wrong otherwise; empty where all is well.
        commits, refused: batches stored and batches refused since the start.
        log_bytes, log_peak: the log now, and at its longest since the start.
        log_held: some program keeps the log from being emptied.
        free_bytes: room left where the journal lies; None before the first look.
        reserve: whether room is kept for a clean end.
        damaged: what SQLite found malformed in the file; empty where nothing is.
    """

    taking: bool = True
    reason: str = ""
    commits: int = 0
    refused: int = 0
    log_bytes: int = 0
    log_peak: int = 0
    log_held: bool = False
    free_bytes: int | None = None
    reserve: Literal["held", "given up", "none"] = "none"
    damaged: str = ""


def room_at(folder: Path) -> int:
    """Give the bytes that are free where ``folder`` lies."""
    return shutil.disk_usage(folder).free


class Upkeep:
    """Looks after one journal's files. Used by the writer's thread, but for `prepare_to_stop`."""

    def __init__(
        self,
        path: Path,
        clock: Clock,
        empty_log: Callable[[], bool],
        *,
        reserve: int = RESERVE,
        room: Callable[[Path], int] = room_at,
    ) -> None:
        """Take the journal's path, and what empties its log and says whether that succeeded."""
        self._path = path
        self._clock = clock
        self._empty_log = empty_log
        self._size = reserve
        self._room = room
        self._reserve = path.with_name(path.name + ".reserve")
        self._looked_at = self._complained_at = float("-inf")
        self._full = ""
        self._stopping = False
        self._without_reserve = False  # and said so
        self._log = structlog.get_logger()
        self.health = Health()
        #: Why nothing may be stored now; empty where it may.
        self.refusal = ""

    def committed(self) -> None:
        """Take note that a batch was stored."""
        if self._full:
            self._full = ""
            self._log.info("journal.room_again")
        self.health = replace(self.health, taking=True, reason="", commits=self.health.commits + 1)

    def refused(self, why: str, *, full: bool) -> None:
        """Take note that a batch could not be stored; ``full`` where the disk was the reason."""
        if full and not self._full:
            self._log.error("journal.full", why=why, log_bytes=self.health.log_bytes)
        self._full = why if full else self._full
        self.health = replace(
            self.health, taking=False, reason=why, refused=self.health.refused + 1
        )

    def found_damaged(self, why: str) -> None:
        """Take note that the file is malformed; whoever runs the bench has to end it."""
        if not self.health.damaged:
            self.health = replace(self.health, damaged=why)

    def prepare_to_stop(self) -> None:
        """Say that a stop has begun: what is stored from here on may use the reserve."""
        self._stopping = True
        self.refusal = ""  # what is held is little, and this is the last time to store it
        if self._full:
            self.give_up_reserve()

    def give_up_reserve(self) -> bool:
        """Delete the reserve where a stop has begun; True where that made room."""
        if not self._stopping or self.health.reserve != "held":
            return False
        self._reserve.unlink(missing_ok=True)
        self.health = replace(self.health, reserve="given up")
        self._log.warning("journal.reserve_given_up", bytes=self._size)
        return True

    def look(self) -> None:
        """Look at log and room now and then; empty the log, make the reserve, complain."""
        now = self._clock.monotonic()
        if now - self._looked_at < _EVERY or self._stopping:
            return
        self._looked_at = now
        length = size_of(log_of(self._path))
        peak = max(length, self.health.log_peak)
        held = False
        if length > _SHORT:
            held = not self._try_to_empty()
            length = size_of(log_of(self._path))
        try:
            free = self._room(self._path.parent)
        except OSError:
            free = 0
        self.health = replace(
            self.health, log_bytes=length, log_peak=peak, log_held=held, free_bytes=free
        )
        self._judge_log(now, length, free, held=held)
        self._keep_reserve(free)

    def _try_to_empty(self) -> bool:
        try:
            return self._empty_log()
        except JournalError:
            return False  # a disk that is full, too: told by the next commit

    def _judge_log(self, now: float, length: int, free: int, *, held: bool) -> None:
        was = self.refusal
        self.refusal = ""
        if not held or length <= _LONG:
            return
        why = (
            f"{log_of(self._path)}: grown to {length >> 20} MiB, because a program that reads the "
            "journal does not let go of it; end that program"
        )
        if length > _MOST and length > free:
            self.refusal = f"{why}; until then nothing is stored, so that the disk is not filled"
        if now - self._complained_at >= _COMPLAIN_EVERY or bool(was) != bool(self.refusal):
            self._complained_at = now
            self._log.warning("journal.log_held", why=self.refusal or why, free_bytes=free)

    def _keep_reserve(self, free: int) -> None:
        if self.health.reserve == "held":
            return
        there = size_of(self._reserve) >= self._size
        if not there:
            there = free >= _SPARE * self._size and self._make_reserve()
        if there:
            self.health = replace(self.health, reserve="held")
        elif not self._without_reserve:
            self._without_reserve = True
            self._log.warning("journal.no_reserve", free_bytes=free, wanted_bytes=self._size)

    def _make_reserve(self) -> bool:
        try:
            with self._reserve.open("wb") as file:
                # Written, not left as a hole: only blocks that are really taken can be given back.
                for _ in range(self._size >> 16):
                    file.write(bytes(1 << 16))
                file.flush()
                os.fsync(file.fileno())
        except OSError:
            self._reserve.unlink(missing_ok=True)
            return False
        return True
