"""``benchtally job watch``: prints what happens in a job, as it happens.

It follows the journal, not the daemon: what it prints is stored.
"""

import json
import threading
import time
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.bench import Bench, JobArgument, open_bench
from capture.cli.output import DONE, FAILED, ConfigOption, JsonOption, complain, json_text, say
from capture.display import clean
from capture.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.jobs.state import JobState
    from capture.jobs.voltage import Seen

_POLL = 0.1
_UNTIL = "taken:STEP, finished or signed-off"


def register(job: typer.Typer) -> None:
    """Add the command."""

    @job.command()
    def watch(
        job: JobArgument,
        until: Annotated[
            str | None, typer.Option(help=f"End at {_UNTIL}; else when no step is open.")
        ] = None,
        timeout: Annotated[
            float | None,
            typer.Option(metavar="SECONDS", min=0.1, help="Give up after so long (exit code 1)."),
        ] = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Print each step as it is taken, and what comes next, until Ctrl-C or the end."""
        with open_bench(config, only_reads=True) as bench:
            state = bench.state(job)
            wanted = _wanted(state, until)
            end = None if timeout is None else time.monotonic() + timeout
            if not as_json:
                _next(bench, state)
            try:
                for now, n, told in _changes(bench, state, end):
                    state = now
                    if isinstance(told, dict):
                        _show(bench, state, n, told, as_json=as_json)
                    elif told and not as_json:  # of JSON each line is an entry of the job
                        say(clean(told))
                    if _reached(state, wanted):
                        return DONE
            except KeyboardInterrupt:
                return DONE  # how a person ends it
            complain(f"job {state.job}: {_waited_for(wanted)} did not happen within {timeout:g} s")
            return FAILED


def _wanted(state: "JobState", until: str | None) -> tuple[str, str] | None:
    if until is None:
        return None
    what, _, step = until.partition(":")
    if what == "taken" and step:
        state.step(step)
        return what, step
    if until in ("finished", "signed-off"):
        return until, ""
    raise InputError(f"--until {until!r} is none of {_UNTIL}")


def _waited_for(wanted: tuple[str, str] | None) -> str:
    return "the last open step" if wanted is None else ":".join(filter(None, wanted))


def _reached(state: "JobState", wanted: tuple[str, str] | None) -> bool:
    from capture.jobs.state import OVER, JobStatus, StepStatus

    over = state.status in OVER
    if state.voided is not None and wanted is not None and wanted[0] != "finished":
        raise InputError(f"job {state.job} is void: {state.voided.reason}")
    match wanted:
        case None:
            return over or state.current is None
        case ("taken", step):
            return state.step(step).status is StepStatus.TAKEN
        case ("finished", _):
            return over
        case _:
            return state.status is JobStatus.SIGNED_OFF


def _changes(
    bench: Bench, state: "JobState", end: float | None
) -> "Iterator[tuple[JobState, int, dict[str, Any] | str | None]]":
    """Give the state as it is, and after each entry of the job that comes, until the time is up.

    A line of text is about readings that the job does not take, as it is now; none comes once
    another job was worked on: the readings are for that one then.
    """
    from capture.jobs.procedure import INSULATION
    from capture.jobs.state import apply, is_work
    from capture.jobs.unheeded import Unheeded
    from capture.jobs.voltage import Seen
    from capture.model.job import JobEntry

    yield state, state.last, None
    cursor, never = state.last, threading.Event()
    unheeded, said = Unheeded(), ""
    at_hand = True  # no job was worked on since
    asked = {INSULATION, *(step.step.quantity for step in state.steps.values())}
    while end is None or time.monotonic() < end:
        rows = bench.reader.after(cursor, 500)
        for row in rows:
            cursor = row.n
            if row.kind == "job":
                entry = JobEntry.model_validate_json(row.body)
                if is_work(entry):
                    at_hand = entry.job == state.job
                if entry.job == state.job:
                    state, said = apply(state, row.n, entry), ""
                    yield state, row.n, json.loads(row.body)
            elif row.kind == "reading" and row.subject in asked:
                reading = Seen.of(row)
                at_it = state if at_hand else None
                words = unheeded.feed(
                    at_it, reading, counted=at_hand and _is_counted(bench, state, reading)
                )
                if words and words != said:
                    yield state, row.n, f"{reading.body['time'][11:19]} {words}"
                said = words or said
        if not rows:
            bench.clock.wait(never, _POLL)


def _is_counted(bench: Bench, state: "JobState", reading: "Seen") -> bool:
    """Tell whether the daemon's watch counts the time of a voltage that comes on with a reading."""
    from capture.jobs.procedure import INSULATION
    from capture.jobs.under_test import put_on
    from capture.jobs.unheeded import counted_for

    if not bench.settings.jobs.hands_free or reading.quantity != INSULATION:
        return False
    _cadence, _lines, new = put_on(bench.desk, state, reading)
    return counted_for(state, reading, new=new) is not None


def _show(bench: Bench, state: "JobState", n: int, body: dict[str, Any], *, as_json: bool) -> None:
    if as_json:
        say(json_text({"n": n, **body}))
        return
    say(clean(f"{body['time'][11:19]} {_line(bench, state, body)}"))
    if body["event"]["action"] in ("taken", "redone", "skipped", "selected", "resumed"):
        _next(bench, state)


def _line(bench: Bench, state: "JobState", body: dict[str, Any]) -> str:
    """Write an event in words."""
    from capture.cli.job_words import since_voltage, taken_text
    from capture.jobs.view import value_view

    event, who = body["event"], f", by {body['operator']}"
    step = event.get("step")
    reason = event.get("reason") or event.get("text") or ""
    match event["action"]:
        case "taken":
            points = state.step(step).step.points
            values = []
            for place, reading in enumerate(state.step(step).readings):
                row = bench.reader.entry(reading)
                found = None if row is None else json.loads(row.body)
                values.append(value_view(found, reading, place, points))
            asked = state.step(step).step
            timed = since_voltage(values, asked.quantity, asked.take.at_s)
            return f"{step} taken: {taken_text(timed, asked.quantity, event['how'])}{who}"
        case "applied":
            return f"a test voltage was on the winding for {event['seconds']:g} s ({step}){who}"
        case "overridden":
            return f"{step}: the lock {event['lock']} is passed: {reason}{who}"
        case action:
            of = f" {step}" if step else ""
            return f"{action}{of}{': ' if reason else ''}{reason}{who}"


def _next(bench: Bench, state: "JobState") -> None:
    from capture.cli.job_words import show_to_do

    show_to_do(bench.desk.view(state))
