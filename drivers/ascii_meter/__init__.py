"""Meters that send lines of text, by themselves or when asked, described by a profile."""

from collections.abc import Sequence

from capture.driver import DriverSpec, hookimpl
from drivers.ascii_meter.driver import AsciiMeter, AsciiMeterOptions, messages, profile_name


@hookimpl
def benchtally_drivers() -> Sequence[DriverSpec]:
    """Announce ``ascii-meter``."""
    return [
        DriverSpec(
            id="ascii-meter",
            summary="Meter that sends lines of text, described by a profile in TOML",
            options=AsciiMeterOptions,
            create=AsciiMeter,
            messages=messages,
            profile_name=profile_name,
        )
    ]
