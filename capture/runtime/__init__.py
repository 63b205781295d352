"""Keeping instruments captured: session, worker, supervisor, and what they may send."""

from capture.runtime.policy import HARMLESS, MessagePolicy, not_allowed, toml_string
from capture.runtime.session import Captured, Session
from capture.runtime.supervisor import Supervisor
from capture.runtime.worker import Instrument, Snapshot, State, Store, Worker

__all__ = [
    "HARMLESS",
    "Captured",
    "Instrument",
    "MessagePolicy",
    "Session",
    "Snapshot",
    "State",
    "Store",
    "Supervisor",
    "Worker",
    "not_allowed",
    "toml_string",
]
