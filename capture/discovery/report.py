"""What a person wants to know of a device: its name, who has it open, what is missing."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from capture.discovery.device import Device, write_as
from capture.discovery.listing import by_path
from capture.discovery.permission import missing_permission
from capture.links.holder import holder_of


@dataclass(frozen=True, slots=True)
class PortReport:
    """One device, for people and for ``--json``.

    Attributes:
        path: where it is now; may change when it is plugged in again.
        identity: what to write in a configuration.
        remark: the catch of that name; empty where it has none.
        kind, location, description: as in `Device`.
        usable: whether this process may open it for reading and writing.
        holder: program that has it open, as "name (process 123)", where that can be seen.
        hint: what to do for the permission that is missing; empty where none is.
    """

    path: str
    identity: str
    remark: str
    kind: str
    location: str
    description: str
    usable: bool
    holder: str | None
    hint: str


def report(
    devices: Sequence[Device],
    *,
    socket_link: Callable[[str], str | None] = by_path,
    holder: Callable[[str], str | None] = holder_of,
) -> list[PortReport]:
    """Tell all there is to tell of ``devices``, which are all that are plugged in."""
    made = []
    for device in devices:
        name = write_as(device, devices, socket_link)
        hint = missing_permission(device)
        made.append(
            PortReport(
                path=device.path,
                identity=name.text,
                remark=name.remark,
                kind=device.kind,
                location=device.location,
                description=device.description,
                usable=not hint,
                holder=holder(device.path),
                hint=hint,
            )
        )
    return made
