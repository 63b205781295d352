"""``benchtally export``: readings, results and trends for spreadsheets and programs."""

import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from capture.cli.bench import Bench, open_bench, read_id
from capture.cli.files import whole_file
from capture.cli.moments import moment
from capture.cli.output import DONE, ConfigOption, complain, say
from capture.display import clean
from capture.errors import InputError

if TYPE_CHECKING:
    from capture.exports.forms import Form, What
    from capture.exports.selection import Selection

_SUFFIXES = {".csv": "csv", ".jsonl": "jsonl", ".ndjson": "jsonl", ".xlsx": "xlsx",
             ".parquet": "parquet"}  # fmt: skip


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def export(
        what: Annotated[
            Literal["readings", "results", "trends"], typer.Argument(help="What to write out.")
        ],
        out: Annotated[
            Path,
            typer.Option("--out", metavar="FILE", help="Its ending is the form; - for the output."),
        ] = Path("-"),
        form: Annotated[
            Literal["csv", "jsonl", "xlsx", "parquet"] | None,
            typer.Option(help="Form, where the file's ending does not say it (csv)."),
        ] = None,
        machine: Annotated[str | None, typer.Option(help="Of this machine only.")] = None,
        job: Annotated[
            str | None, typer.Option(metavar="JOB", help="Of this job only, or last.")
        ] = None,
        instrument: Annotated[str | None, typer.Option(help="Of this instrument only.")] = None,
        quantity: Annotated[str | None, typer.Option(help="Of this quantity only.")] = None,
        since: Annotated[
            str | None, typer.Option(metavar="TIME", help="From this moment on (UTC).")
        ] = None,
        until: Annotated[
            str | None, typer.Option(metavar="TIME", help="Before this moment (UTC).")
        ] = None,
        decimal: Annotated[
            Literal["point", "comma"], typer.Option(help="Decimal mark of CSV.")
        ] = "point",
        follow: Annotated[
            bool, typer.Option("--follow", help="Readings as they are stored, until Ctrl-C.")
        ] = False,
        after: Annotated[
            str | None,
            typer.Option(metavar="ID", help="With --follow: begin behind this reading."),
        ] = None,
        count: Annotated[
            int | None, typer.Option(min=1, help="With --follow: end after so many.")
        ] = None,
        seconds: Annotated[
            float | None,
            typer.Option("--for", min=0.1, help="With --follow: end after so many seconds."),
        ] = None,
        config: ConfigOption = None,
    ) -> int:
        """Write readings, results or trends to a file, with units in the headings."""
        chosen = _form(out, form)
        if not follow and (after, count, seconds) != (None, None, None):
            raise InputError("--after, --count and --for belong to --follow")
        with open_bench(config, only_reads=True) as bench:
            from capture.exports.selection import Selection

            asked = Selection(
                machine=machine,
                job=None if job is None else bench.state(job).job,
                instrument=instrument,
                quantity=quantity,
                since=None if since is None else moment("--since", since),
                until=None if until is None else moment("--until", until),
            )
            if follow:
                _check_follow(what, chosen, asked, out)
                stream = _Stream(bench, asked, chosen, comma=decimal == "comma")
                return stream.run(after, count, seconds)
            return _write(bench, what, asked, out, chosen, comma=decimal == "comma")


def _form(out: Path, form: "Form | None") -> "Form":
    by_name = _SUFFIXES.get(out.suffix.lower())
    if str(out) != "-" and by_name is None and form is None:
        raise InputError(f"{out}: say the form by its ending ({', '.join(_SUFFIXES)}) or by --form")
    return form or by_name or "csv"  # type: ignore[return-value] # the endings are those of forms


def _write(
    bench: Bench, what: "What", asked: "Selection", out: Path, form: "Form", *, comma: bool
) -> int:
    from capture.exports.forms import table_of, write

    table = table_of(what, bench.desk, asked, bench.clock.utc())
    if str(out) == "-":
        write(table, form, sys.stdout.buffer, comma=comma)
        sys.stdout.buffer.flush()
        return DONE
    with whole_file(out) as file:
        rows = write(table, form, file, comma=comma)
    noun = "document" if form == "jsonl" else "row"
    say(f"{clean(out)}: {rows} {noun}{'' if rows == 1 else 's'}")
    return DONE


def _check_follow(what: str, form: str, asked: "Selection", out: Path) -> None:
    if what != "readings" or form not in ("csv", "jsonl") or asked.job is not None:
        raise InputError(
            "--follow gives readings as CSV or JSON lines; results and trends have no stream of "
            "their own, and a job's readings are there at its end"
        )
    if str(out) != "-":
        raise InputError("--follow writes to the output; send that to a file by > FILE")


class _Stream:
    """Writes readings as they are stored, each at once."""

    def __init__(self, bench: Bench, asked: "Selection", form: "Form", *, comma: bool) -> None:
        from capture.exports.readings import STREAM_COLUMNS
        from capture.exports.text import CsvLines

        self._bench = bench
        self._asked = asked
        self._csv = CsvLines(STREAM_COLUMNS, comma=comma) if form == "csv" else None

    def run(self, after: str | None, count: int | None, seconds: float | None) -> int:
        from capture.exports.follow import follow

        stop = threading.Event()
        timer = None
        if seconds is not None:
            timer = threading.Timer(seconds, stop.set)
            timer.daemon = True
            timer.start()
        found = follow(
            self._bench.reader,
            self._asked,
            self._bench.clock,
            stop,
            after=read_id(after, "--after"),
        )
        out = sys.stdout.buffer
        try:
            if self._csv is not None:
                out.write(self._csv.head())
                out.flush()
            for number, reading in enumerate(found, start=1):
                out.write(self._line(reading))
                out.flush()
                if number == count:
                    break
        except KeyboardInterrupt:
            return DONE  # how a person ends it
        except BrokenPipeError:
            complain("whoever read the stream has gone")
            return DONE
        finally:
            if timer is not None:
                timer.cancel()
        return DONE

    def _line(self, reading: dict[str, object]) -> bytes:
        from capture.exports.readings import row_of
        from capture.exports.text import json_line

        if self._csv is None:
            return json_line(reading)
        self._csv.add(row_of(reading, frozenset()))
        return self._csv.taken()
