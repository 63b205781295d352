"""How pages write things: filters of the templates. Outside text is escaped by the environment."""

from collections.abc import Callable, Iterable, Mapping
from typing import Any
from urllib.parse import quote

from capture.display import clean, origin, quantity_text, resolved, shown, tagged_point
from capture.model.quantity import AT_A_FREQUENCY

#: Units that a display may show, by quantity, the likeliest first.
UNITS: dict[str, tuple[str, ...]] = {
    "resistance": ("Ω", "mΩ", "µΩ", "kΩ"),
    "inductance": ("mH", "µH", "H"),
    "insulation_resistance": ("MΩ", "GΩ", "TΩ", "kΩ"),
    "pulse_time": ("µs", "ns", "ms"),
    "capacitance": ("µF", "nF", "pF", "mF"),
}
_BOXES: tuple[tuple[str, ...], ...] = (
    ("U", "V", "W"),
    ("U1", "V1", "W1"),
    ("U1", "V1", "W1", "U2", "V2", "W2"),
    ("K", "L", "M"),
)
_STEP = {"taken": "mark-good", "skipped": "mark-off"}
_JOB = {
    "running": "mark-now",
    "paused": "mark-wait",
    "finished": "mark-good",
    "signed-off": "mark-good",
    "voided": "mark-bad",
}
_VERDICT = {"pass": "mark-good", "fail": "mark-bad", "conditional fail": "mark-bad"}
_CONDITIONS = {
    "state": ("winding", ""),
    "rotor": ("rotor", ""),
    "rotor_degrees": ("rotor angle", "°"),
    "measured_at": ("measured", ""),
    "winding_celsius": ("winding temperature", "°C"),
    "temperature_by": ("temperature measured by", ""),
    "relative_humidity": ("relative humidity", "%"),
    "lead_zero": ("leads zeroed", ""),
    "reference_check": ("reference checked", ""),
}
_HOW = {
    "settled": "taken by itself, once settled",
    "timed": "taken by itself, at its time",
    "operator": "taken by a person",
    "keyed": "keyed",
}
_KINDS = {"random": "random-wound", "form": "form-wound", "dc-armature": "DC armature"}
_CONNECTIONS = {"open": "open ends"}  # "open" alone reads as a finding
#: Instrument states: mark, word, what to do.
STATES = {
    "running": ("mark-good", "capturing", ""),
    "opening": ("mark-wait", "opening", ""),
    "waiting": (
        "mark-bad",
        "not reached",
        "Look at its cable, its power and its interface setting; it is tried again by itself.",
    ),
    "failed": (
        "mark-bad",
        "given up",
        "Put right what is said here, then start the daemon again; its log tells more.",
    ),
    "idle": ("mark-off", "not started", ""),
    "stopped": ("mark-off", "stopped", ""),
}


def words(text: object) -> str:
    """Write a name of the program's as words."""
    return clean(str(text).replace("_", " ").replace("-", " "))


def sentence(text: object) -> str:
    """Begin with a capital and end with a full stop."""
    told = str(text).strip()
    if not told:
        return ""
    return f"{told[:1].upper()}{told[1:]}{'' if told[-1] in '.!?:' else '.'}"


def segment(name: object) -> str:
    """Write a name as one part of a path: `A/../B` stays the name of a machine, and is no way."""
    return quote(str(name), safe="")


def moment(stamp: object) -> str:
    """Write a UTC stamp to the second."""
    return clean(str(stamp)[:19].replace("T", " "))


def plain(value: object) -> str:
    """Write a number as a person would type it, empty where there is none; see `numbers.js`."""
    return "" if value is None else f"{value:.15g}" if isinstance(value, float) else str(value)


def plate(nameplate: Mapping[str, Any]) -> str:
    """Write a nameplate on one line; empty where nothing is known."""
    parts = [
        _rated(nameplate[name], unit)
        for name, unit in (
            ("rated_volts", "V"),
            ("rated_watts", "W"),
            ("rated_amperes", "A"),
            ("rated_hertz", "Hz"),
            ("rated_rpm", "1/min"),
        )
        if nameplate.get(name)
    ]
    for name, circuit in (("rotor_volts", "slip rings"), ("excitation_volts", "excitation")):
        if nameplate.get(name):
            parts.append(f"{circuit} {_rated(nameplate[name], 'V')}")
    if nameplate.get("poles"):
        parts.append(f"{nameplate['poles']} poles")
    if nameplate.get("connection", "unknown") != "unknown":
        connection = str(nameplate["connection"])
        parts.append(_CONNECTIONS.get(connection, connection))
    if nameplate.get("winding", "unknown") != "unknown":
        parts.append(_KINDS.get(nameplate["winding"], words(nameplate["winding"])))
    if nameplate.get("conductor"):
        parts.append(str(nameplate["conductor"]))
    if nameplate.get("thermal_class"):
        parts.append(f"class {nameplate['thermal_class']}")
    if nameplate.get("year"):
        parts.append(str(nameplate["year"]))
    if nameplate.get("serial"):
        parts.append(f"serial {clean(nameplate['serial'])}")
    return ", ".join(parts)


def _rated(value: float, unit: str) -> str:
    """Write a rating as nameplates do: power in kW, and every digit that was given."""
    if unit == "W" and value >= 1000:  # noqa: PLR2004 - from where on W is kW
        value, unit = value / 1000, "kW"
    return f"{value:.10g} {unit}"


def came(value: Mapping[str, Any]) -> str:
    """Say where a taken value came from."""
    kind = value.get("source")
    twice = f" and {value['second_operator']}" if value.get("second_operator") else ""
    if kind == "keyed":
        return clean(f"keyed by {value.get('operator')}{twice}")
    if kind == "photo":
        return clean(f"off a photo, confirmed by {value.get('operator')}{twice}")
    return clean(f"from {value.get('instrument', 'an instrument')}") if kind else ""


def result(record: Mapping[str, Any]) -> str:
    """Write a result's value."""
    value = record.get("value")
    if value is None:
        value = record.get("bound_value")
    if value is None:
        return "not known"
    return quantity_text(value, record["unit"], record.get("bound"))


def spread(record: Mapping[str, Any]) -> str:
    """Write a result's expanded uncertainty, or the bound of its distribution."""
    if record.get("coverage"):
        return f"below {quantity_text(record['coverage']['upper'], record['unit'])} at 95 %"
    uncertainty = record.get("uncertainty")
    if not uncertainty:
        return ""
    return quantity_text(uncertainty["expanded"], record["unit"])


def limit(judgement: Mapping[str, Any], unit: str) -> str:
    """Write a limit with its side."""
    mark = "≤" if judgement["side"] == "upper" else "≥"
    return f"{mark} {quantity_text(judgement['limit'], unit)}"


def beyond(record: Mapping[str, Any]) -> bool:
    """Tell whether a value lies beyond its limit, whatever that limit is worth here."""
    judged, value = record.get("judgement"), record.get("value")
    if judged is None or value is None:
        return False
    found: bool = value > judged["limit"] if judged["side"] == "upper" else value < judged["limit"]
    return found


def engineering(value: float, unit: str | None) -> str:
    """Write a live value in the decade that reads best."""
    return quantity_text(value, unit or "1", digits=6)


def readable(reading: Mapping[str, Any]) -> str:
    """Write a stored value to be read: as a person keyed it, or in the decade that reads best."""
    source = reading.get("source")
    kind = source.get("kind") if isinstance(source, Mapping) else source
    if kind in ("keyed", "photo"):
        return clean(shown(dict(reading)))
    return live(reading)


def conditions(held: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Write conditions with their names and units."""
    found = []
    for name, value in held.items():
        label, unit = _CONDITIONS.get(name, (words(name), ""))
        told = f"{value:g}" if isinstance(value, float) else words(value)
        found.append((label, f"{told} {unit}".rstrip()))
    return found


def live(reading: Mapping[str, Any]) -> str:
    """Write a reading to be seen from two steps away: a number that reads well, or why none."""
    bound = reading.get("bound")
    if bound:
        return quantity_text(bound["value"], reading["unit"], bound["side"], digits=6)
    if reading.get("value") is None:
        return words(reading["status"])
    return resolved(str(reading["digits"]), reading["value"], reading["unit"])


def terminals(step: Mapping[str, Any], steps: Iterable[Mapping[str, Any]] = ()) -> list[str]:
    """List the terminals to be drawn for a step's first test point, in the order of the box.

    steps: all of the job. Where one has leads on Z1, the auxiliary winding of a single-phase
    machine (IEC 60034-8, from memory), its box has no V and no W.
    """
    used = _marks(step["points"][0])
    marks = {mark for mark in used if mark != "frame"}
    boxes = _BOXES
    if any(mark == "Z1" for each in steps for point in each["points"] for mark in _marks(point)):
        boxes = ()
    # All that are side by side in the box, whichever are used; elsewhere those that are used.
    box = next((each for each in boxes if marks <= set(each)), tuple(sorted(marks)))
    return [*box, *["frame"] * ("frame" in used)]


def _marks(point: Mapping[str, Any]) -> list[str]:
    return [mark for place in ("first", "second", "guard", "earth") for mark in point[place]]


def rows(step: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Give the rows of the grid that a step is keyed into."""
    if len(step["points"]) > 1:
        return [{"point": point, "at": None} for point in step["points"]]
    times = step["at_s"] or [None]
    return [{"point": step["points"][0], "at": at} for at in times]


def point(reading: Mapping[str, Any]) -> str:
    """Write a reading's test point."""
    return clean(tagged_point(reading.get("tag") or {}))


FILTERS: dict[str, Callable[..., Any]] = {
    "at_a_frequency": AT_A_FREQUENCY.__contains__,
    "beyond": beyond,
    "came": came,
    "clean": clean,
    "conditions": conditions,
    "engineering": engineering,
    "how": lambda how: _HOW.get(how, words(how)),
    "job_mark": lambda status: _JOB.get(status, "mark-off"),
    "limit": limit,
    "live": live,
    "moment": moment,
    "origin": lambda reading: clean(origin(reading["source"])),
    "plain": plain,
    "plate": plate,
    "point": point,
    "readable": readable,
    "result": result,
    "segment": segment,
    "rows": rows,
    "sentence": sentence,
    "shown": lambda value: clean(shown(value)),
    "spread": spread,
    "step_mark": lambda status: _STEP.get(status, "mark-wait"),
    "terminals": terminals,
    "units": lambda quantity: UNITS.get(quantity, ("",)),
    "verdict_mark": lambda verdict: _VERDICT.get(verdict, "mark-off"),
    "words": words,
}
