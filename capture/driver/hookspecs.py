"""The one hook that a driver package implements; used to find drivers, never in the data path."""

from collections.abc import Sequence

import pluggy

from capture.driver.api import DriverSpec

PROJECT = "benchtally"
ENTRY_POINT_GROUP = "benchtally.drivers"

hookspec = pluggy.HookspecMarker(PROJECT)

#: Marks a driver package's implementation of `benchtally_drivers`.
hookimpl = pluggy.HookimplMarker(PROJECT)


@hookspec
def benchtally_drivers() -> Sequence[DriverSpec]:  # type: ignore[empty-body] # a specification
    """Announce the drivers of this package."""
