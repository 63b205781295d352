"""Delivery of the journal over MQTT, by a process of its own.

Each part is imported when it is first asked for: who only delivers needs few of them.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from capture.publish.process import ProcessPublisher, Publisher, ThreadPublisher
    from capture.publish.report import Report
    from capture.publish.settings import PublisherSettings
    from capture.publish.several import Publishers
    from capture.publish.topics import ROOT, Topics

__all__ = [
    "ROOT",
    "ProcessPublisher",
    "Publisher",
    "PublisherSettings",
    "Publishers",
    "Report",
    "ThreadPublisher",
    "Topics",
]

_HOMES = {
    "process": ("ProcessPublisher", "Publisher", "ThreadPublisher"),
    "report": ("Report",),
    "settings": ("PublisherSettings",),
    "several": ("Publishers",),
    "topics": ("ROOT", "Topics"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

if not TYPE_CHECKING:

    def __getattr__(name: str) -> Any:
        if name not in _HOME_OF:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        return getattr(import_module(f"{__name__}.{_HOME_OF[name]}"), name)
