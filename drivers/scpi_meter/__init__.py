"""SCPI meters that are asked for one value: micro-ohm meters, multimeters, insulation meters.

``capture.driver.DriverSpec`` below is all that Benchtally sees of this package.
"""

from collections.abc import Sequence

from capture.driver import DriverSpec, hookimpl
from drivers.scpi_meter.driver import ScpiMeter, ScpiMeterOptions, messages


@hookimpl
def benchtally_drivers() -> Sequence[DriverSpec]:
    """Announce ``scpi-meter``."""
    return [
        DriverSpec(
            id="scpi-meter",
            summary="SCPI meter that answers FETCh? with one value",
            options=ScpiMeterOptions,
            create=ScpiMeter,
            messages=messages,
        )
    ]
