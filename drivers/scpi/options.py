"""Options that every SCPI driver has: how the instrument is talked to."""

from dataclasses import dataclass, field

from capture.driver import InputError
from drivers.scpi.manners import Manners


@dataclass(frozen=True, kw_only=True)
class MannersOptions:
    """How one instrument is talked to."""

    identify: bool = field(default=True, metadata={"help": "ask *IDN? first and after a time-out"})
    error_queue: bool = field(default=True, metadata={"help": "read SYSTem:ERRor? when in doubt"})
    watch_s: float = field(
        default=10.0, metadata={"help": "seconds from look to look for a power cycle; 0: never"}
    )
    setup: tuple[str, ...] = field(
        default=(),
        metadata={"help": "messages sent after opening and power-on; each must be allowed"},
    )
    closing: tuple[str, ...] = field(
        default=(), metadata={"help": "messages sent before closing; each must be allowed"}
    )
    conditions: dict[str, str] = field(
        default_factory=dict, metadata={"help": "settings to store with every value"}
    )

    def manners(self, interval_s: float, timeout_s: float) -> Manners:
        """Give the manners that these options mean."""
        return Manners(
            interval_s,
            timeout_s,
            self.identify,
            self.error_queue,
            self.watch_s,
            self.setup,
            self.closing,
        )

    def check_span(self, name: str, least: float, most: float) -> None:
        """Let an option pass that is from ``least`` to ``most``, both in its own unit.

        Raises:
            InputError: it is not; names the option.
        """
        value = getattr(self, name)
        if not least <= value <= most:
            raise InputError(f"{name}: {value} is not from {least} to {most}")
