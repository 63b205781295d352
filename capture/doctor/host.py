"""What is installed here, and what this computer's clock is worth."""

import platform
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from importlib import metadata

from capture import __version__
from capture.clock import Clock
from capture.config import Config
from capture.doctor.finding import Finding, look, ok, wrong
from capture.extras import MODULES, missing

_LIBRARIES = ("paho-mqtt", "pydantic", "pyserial", "pyusb", "numpy")
# Before this release nobody can have run it, so a clock that says so has not been set.
_NOT_BEFORE = datetime(2026, 1, 1, tzinfo=UTC)
_NOT_AFTER = datetime(2100, 1, 1, tzinfo=UTC)
_TOLERANCE = timedelta(minutes=2)


def versions() -> Iterator[Finding]:
    """Name the versions of what runs here."""
    yield ok("benchtally", f"{__version__}, Python {platform.python_version()}")
    absent, found = [], [f"SQLite {sqlite3.sqlite_version}"]
    for name in _LIBRARIES:
        try:
            found.append(f"{name} {metadata.version(name)}")
        except metadata.PackageNotFoundError:
            absent.append(name)
    if absent:
        yield wrong("libraries", f"not installed: {', '.join(absent)}", "install benchtally anew")
    else:
        yield ok("libraries", ", ".join(found))


def extras(config: Config | None) -> Iterator[Finding]:
    """Tell which extras are installed; one that the configuration needs must be."""
    needed = set()
    if config is not None and config.web is not None:
        needed.add("web")
    if config is not None and any(each.sparkplug for each in config.publishers.values()):
        needed.add("sparkplug")
    for extra in MODULES:
        lacking = missing(extra)
        what = f"extra {extra}"
        if not lacking:
            yield ok(what, "installed")
        elif extra in needed:
            yield wrong(
                what,
                f"needed, and lacks {', '.join(lacking)}",
                f"pip install 'benchtally[{extra}]'",
            )
        else:
            yield ok(what, "not installed, and not needed by this configuration")


def clock(clock: Clock, newest: datetime | None) -> Finding:
    """Judge the clock; ``newest`` is the stamp of the journal's newest entry."""
    now = clock.utc()
    said = f"{now:%Y-%m-%d %H:%M:%S} UTC"
    if not _NOT_BEFORE <= now < _NOT_AFTER:
        return wrong("clock", f"{said}, which cannot be", "set the clock, or have it set (NTP)")
    if newest is not None and newest - now > _TOLERANCE:
        return wrong(
            "clock",
            f"{said}, before the journal's newest entry ({newest:%Y-%m-%d %H:%M:%S} UTC)",
            "set the clock, or have it set (NTP); readings keep their order all the same",
        )
    synchronised = clock.synchronised()
    if synchronised is None:
        return look(
            "clock",
            f"{said}; whether it follows a reference cannot be known here",
            "compare it with another clock",
        )
    if not synchronised:
        return look(
            "clock",
            f"{said}, follows no reference; readings say so",
            "have it set by NTP or PTP (systemd-timesyncd, chrony)",
        )
    return ok("clock", f"{said}, follows a reference")
