"""Delivery of the journal over MQTT, by a process of its own."""

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
