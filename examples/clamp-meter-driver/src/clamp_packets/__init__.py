"""Clamp meters that send packets, for Benchtally."""

from collections.abc import Sequence

from capture.driver import DriverSpec, hookimpl
from clamp_packets.driver import ClampOptions, ClampPackets


@hookimpl
def benchtally_drivers() -> Sequence[DriverSpec]:
    """Announce ``clamp-packets``."""
    return [
        DriverSpec(
            id="clamp-packets",
            summary="Clamp meter that sends packets by itself: current, voltage, frequency",
            options=ClampOptions,
            create=ClampPackets,
            messages=lambda _options: (),  # it is never sent anything
            # The version that this was written for, as a number: taken from Benchtally, it would
            # always match.
            api_version=1,
        )
    ]
