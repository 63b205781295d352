"""Instruments as pages show them."""

from collections.abc import Iterable, Mapping
from typing import Any

from capture.jobs.desk import Desk
from capture.web.bench import Bench
from capture.web.words import STATES

#: States in which readings come, or will in a moment.
_COMING = (None, "running", "opening")
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


def away_for(
    step: Mapping[str, Any] | None,
    watch: Mapping[str, Any] | None,
    instruments: Iterable[Mapping[str, Any]],
) -> list[Mapping[str, Any]]:
    """Give the instruments that a step waits for and that cannot be heard now.

    The one that the step names, else the one that was heard for it last, else those that have
    given its quantity: nobody is to look at the leads for what a cable did.
    """
    if step is None:
        return []
    seen = watch["instrument"] if watch and watch["step"] == step["id"] else None
    wanted = step["instrument"] or seen
    return [
        each
        for each in instruments
        if each["state"] not in _COMING
        and (
            each["instrument"] == wanted
            if wanted
            else any(reading["quantity"] == step["quantity"] for reading in each["last"])
        )
    ]
