"""A job in a terminal: the plain sentence first, cautions before the step they protect.

Everything comes from a view (`capture.jobs.view`) as plain members, and all of it is outside text.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from capture.cli.output import say
from capture.display import clean, console, quantity_text, resolved, table

View = Mapping[str, Any]

_HOW = {
    "settled": "settled by itself",
    "timed": "taken at its time",
    "operator": "taken by hand",
    "keyed": "keyed",
}
_ENERGY = {
    "none": "",
    "direct-current": "The instrument drives a direct current through the winding.",
    "test-voltage": "The instrument puts a test voltage on the winding.",
    "pulse": "The instrument puts pulses on the winding.",
}
#: Void or not, a winding is charged; and perhaps not the one that the job names.
VOID_CAUTION = (
    "CAUTION: a test voltage that was applied in this job has charged whichever winding the leads "
    "were on. If that was of another machine than the job names, earth that winding and prove it "
    "discharged before it is touched: no lock of that machine knows of it."
)
_PAUSED = "The job is paused; `benchtally job resume` goes on."
_WIDTH = 120
_BRIEF = 120  # letters of what stands behind a verdict, in a list


def show_job(view: View) -> None:
    """Print a whole job."""
    say(clean(view["sentence"]))
    say(headline(view))
    _show_void(view)
    say(f"Job {view['job']}; last entry {view['last']}; by {clean(', '.join(view['operators']))}")
    if view["conditions"]:
        say(f"Conditions: {conditions(view['conditions'])}")
    rows = [row for step in view["steps"] for row in _rows(step)]
    headings = ("step", "status", "point", "value", "how", "remarks")
    console(_WIDTH).print(table(headings, rows))
    for note in view["notes"]:
        say(f"Note: {clean(note)}")
    show_to_do(view)
    show_results(view)


def verdict_words(job: View) -> str:
    """Say a job's verdict with what stands behind it, for a list."""
    if job["verdict"] is None:
        return "see `job show`"
    doubt = str(job["doubt"])
    doubt = doubt if len(doubt) <= _BRIEF else f"{doubt[: _BRIEF - 1]}…"
    return f"{job['verdict']} ({doubt})" if doubt else str(job["verdict"])


def show_briefly(view: View) -> None:
    """Print how a job stands: the sentence, what to do, what comes next."""
    say(clean(view["sentence"]))
    if view["voided"] is not None:
        say(VOID_CAUTION)
    # Nobody is to take "information only" for all that was found.
    if beyond := [each["name"] for each in view["results"] if _is_beyond(each)]:
        say(clean(f"Beyond a limit that is for information: {'; '.join(beyond)}"))
    show_to_do(view)


def headline(view: View) -> str:
    """Say in a line what a job is and how far it has come."""
    done = f"{view['done']} of {view['of']} steps done"
    return clean(f"{view['title']} ({view['procedure']}) of {view['machine']}: "
                 f"{view['status']}, {done}")  # fmt: skip


def _show_void(view: View) -> None:
    if view["voided"] is not None:
        void = view["voided"]
        say(clean(f"VOID since {void['time'][:16].replace('T', ' ')} UTC, by {void['operator']}: "
                  f"{void['reason']}"))  # fmt: skip
        say(VOID_CAUTION)


def show_to_do(view: View) -> None:
    """Print what a person must do before the leads are moved, and which step comes next."""
    for each in view["beside"]:
        say(f"First: {clean(each['words'])}{_until(each)}")
        say(f"  then: benchtally job {_CONFIRM[each['name']]} {each['job']} {each['step']}")
    for step in view["steps"]:
        for each in step["after"]:
            say(f"To do after {step['id']}: {clean(each['words'])}{_until(each)}")
            say(f"  then: benchtally job {_CONFIRM[each['name']]} {view['job']} {step['id']}")
    current = current_step(view)
    if view["status"] == "paused":
        say(_PAUSED)
    elif current is not None and view["status"] == "running":
        first = current["points"][0]["words"]
        where = first if len(current["points"]) == 1 else f"{len(current['points'])} values at once"
        say(clean(f"Next: {current['id']}: {current['title']}; {where}"))
        told = {each["name"] for step in view["steps"] for each in step["after"]}
        told |= {each["name"] for each in view["beside"]}
        for lock in (each for each in current["locks"] if each["name"] not in told):
            say(f"  locked: {clean(lock['words'])}{_until(lock)}")
    elif view["status"] == "running":
        say("Every step is done; `benchtally job finish` ends the work on it.")


def current_step(view: View) -> View | None:
    """Give the step that is to be done now; None where none is open."""
    return next((step for step in view["steps"] if step["id"] == view["current"]), None)


def show_step(view: View, step: View) -> None:
    """Print one step in full: what to beware of, then where the leads sit, then what is asked."""
    _show_first(view, step)
    if view["status"] == "paused":
        say(f"{_PAUSED} Until then nothing is taken.")
    elif view["status"] != "running":
        say(f"The job is {view['status']}: nothing is taken any more.")
    say(clean(f"{step['id']}: {step['title']} ({step['status']})"))
    for number, point in enumerate(step["points"], start=1):
        place = f"{number}. " if len(step["points"]) > 1 else ""
        say(clean(f"  {place}{point['text']}: {point['words']}"))
    instrument = step["instrument"] or "any instrument that measures it"
    unit = f" in {step['unit']}" if step["unit"] else ""
    say(clean(f"Quantity: {step['quantity']}{unit}. Instrument: {instrument}."))
    if _ENERGY[step["energy"]]:
        say(f"{_ENERGY[step['energy']]} A person starts it; Benchtally only reads.")
    for setting in step["settings"]:
        say(clean(f"A person sets the {setting['what']}: {setting['words']} [{setting['source']}]"))
    for limit in step["limits"]:
        say(clean(f"Limit: {limit['words']} [{limit_origin(limit)}]"))
    for missing in step["missing"]:
        say(clean(f"Not known: {missing}"))
    if step["conditions"]:
        say(f"Conditions: {conditions(step['conditions'])}")
    if step["explain"]:
        say(clean(step["explain"]))
    say(_how_it_is_taken(view, step))


def _show_first(view: View, step: View) -> None:
    """Print cautions, what is still to be done after other steps, and what holds this one."""
    untouched = all(each["status"] == "open" for each in view["steps"])
    for caution in (*(view["cautions"] if untouched else ()), *step["cautions"]):
        say(f"CAUTION: {clean(caution)}")
    for each in view["beside"]:
        say(f"FIRST: {clean(each['words'])}{_until(each)}")
    for other in view["steps"]:
        for each in other["after"]:
            say(f"FIRST, after {other['id']}: {clean(each['words'])}{_until(each)}")
    for lock in (each for each in step["locks"] if each["job"] is None):
        say(f"LOCKED: {clean(lock['words'])}{_until(lock)}")


def limit_origin(limit: View) -> str:
    """Say where a limit comes from, how sure that is, and whether it decides anything."""
    weight = (
        "decides" if limit["binding"] else "for information: nobody has confirmed or adopted it"
    )
    return f"{limit['source']}; {limit['confidence']}; {weight}"


def value_text(value: View) -> str:
    """Write a taken value as it was shown; in the decade that reads best where it had exponents."""
    if "digits" not in value:
        return str(value["status"])
    bound = value.get("bound") or {}
    if value.get("value") is None and not bound:
        return str(value["status"])
    mark = {"above": ">", "below": "<"}.get(bound.get("side", ""), "")
    unit = "" if value["shown_unit"] == "1" else value["shown_unit"]  # of a Q or a D
    shown = f"{mark}{value['digits']} {unit}".rstrip()
    if "E" in value["digits"].upper() and value.get("value") is not None:
        shown = resolved(value["digits"], value["value"], value["unit"])
    return shown if value.get("elapsed") is None else f"{shown} at {value['elapsed']:g} s"


def since_voltage(values: Sequence[View], quantity: str, at_s: Sequence[float]) -> list[View]:
    """Give the values of a step, each with the time of its own that the procedure asks for.

    An instrument counts from the press of its key, a procedure from when the voltage was reached.
    """
    own = [value for value in values if value.get("quantity") == quantity]
    if not at_s or len(own) != len(at_s):
        return list(values)
    times = dict(zip((value["reading"] for value in own), at_s, strict=True))
    return [
        {**value, "elapsed": times.get(value["reading"], value.get("elapsed"))} for value in values
    ]


def taken_text(values: Sequence[View], quantity: str, how: str) -> str:
    """Write the values of a step that was taken on one line."""
    own = [value for value in values if value.get("quantity") in (None, quantity)]
    several = len({value.get("point") for value in own}) > 1
    parts = [
        f"{value['point']} {value_text(value)}" if several else value_text(value) for value in own
    ]
    parts += [f"{each['quantity']} {value_text(each)}" for each in values if each not in own]
    return f"{', '.join(parts)} ({_HOW.get(how, how)})"


def conditions(members: Mapping[str, Any]) -> str:
    """Write conditions on one line."""
    parts = (f"{name.replace('_', ' ')} {value}" for name, value in members.items())
    return clean(", ".join(parts))


def show_results(view: View) -> None:
    """Print results with figures, limits and their sources, then what is suspected."""
    results = view["results"]
    if results:
        rows = [_result_row(each) for each in results]
        console(_WIDTH).print(table(("result", "value", "limit", "verdict"), rows))
    if view["suspicion"] is not None:
        _show_suspicion(view["suspicion"])
    for note in view["result_notes"]:
        say(f"Note: {clean(note)}")
    sources = sorted(
        {
            f"{each['judgement']['source']} ({each['judgement']['confidence']})"
            for each in results
            if each.get("judgement")
        }
    )
    if sources:
        say("Limits: " + clean("; ".join(sources)))
    if view["not_run"] and view["voided"] is None:
        say(clean(f"Not run: {', '.join(view['not_run'])}. The whole is open until they are."))
    if view["without_result"]:
        say(clean(f"Taken, without a result: {', '.join(view['without_result'])}; see the notes."))
    say(clean(f"Verdict: {view['verdict']}."))


def _show_suspicion(suspicion: View) -> None:
    for word in suspicion["words"]:
        say(clean(word[:1].upper() + word[1:] + "."))
    for label, lines in (("For", "speaks_for"), ("Against", "speaks_against")):
        for line in suspicion[lines]:
            say(f"{label}: {clean(line)}")
    if suspicion["next_measurement"]:
        say(f"Measure next: {clean(suspicion['next_measurement'])}")


_CONFIRM = {"ramp-down": "ramped-down", "discharge": "discharged"}


def _until(each: View) -> str:
    return f" (until {each['until'][11:19]} UTC)" if each.get("until") else ""


def _rows(step: View) -> Iterable[tuple[str, ...]]:
    """Give the lines of one step: one for each value, at least one."""
    remarks = "; ".join(
        [
            *(f"locked: {lock['name']}" for lock in step["locks"]),
            *(f"passed: {name}" for name in step["overridden"]),
            *(
                f"before: {value_text(each)} ({each['reason']})"
                for each in step["superseded"]
                if each.get("quantity") in (None, step["quantity"])
            ),
            *step["notes"],
        ]
    )
    values = since_voltage(step["values"], step["quantity"], step["at_s"])
    points = [point["text"] for point in step["points"]]
    if not values:
        yield (step["id"], step["status"], ", ".join(points), "", "", remarks)
        return
    for place, value in enumerate(values):
        first, own = place == 0, value.get("quantity") in (None, step["quantity"])
        by = str(value.get("instrument") or "")
        if value.get("operator"):
            by = f"by {value['operator']}"
        if value.get("second_operator"):
            by += f" and {value['second_operator']}"
        photo = ", photo" if value.get("photos") else ""
        how = f"{_HOW.get(step['how'], step['how'])}, {by}{photo}"
        yield (
            step["id"] if first else "",
            step["status"] if first else "",
            str(value.get("point") or "") if own else value["quantity"],
            value_text(value),
            how if first else "",
            remarks if first else "",
        )


def _result_row(result: View) -> tuple[str, str, str, str]:
    unit, judgement = result["unit"], result.get("judgement")
    number = result["bound_value"] if result.get("bound") else result["value"]
    value = quantity_text(number, unit, result.get("bound"))
    if result.get("coverage"):
        value += f"  (below {quantity_text(result['coverage']['upper'], unit)} at 95 %)"
    elif result.get("uncertainty"):
        value += f" ± {quantity_text(result['uncertainty']['expanded'], unit)}"
    if not judgement:
        return result["name"], value, "", ""
    mark = "≤" if judgement["side"] == "upper" else "≥"
    limit = f"{mark} {quantity_text(judgement['limit'], unit)}"
    beyond = ", beyond the limit" if _is_beyond(result) else ""
    return result["name"], value, limit, f"{judgement['verdict']}{beyond}"


def _is_beyond(result: View) -> bool:
    """Tell whether a value lies beyond a limit that nobody has adopted."""
    judged, value = result.get("judgement"), result["value"]
    if not judged or judged["verdict"] != "information only" or value is None:
        return False
    return bool(value > judged["limit"] if judged["side"] == "upper" else value < judged["limit"])


def _how_it_is_taken(view: View, step: View) -> str:
    name = f"{view['job']} {step['id']}"
    key = f"benchtally key {step['quantity']}"
    where = f"--job {view['job']} --step {step['id']}"
    match step["take"]:
        case "settled":
            first = "Lift the leads"
            if step["energy"] == "direct-current":
                first = "Once the meter's current is zero, lift the leads"
            return (
                f"{first}, then put them on: it is taken by itself once it has settled; "
                f"by hand: benchtally job take {name}"
            )
        case "timed":
            times = ", ".join(f"{at:g} s" for at in step["at_s"])
            return (
                f"It is taken by itself at {times} after the voltage was reached; "
                f"keyed: {key} VALUE {where}"
                + (", or all of them --block" if step["at_s"][1:] else "")
            )
        case _:
            value = "--block" if step["points"][1:] else "VALUE"
            return f"Key what the display shows: {key} {value} {where}"
