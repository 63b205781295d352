"""The right pump for what a publisher is to be."""

from collections.abc import Callable

from capture.clock import Clock
from capture.publish.pump import Pump
from capture.publish.report import Report
from capture.publish.settings import PublisherSettings


def make_pump(
    settings: PublisherSettings, feed: int, clock: Clock, on_report: Callable[[Report], None]
) -> Pump:
    """Make the pump of the JSON stream, or that of a Sparkplug edge node."""
    if settings.sparkplug is None:
        return Pump(settings, feed, clock, on_report)
    from capture.publish.sparkplug.pump import EdgePump  # noqa: PLC0415 - wants an extra

    return EdgePump(settings, feed, clock, on_report)
