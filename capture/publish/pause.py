"""A pause: nothing is sent but one message now and then, to see whether it passes."""


class Pause:
    """Whether delivery pauses, why, and when the next message may be tried."""

    def __init__(self, retry_s: float) -> None:
        self._retry_s = retry_s
        self._try_at = float("-inf")
        self.reason = ""

    @property
    def on(self) -> bool:
        """Whether delivery pauses."""
        return bool(self.reason)

    def begin(self, reason: str, now: float) -> None:
        """Pause, or go on pausing, until `retry_s` from now."""
        self.reason = reason
        self._try_at = now + self._retry_s

    def end(self) -> None:
        """Pause no more."""
        self.reason = ""

    def allows(self, now: float) -> bool:
        """Tell whether a message may be tried."""
        return not self.reason or now >= self._try_at
