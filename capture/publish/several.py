"""All publishers of a daemon: each delivers everything, at its own pace, whatever the others do."""

from collections.abc import Sequence
from typing import Any

from capture.clock import Clock
from capture.journal import Row
from capture.publish.process import Publisher
from capture.publish.report import Report


class Publishers:
    """Says everything to each of them."""

    def __init__(self, publishers: Sequence[Publisher], clock: Clock) -> None:
        self.each = tuple(publishers)
        self._clock = clock

    def start(self) -> None:
        """Start delivering."""
        for publisher in self.each:
            publisher.start()

    def wake(self, newest: Row | None = None) -> None:
        """Say that the journal has grown, by one entry where it is given; returns at once."""
        for publisher in self.each:
            publisher.wake(newest)

    def set_state(self, instrument: str, state: dict[str, Any]) -> None:
        """Set an instrument's retained state; returns at once."""
        for publisher in self.each:
            publisher.set_state(instrument, state)

    @property
    def reports(self) -> dict[str, Report]:
        """The newest report of each, by name."""
        return {publisher.name: publisher.report for publisher in self.each}

    def stop(self, timeout: float) -> list[str]:
        """Let all deliver what they can and end, at the same time; name those that did not."""
        for publisher in self.each:
            publisher.ask_to_stop()
        end = self._clock.monotonic() + timeout
        return [
            publisher.name
            for publisher in self.each
            if not publisher.stop(max(0.0, end - self._clock.monotonic()))
        ]
