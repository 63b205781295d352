"""The live table of the demonstration: every reading that the broker hands over, as it comes."""

import json
import threading
from typing import Any

from rich.console import Console
from rich.table import Table

from capture.demo.children import DemoError
from capture.display import cell, row_of
from capture.errors import PublishError
from capture.publish.subscriber import Subscriber

_COLUMNS = (
    ("time (UTC)", 12),
    ("instrument", 17),
    ("no.", 4),
    ("quantity", 21),
    ("shown", 16),
    ("status", 11),
    ("machine", 7),
    ("point", 5),
    ("by", 19),
)


class LiveTable:
    """Prints readings as they arrive, and keeps them."""

    def __init__(self, port: int, topic: str, console: Console) -> None:
        """Subscribe.

        Raises:
            PublishError: no broker there.
        """
        self.readings: list[dict[str, Any]] = []
        self.quiet = False
        self._console = console
        self._changed = threading.Condition()
        self._stop = threading.Event()
        self._subscriber = Subscriber("127.0.0.1", port, topic)
        self._thread = threading.Thread(target=self._run, name="live-table")
        if not self._subscriber.subscribed.wait(5):
            self._subscriber.close()
            raise DemoError("the broker did not take our subscription")
        self._thread.start()

    def print_heading(self) -> None:
        """Print the column names."""
        self._console.print(_grid([name for name, _ in _COLUMNS], "bold"))

    def wait_for(self, what: str, fits: Any, timeout: float) -> dict[str, Any]:
        """Wait for a reading that fits; one that came before counts.

        Raises:
            DemoError: none came in time.
        """
        found: dict[str, Any] | None = None

        def arrived() -> bool:
            nonlocal found
            found = next((each for each in self.readings if fits(each)), None)
            return found is not None

        with self._changed:
            self._changed.wait_for(arrived, timeout)
        if found is None:
            raise DemoError(f"{what} did not arrive at the broker within {timeout:g} s")
        return found

    def count(self) -> int:
        """Tell how many readings have come."""
        with self._changed:
            return len(self.readings)

    def close(self) -> None:
        """End the subscription."""
        self._stop.set()
        self._thread.join()
        self._subscriber.close()

    def _run(self) -> None:
        try:
            for message in self._subscriber.messages(self._stop):
                reading = json.loads(message.payload)
                cells = list(row_of(reading))
                cells[0] = cells[0][11:]
                if not self.quiet:
                    self._console.print(_grid(cells))
                with self._changed:
                    self.readings.append(reading)
                    self._changed.notify_all()
        except PublishError as error:
            self._console.print(cell(f"live table: {error}", "red"))


def _grid(cells: list[str], style: str = "") -> Table:
    grid = Table.grid(padding=(0, 1))
    for _, width in _COLUMNS:
        grid.add_column(width=width, no_wrap=True, overflow="ellipsis")
    grid.add_row(*(cell(each, style) for each in cells))
    return grid
