"""What could not be computed though its steps are done; a person need not look for it."""

from collections.abc import Mapping
from typing import Any

#: What the form calls the conditions; another one stands by its own name.
_CONDITIONS = {"winding_celsius": "the winding temperature, under the conditions"}


def uncomputed(view: Mapping[str, Any]) -> list[str]:
    """Give why the values of a quantity came to no result; none while steps of it are open.

    Without this the sentence says only that the values came to none.
    """
    open_ = {step["quantity"] for step in view["steps"] if step["status"] == "open"}
    done = {step["quantity"] for step in view["steps"] if step["status"] == "taken"} - open_
    points = {
        value["reading"]: value.get("point") for step in view["steps"] for value in step["values"]
    }
    return [_words(each, points) for each in view["uncomputed"] if each["quantity"] in done]


def _words(note: Mapping[str, Any], points: Mapping[str, str | None]) -> str:
    quantity, reading, condition = note["quantity"], note["reading"], note["condition"]
    # By its leads where they are known: nobody at the bench knows a reading by its id.
    name = "" if reading is None else points.get(reading) or f"reading {reading}"
    asked = "" if condition is None else _CONDITIONS.get(condition, condition.replace("_", " "))
    return f"{quantity.replace('_', ' ')} is taken, but not computed: {name}{note['why']}{asked}"
