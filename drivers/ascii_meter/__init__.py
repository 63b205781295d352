"""Meters that send lines of text, by themselves or when asked, described by a profile."""

from collections.abc import Sequence

from capture.driver import DriverSpec, hookimpl
from drivers.ascii_meter.driver import (
    ID,
    PACKAGE,
    AsciiMeter,
    AsciiMeterOptions,
    messages,
    profile_of,
)


@hookimpl
def benchtally_drivers() -> Sequence[DriverSpec]:
    """Announce ``ascii-meter``."""
    return [
        DriverSpec(
            id=ID,
            api_version=1,
            summary="Meter that sends lines of text, described by a profile in TOML",
            options=AsciiMeterOptions,
            create=AsciiMeter,
            messages=messages,
            profile=profile_of,
            profiles=PACKAGE,
        )
    ]
