"""Instruments as pages show them."""

from typing import Any

from capture.jobs.desk import Desk
from capture.web.bench import Bench
from capture.web.words import STATES

_BY_HAND = ("mark-off", "keyed by hand", "")


def instruments_of(bench: Bench, desk: Desk) -> list[dict[str, Any]]:
    """Give every instrument with its last readings, its state in words, and what to do."""
    found = []
    for each in bench.instruments_now(desk.reader):
        mark, word, todo = STATES.get(str(each["state"]), _BY_HAND)
        last = sorted(each["last"], key=lambda reading: reading["time"], reverse=True)
        told = {"reason": "", "identity": "", "link": "", **each}
        found.append({**told, "mark": mark, "word": word, "todo": todo, "last": last})
    return found
