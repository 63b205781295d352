"""Meters that send lines of text or packed frames, described by a profile."""

from collections.abc import Sequence

from capture.driver import DriverSpec, hookimpl
from drivers.ascii_meter.driver import (
    ID,
    PACKAGE,
    AsciiMeterOptions,
    make,
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
            summary="Meter that sends lines of text or packed frames, described by a profile",
            options=AsciiMeterOptions,
            create=make,
            messages=messages,
            profile=profile_of,
            profiles=PACKAGE,
        )
    ]
