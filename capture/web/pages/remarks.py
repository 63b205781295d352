"""What could not be computed though its steps are done; a person need not look for it."""

import re
from collections.abc import Iterator, Mapping
from typing import Any

#: What the computation calls the conditions, and what the form does.
_CONDITIONS = {"conditions.winding_celsius": "the winding temperature, under the conditions"}
_ID = re.compile(r"reading ([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})")


def uncomputed(view: Mapping[str, Any]) -> list[str]:
    """Give why the values of a quantity came to no result; none while steps of it are open.

    Without this the sentence says only that the quantity is still to be done, or was not run.
    """
    open_ = {step["quantity"] for step in view["steps"] if step["status"] == "open"}
    done = {step["quantity"] for step in view["steps"] if step["status"] == "taken"} - open_
    points = {
        value["reading"]: value.get("point") for step in view["steps"] for value in step["values"]
    }
    return list(_words(view["result_notes"], done, points))


def _words(notes: list[str], done: set[str], points: Mapping[str, str | None]) -> Iterator[str]:
    for note in notes:
        quantity, _, why = note.partition(": ")
        if quantity not in done:
            continue
        told = _ID.sub(lambda found: points.get(found[1]) or found[0], why)
        for name, words in _CONDITIONS.items():
            told = told.replace(name, words)
        yield f"{quantity.replace('_', ' ')} is taken, but not computed: {told}"
