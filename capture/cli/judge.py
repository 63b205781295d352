"""``benchtally judge``: a file of readings, computed and judged. No daemon is needed."""

import json
import sys
import tomllib
from pathlib import Path
from typing import Annotated, Any

import typer

from capture.cli.output import DONE, JsonOption, print_json, say
from capture.display import clean, console, quantity_text, table
from capture.errors import ConfigError, InputError
from capture.settings_text import toml_table


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def judge(
        file: Annotated[Path, typer.Argument(help="Test set in JSON (test-set.v1); - for stdin.")],
        limits: Annotated[
            Path | None,
            typer.Option(metavar="FILE", help="The site's limits in TOML: value, source, adopted."),
        ] = None,
        as_json: JsonOption = False,
    ) -> int:
        """Compute the winding tests of one machine and say what they mean.

        Limits that nobody has confirmed or adopted give information, never a pass or a fail.
        """
        from capture.clock import SystemClock
        from capture.judging import assess, records
        from capture.model.fields import rfc3339

        test_set = _read(file)
        assessment = assess(test_set, _site_limits(limits))
        made = records(assessment, machine=test_set.machine.id, time=SystemClock().utc())
        if as_json:
            print_json(each.model_dump(mode="json") for each in made)
            print_json([_summary(test_set, assessment, rfc3339(SystemClock().utc()))])
        else:
            _show(test_set, assessment)
        return DONE


def _read(file: Path) -> Any:
    from pydantic import ValidationError

    from capture.faults import fault_lines
    from capture.model.testset import TestSet

    try:
        text = sys.stdin.read() if str(file) == "-" else file.read_text("utf-8")
        return TestSet.model_validate(json.loads(text))
    except OSError as error:
        raise InputError(f"{file}: cannot be read: {error.strerror}") from error
    except ValidationError as error:
        raise ConfigError([f"{file}: {line}" for line in fault_lines(error)]) from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"{file}: not JSON: {error}") from error


def _site_limits(path: Path | None) -> dict[str, Any] | None:
    if path is None:
        return None
    try:
        return toml_table(path.read_text("utf-8"))
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: not TOML: {error}") from error


def _summary(test_set: Any, assessment: Any, time: str) -> dict[str, Any]:
    suspicion = assessment.suspicion
    return {
        "machine": test_set.machine.id,
        "time": time,
        "overall": assessment.overall.verdict.value,
        "not_run": list(assessment.not_run),
        "notes": list(assessment.notes),
        "suspicion": None
        if suspicion is None
        else {
            "statement": suspicion.statement,
            "hypothesis": suspicion.hypothesis,
            "coils": dict(suspicion.coils),
            "terminal": suspicion.terminal,
            "signal": suspicion.signal,
            "candidates": [
                {
                    "hypothesis": each.hypothesis,
                    "probability": each.probability,
                    "places": dict(each.places),
                }
                for each in suspicion.candidates
            ],
            "speaks_for": list(suspicion.speaks_for),
            "speaks_against": list(suspicion.speaks_against),
            "next_measurement": suspicion.next_measurement,
            "words": list(suspicion.words),
        },
    }


def _show(test_set: Any, assessment: Any) -> None:
    machine = test_set.machine
    rows = [_row(each) for each in assessment.results]
    headings = ("result", "value", "limit", "verdict")
    title = f"{machine.id}, connection {machine.connection}, rotor {test_set.conditions.rotor}"
    console(120).print(table(headings, rows, title=title))
    suspicion = assessment.suspicion
    if suspicion is not None:
        _show_suspicion(suspicion)
    for note in dict.fromkeys(assessment.notes):
        say(f"Note: {clean(note)}")
    sources = {
        f"{each.result.judgement.source} ({each.result.judgement.confidence})"
        for each in assessment.results
        if each.result.judgement is not None
    }
    if sources:
        say("Limits: " + "; ".join(sorted(clean(source) for source in sources)))
    if assessment.not_run:
        say(f"Not run: {', '.join(assessment.not_run)}. The whole is open until they are.")
    say(f"Overall: {assessment.overall.verdict} ({clean(assessment.overall.reason)}).")


def _show_suspicion(suspicion: Any) -> None:
    for words in suspicion.words:
        say(clean(words[:1].upper() + words[1:] + "."))
    likely = [each for each in suspicion.candidates if each.probability >= 0.01]  # noqa: PLR2004 - one in a hundred
    if suspicion.detected and likely:
        rows = [
            (each.hypothesis, f"{100 * each.probability:.0f} %", _places(each.places))
            for each in likely
        ]
        console(120).print(table(("may be", "probability", "where"), rows))
    for label, lines in (("For", suspicion.speaks_for), ("Against", suspicion.speaks_against)):
        for line in lines:
            say(f"{label}: {clean(line)}")
    if suspicion.next_measurement:
        say(f"Next: {clean(suspicion.next_measurement)}")


def _places(places: Any) -> str:
    unique = set(places.values())
    if len(unique) == 1:
        return str(unique.pop())
    return ", ".join(f"{place} in {connection}" for connection, place in places.items())


def _row(named: Any) -> tuple[str, str, str, str]:
    result, judgement = named.result, named.result.judgement
    value = quantity_text(result.value, result.unit, result.bound)
    if result.coverage is not None:
        value += f"  (below {quantity_text(result.coverage.upper, result.unit)} at 95 %)"
    elif result.uncertainty is not None:
        value += f" ± {quantity_text(result.uncertainty, result.unit)}"
    if judgement is None:
        return named.name, value, "", ""
    mark = "≤" if judgement.side == "upper" else "≥"
    limit = f"{mark} {quantity_text(judgement.limit, result.unit)}"
    return named.name, value, limit, judgement.verdict.value
