"""The pump of an edge node: the same connecting and connecting again, with births and deaths."""

from collections.abc import Callable

from capture.clock import Clock
from capture.publish.connection import Connection
from capture.publish.context import Context
from capture.publish.files import numbers_beside
from capture.publish.pump import Delivering, Pump
from capture.publish.report import Report
from capture.publish.settings import PublisherSettings
from capture.publish.sparkplug.delivery import EdgeDelivery
from capture.publish.sparkplug.host import PrimaryHost
from capture.publish.sparkplug.node import EdgeNode
from capture.publish.sparkplug.numbers import BirthNumbers


class EdgePump(Pump):
    """Delivers one journal to one broker as a Sparkplug edge node."""

    _retains_will = False

    def __init__(
        self,
        settings: PublisherSettings,
        feed: int,
        clock: Clock,
        on_report: Callable[[Report], None],
    ) -> None:
        """Take the settings, the feed's file descriptor, and where reports go."""
        super().__init__(settings, feed, clock, on_report)
        assert settings.sparkplug is not None
        self._node = EdgeNode(settings.sparkplug.group, settings.sparkplug.node)
        host = settings.sparkplug.primary_host
        self._host = PrimaryHost(host) if host else None
        self._numbers = BirthNumbers(numbers_beside(settings.cursor))
        self._number = 0

    def _make_will(self, context: Context) -> tuple[str, bytes]:  # noqa: ARG002 - the other pump's needs it
        # One for each CONNECT: the same number stands in the will and in the birth.
        self._number = self._numbers.take()
        return self._node.topic("NDEATH"), self._node.ndeath(self._number)

    def _make_delivery(self, context: Context, connection: Connection) -> Delivering:
        if self._host is not None:
            self._host.forget()
        fence = f"{context.topics.root}/fence/{self._settings.name}"
        return EdgeDelivery(context, connection, self._node, self._number, self._host, fence)
