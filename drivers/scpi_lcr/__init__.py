"""SCPI LCR bridges, described by a profile."""

from collections.abc import Sequence

from capture.driver import DriverSpec, hookimpl
from drivers.scpi_lcr.driver import ID, PACKAGE, ScpiLcrOptions, make, messages, profile_of


@hookimpl
def benchtally_drivers() -> Sequence[DriverSpec]:
    """Announce ``scpi-lcr``."""
    return [
        DriverSpec(
            id=ID,
            api_version=1,
            summary="SCPI LCR bridge: primary, secondary, status; function, frequency, level",
            options=ScpiLcrOptions,
            create=make,
            messages=messages,
            profile=profile_of,
            profiles=PACKAGE,
        )
    ]
