"""Which program has a port open, or works at it as its terminal."""

import contextlib
import os
import sys
from pathlib import Path

_PSEUDO_TERMINALS = "/dev/pts/"


def holder_of(path: str) -> str | None:
    """Name the program that has ``path`` open, as "name (process 123)"; None where unseen.

    To be asked while this program does not have it open for the same purpose. Who speaks for the
    instrument behind a pseudo-terminal is no holder. Nor is who started that one and keeps the
    terminal open, so that its number is given to nobody else should the other die; but who has it
    locked reads it.
    """
    if not sys.platform.startswith("linux"):
        return None
    real = os.path.realpath(path)
    own = str(os.getpid())
    speak = _who_speak(real)
    started = {_parent(process) for process in speak}
    speakers = {process.name for process in speak} - {own}
    for process in _processes():
        if process.name in speakers:
            continue
        if _has_open(process, real, locked=process.name in started - {own}):
            if process.name == own:
                return "another instrument of this program"
            with contextlib.suppress(OSError):  # it ended just now, and holds nothing any more
                name = (process / "comm").read_text().strip()
                return f"{name} (process {process.name})"
    return None


def who_works_at(path: str) -> str | None:
    """Name a program whose terminal the pseudo-terminal ``path`` is; None where it is nobody's.

    A name can be left behind by an instrument that is gone, and its number given to a window that
    somebody types in. To open that would take what they type for readings.
    """
    real = os.path.realpath(path)
    if not real.startswith(_PSEUDO_TERMINALS) or not sys.platform.startswith("linux"):
        return None
    try:
        number = os.stat(real).st_rdev  # noqa: PTH116 - of a device
    except OSError:
        return None
    speak = _who_speak(real)
    for process in _processes():
        if process not in speak and _terminal(process) == number:
            with contextlib.suppress(OSError):
                return f"{(process / 'comm').read_text().strip()} (process {process.name})"
    return None


def _processes() -> list[Path]:
    return [entry for entry in Path("/proc").iterdir() if entry.name.isdigit()]


def _has_open(process: Path, path: str, *, locked: bool = False) -> bool:
    """Tell whether a process has a file open; with ``locked``, whether it holds a lock on it.

    Source: proc(5), ``lock`` in fdinfo.
    """
    for handle in _listed(process / "fd"):
        with contextlib.suppress(OSError):  # closed just now
            if str(handle.readlink()) != path:
                continue
            if not locked or "\nlock:" in (process / "fdinfo" / handle.name).read_text():
                return True
    return False


def _who_speak(path: str) -> list[Path]:
    """Give the processes that have the master of the pseudo-terminal ``path``.

    Such a one speaks for the instrument, and may keep the terminal itself open so that nobody who
    closes it hangs it up.
    """
    if not path.startswith(_PSEUDO_TERMINALS):
        return []
    number = path.removeprefix(_PSEUDO_TERMINALS)
    return [process for process in _processes() if _has_master(process, number)]


def _has_master(process: Path, number: str) -> bool:
    """Tell whether a process has a pseudo-terminal's master.

    Source: proc(5), ``tty-index`` in fdinfo of a pseudo-terminal's master.
    """
    index = f"tty-index:\t{number}"
    for handle in _listed(process / "fdinfo"):
        with contextlib.suppress(OSError):  # closed just now; the others still tell
            if index in handle.read_text().splitlines():
                return True
    return False


def _parent(process: Path) -> str:
    """Give the id of the process that started this one; nothing where it ended just now.

    Source: proc(5), stat: after the name, which may hold anything, a state and the parent.
    """
    return _stat(process)[1]


def _terminal(process: Path) -> int:
    """Give the device number of a process's controlling terminal; 0 where it has none.

    Source: proc(5), stat, ``tty_nr``: the minor number in bits 31 to 20 and 7 to 0, the major one
    from bit 8 on.
    """
    number = int(_stat(process)[4] or 0)
    return os.makedev((number >> 8) & 0xFFF, ((number >> 12) & 0xFFF00) | (number & 0xFF))


def _stat(process: Path) -> list[str]:
    """Give what stands behind a process's name: state, parent, group, session, terminal."""
    try:
        found = (process / "stat").read_text("utf-8", "replace").rpartition(")")[2].split()
    except OSError:
        found = []
    return found[:5] if len(found) >= 5 else [""] * 5  # noqa: PLR2004 - those five


def _listed(folder: Path) -> list[Path]:
    try:
        return list(folder.iterdir())
    except OSError:
        return []  # it ended just now, or is somebody else's: not ours to see
