"""The running bench as a service: how it is, and telling the service manager so."""

from capture.operation.facts import Facts, HandsFree
from capture.operation.health import Health, judge
from capture.operation.notify import Notifier
from capture.operation.overseer import Overseer

__all__ = ["Facts", "HandsFree", "Health", "Notifier", "Overseer", "judge"]
