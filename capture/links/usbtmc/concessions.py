"""What makes a device answer that answers nothing: one thing after the other, each tried once."""

from collections.abc import Callable, Iterator

from capture.config import UsbtmcSettings
from capture.links.usbtmc.codec import Capabilities
from capture.links.usbtmc.control import Control

_SMALL_REQUEST = 63


class Concessions:
    """How one device has to be treated.

    Attributes:
        remote: remote enable is asserted, and has to be given back.
        request_bytes: for so many bytes it is asked at a time.
    """

    def __init__(self, settings: UsbtmcSettings) -> None:
        self.remote = False
        self.request_bytes = settings.request_bytes
        self._ren = settings.ren
        self._left = self._attempts()

    def make_one(self, control: Control, capabilities: Capabilities) -> None:
        """Try the next thing that can be tried on this device; nothing where all were."""
        for attempt in self._left:
            if attempt(control, capabilities):
                return

    def _attempts(self) -> Iterator[Callable[[Control, Capabilities], bool]]:
        yield self._assert_remote
        yield self._ask_for_less

    def _assert_remote(self, control: Control, capabilities: Capabilities) -> bool:
        if self._ren != "auto" or not capabilities.usb488:
            return False
        self.remote = control.remote(on=True)
        return self.remote

    def _ask_for_less(self, _control: Control, _capabilities: Capabilities) -> bool:
        self.request_bytes = min(self.request_bytes, _SMALL_REQUEST)
        return True
