"""Instruments as pages show them."""

from typing import Any

from capture.jobs.desk import Desk
from capture.web.bench import Bench
from capture.web.words import STATES


def instruments_of(bench: Bench, desk: Desk) -> list[dict[str, Any]]:
    """Give every instrument with its last readings, its state in words, and what to do."""
    last: dict[str, list[dict[str, Any]]] = {}
    for _, reading in desk.reader.last_readings():
        last.setdefault(reading["instrument"], []).append(reading)
    states = {state["instrument"]: state for state in bench.instruments()}
    found = []
    for name in sorted({*states, *last}):
        state = states.get(name, {})
        mark, word, todo = STATES.get(str(state.get("state")), ("mark-off", "keyed by hand", ""))
        readings = sorted(last.get(name, []), key=lambda each: each["time"], reverse=True)
        found.append(
            {
                "instrument": name,
                "mark": mark,
                "word": word,
                "todo": todo,
                "reason": state.get("reason") or "",
                "identity": state.get("identity") or "",
                "link": state.get("link") or "",
                "last": readings,
            }
        )
    return found
