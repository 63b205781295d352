"""docs/reference/limits.md: every limit that is shipped, with its source and how sure it is."""

import tomllib
from pathlib import Path

from cells import MADE, code, one_line, table

_LIMITS = Path(__file__).resolve().parents[3] / "capture" / "winding" / "limits.toml"
_SIDES = {"upper": "≤", "lower": "≥"}
_HEAD = f"""\
# Limits

{MADE}

Every limit that is shipped, from [`limits.toml`](../../capture/winding/limits.toml). One that is not *confirmed* (read in a
copy of its standard) gives information only, never a pass or a fail, until a site or a machine adopts it: see
[uncertainty and limits](../uncertainty.md#adopting-a-limit). What the words for *how sure* mean stands there too.
"""


def page():
    """Give the page."""
    rows = [
        (
            code(name),
            f"{_SIDES[limit['side']]} {_value(limit['value'], limit['unit'])}",
            one_line(limit["applies_to"]),
            code(limit["formula"]),
            one_line(limit["source"]),
            limit["confidence"],
            "yes" if limit.get("confirmed") else "no",
        )
        for name, limit in tomllib.loads(_LIMITS.read_text("utf-8")).items()
    ]
    heads = ("limit", "value", "applies to", "formula", "source", "how sure", "confirmed")
    return f"{_HEAD}\n{table(heads, rows)}\n"


def _value(value, unit):
    if unit == "Ohm":
        return f"{value / 1e6:g} MΩ"
    return f"{value:g}" if unit == "1" else f"{value:g} {unit}"
