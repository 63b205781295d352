"""Topics and the small state payloads. The layout is an interface: change it only with a new root.

benchtally/v1/{site}/{bench}/reading/{instrument}/{quantity}
                            /tag/{instrument}
                            /gap/{instrument}
                            /result/{job}
                            /record/{job}
                            /state                      retained; the will
                            /instrument/{id}/state      retained
                            /resend                     requests to us
                            /resent                     what was done about them
"""

import json
from datetime import datetime
from typing import Any

from capture import __version__
from capture.model.fields import rfc3339
from capture.publish.report import Report

ROOT = "benchtally/v1"


class Topics:
    """The topics of one bench."""

    def __init__(self, site: str, bench: str) -> None:
        self.root = f"{ROOT}/{site}/{bench}"
        self.state = f"{self.root}/state"
        self.resend = f"{self.root}/resend"
        self.resent = f"{self.root}/resent"

    def entry(self, kind: str, instrument: str, subject: str) -> str | None:
        """Give the topic that a journal entry is published under; None where it is not published.

        Machines and the events of jobs stay on the bench; results and records come of them.
        """
        match kind:
            case "reading":
                return f"{self.root}/reading/{instrument}/{subject}"
            case "tag" | "gap":
                return f"{self.root}/{kind}/{instrument}"
            case "result" | "record" if subject:
                return f"{self.root}/{kind}/{subject}"
            case _:
                return None

    def instrument_state(self, instrument: str) -> str:
        """Give the topic of an instrument's state."""
        return f"{self.root}/instrument/{instrument}/state"


def bench_state(
    state: str,
    moment: datetime,
    journal: str,
    head: tuple[int, bytes] | None = None,
    report: Report | None = None,
) -> bytes:
    """Write the payload of ``state``: ``online``, or ``offline`` as a last word or as the will.

    ``head`` is number and hash of the journal's newest entry: whoever keeps it can tell later
    whether the chain is still the one of then. The will has none, since it is written beforehand.
    With a report, what is not as it should be stands beside it.
    """
    said: dict[str, Any] = {
        "schema_version": 1,
        "state": state,
        "time": rfc3339(moment),
        "journal": journal,
        "software": f"benchtally {__version__}",
    }
    if head is not None:
        said["head"] = {"n": head[0], "hash": head[1].hex()}
    if report is not None:
        if report.paused:
            said["paused"] = report.paused
        if report.dead_letters:
            said["dead_letters"] = report.dead_letters
        if report.nobody_listens:
            said |= {"nobody_listens": True, "unheard": report.unheard}
    return json.dumps(said).encode()
