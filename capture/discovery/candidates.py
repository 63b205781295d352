"""What could read an instrument: the drivers with their profiles, tried on what it said.

Which drivers and profiles there are is told from outside; nothing here knows one by name.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from capture.driver import Driver, Indication, Malformed, Profile

#: When and what: the pieces in which an instrument was heard, on a monotonic clock.
Heard = Sequence[tuple[float, bytes]]

IDENTITY_QUERY = b"*IDN?"

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?\Z")
_LONGEST = 400


@dataclass(frozen=True, slots=True)
class Candidate:
    """A driver as it could be configured.

    Attributes:
        driver: its id.
        profile_name: what would stand under ``profile``; empty for a driver without one.
        profile: that profile, read.
        messages: everything that it may send, without terminators.
        make_driver: makes one.
    """

    driver: str
    profile_name: str
    profile: Profile | None
    messages: tuple[bytes, ...]
    make_driver: Callable[[], Driver]

    @property
    def link(self) -> dict[str, Any]:
        """Link settings that the profile asks for."""
        return {} if self.profile is None else self.profile.link.model_dump(exclude_none=True)

    @property
    def asks_identity(self) -> bool:
        """Whether it can talk to whatever answers ``*IDN?``."""
        return IDENTITY_QUERY in self.messages

    def suits(self, link: dict[str, Any]) -> bool:
        """Tell whether ``link`` is set as the profile asks, where both say something."""
        return all(link.get(name, value) == value for name, value in self.link.items())

    def fits(self, identity: str) -> bool:
        """Tell whether the profile is for an instrument that answers ``identity``."""
        maker, model = (*[part.strip() for part in identity.split(",")], "", "")[:2]
        return self.profile is not None and self.profile.identity.fits(maker, model)

    def read(self, heard: Heard) -> list[Indication]:
        """Give what this driver reads in what was heard; empty where more of it is no frame.

        The driver is asked for nothing that is then sent: one that wants to ask is no reader of
        an instrument that talks by itself.
        """
        driver = self.make_driver()
        indications: list[Indication] = []
        malformed = 0
        for time, data in heard:
            if list(driver.outgoing(time)):
                return []
            driver.receive(data, False, time)  # noqa: FBT003 - the driver interface
            while (event := driver.next_event()) is not None:
                if isinstance(event, Indication):
                    indications.append(event)
                elif isinstance(event, Malformed):
                    malformed += 1
        return indications if len(indications) > malformed else []


def identity_in(data: bytes) -> str:
    """Find the answer to ``*IDN?`` in what came after it; empty where there is none.

    An answer has fields with commas between them (IEEE 488.2 §10.14), and more than numbers in
    them; the query itself, echoed, is none.
    """
    for line in re.split(rb"[\r\n\0]+", data[: 4 * _LONGEST]):
        try:
            text = line.decode("ascii").strip()
        except UnicodeDecodeError:
            continue
        parts = [part.strip() for part in text.split(",")]
        if (
            len(parts) > 1
            and len(text) <= _LONGEST
            and text.isprintable()
            and not all(_NUMBER.match(part) for part in parts if part)
            and any(parts[:2])
        ):
            return text
    return ""
