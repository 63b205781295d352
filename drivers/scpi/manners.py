"""How an instrument is talked to, and what that makes a driver send."""

from dataclasses import dataclass

IDENTITY_QUERY = "*IDN?"
STATUS_QUERY = "*ESR?"
ERROR_QUERY = "SYST:ERR?"


@dataclass(frozen=True, slots=True)
class Manners:
    """How an instrument is talked to.

    Attributes:
        interval_s, timeout_s: from cycle to cycle, and what an answer may take.
        identify, error_queue: whether ``*IDN?`` and ``SYSTem:ERRor?`` are asked.
        watch_s: how often ``*ESR?`` is asked for a power cycle; 0 is never.
        setup, closing: messages sent once after opening (and after a power cycle), and at the end.
    """

    interval_s: float = 1.0
    timeout_s: float = 2.0
    identify: bool = True
    error_queue: bool = True
    watch_s: float = 10.0
    setup: tuple[str, ...] = ()
    closing: tuple[str, ...] = ()

    def messages(self) -> list[str]:
        """List what these manners may make a driver send."""
        asked = [
            (self.identify, IDENTITY_QUERY),
            (self.error_queue, ERROR_QUERY),
            (self.watch_s > 0, STATUS_QUERY),
        ]
        return [*self.setup, *self.closing, *(text for wanted, text in asked if wanted)]
