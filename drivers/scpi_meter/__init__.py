"""SCPI meters: micro-ohm meters, multimeters, insulation meters."""

from collections.abc import Sequence

from capture.driver import DriverSpec, hookimpl
from drivers.scpi_meter.driver import ID, PACKAGE, ScpiMeterOptions, make, messages, profile_of


@hookimpl
def benchtally_drivers() -> Sequence[DriverSpec]:
    """Announce ``scpi-meter``."""
    return [
        DriverSpec(
            id=ID,
            api_version=1,
            summary="SCPI meter: asks FETCh? for its latest values",
            options=ScpiMeterOptions,
            create=make,
            messages=messages,
            profile=profile_of,
            profiles=PACKAGE,
        )
    ]
