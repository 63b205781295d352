"""What outlives a connection: handed from one to the next."""

from dataclasses import dataclass
from typing import Any

from capture.clock import Clock
from capture.journal import JournalReader
from capture.publish.cloudevents import CloudEvents
from capture.publish.cursor import Cursor
from capture.publish.feed import Feed
from capture.publish.letterbox import Letterbox
from capture.publish.pace import Pace
from capture.publish.pause import Pause
from capture.publish.report import Reporter
from capture.publish.resend import Resender
from capture.publish.secrets import Credentials
from capture.publish.suspects import Suspects
from capture.publish.topics import Topics


@dataclass(frozen=True, slots=True)
class Context:
    """What outlives a connection."""

    topics: Topics
    window: int
    reader: JournalReader
    cursor: Cursor
    letterbox: Letterbox
    feed: Feed
    reporter: Reporter
    clock: Clock
    pace: Pace
    pause: Pause
    suspects: Suspects
    resender: Resender
    credentials: Credentials
    events: CloudEvents | None
    log: Any
