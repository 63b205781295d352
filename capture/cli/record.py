"""``benchtally record``: a job's record as PDF, page, JSON or CSV; many at once; verifying one."""

import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from capture.cli.bench import Bench, open_bench
from capture.cli.commands import Group
from capture.cli.files import whole_file
from capture.cli.output import DONE, FAILED, ConfigOption, JsonOption, complain, print_json, say
from capture.display import clean
from capture.errors import CaptureError, ConfigError, InputError
from capture.model.names import NOBODY

if TYPE_CHECKING:
    from capture.model.record import Record
    from capture.records.forms import Form, Wish
    from capture.records.keeper import RecordKeeper
    from capture.records.redrawn import Pages

MakerOption = Annotated[
    str,
    typer.Option(
        "--operator", envvar="BENCHTALLY_OPERATOR", help="Who has it made; stands in the record."
    ),
]
LanguageOption = Annotated[
    str | None, typer.Option("--language", help="en or de; else as configured.")
]
PaperOption = Annotated[
    Literal["a4", "letter"] | None,
    typer.Option("--paper", help="Of the PDF; else as configured."),
]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    group = typer.Typer(
        cls=_Record, help="Records of jobs: made, drawn, verified.", no_args_is_help=True
    )
    app.add_typer(group, name="record")
    _make(group)
    _verify(group)


class _Record(Group):
    """`record JOB` is `record make JOB`: what is wanted most needs no second word."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Put the second word in where a job, or what is asked of all, stands in its place."""
        if args and args[0] not in (*self.commands, "--help"):
            args = ["make", *args]
        return super().parse_args(ctx, args)


def _make(group: typer.Typer) -> None:
    @group.command()
    def make(
        job: Annotated[
            str | None, typer.Argument(metavar="JOB", help="Id of a job, its beginning, or last.")
        ] = None,
        pdf: Annotated[bool, typer.Option("--pdf", help="As PDF/A (if nothing is said).")] = False,
        html: Annotated[bool, typer.Option("--html", help="As a page of its own.")] = False,
        json: Annotated[bool, typer.Option("--json", help="As JSON: the record itself.")] = False,
        csv: Annotated[bool, typer.Option("--csv", help="As a table for spreadsheets.")] = False,
        out: Annotated[
            Path | None,
            typer.Option("--out", metavar="PATH", help="File or folder; - for the output."),
        ] = None,
        all_: Annotated[
            bool, typer.Option("--all", help="Of all jobs that are signed off and not void.")
        ] = False,
        since: Annotated[
            datetime | None, typer.Option(formats=["%Y-%m-%d"], help="With --all: started since.")
        ] = None,
        version: Annotated[
            int | None, typer.Option(min=1, help="An earlier version, as it was made then.")
        ] = None,
        language: LanguageOption = None,
        paper: PaperOption = None,
        operator: MakerOption = NOBODY,
        config: ConfigOption = None,
    ) -> int:
        """Make the record of a job, and write it to a file. One not signed off gives a draft."""
        from capture.records.forms import FORMS

        asked = dict(zip(FORMS, (pdf, html, json, csv), strict=True))
        forms: list[Form] = [form for form, wanted in asked.items() if wanted] or ["pdf"]
        if all_ == (job is not None):
            raise InputError("name one job, or give --all")
        if str(out) == "-" and (all_ or len(forms) > 1):
            raise InputError("--out - takes one form of one job")
        with open_bench(config) as bench:
            writer = _Writer(bench, operator, language, paper, out)
            if all_:
                return _many(writer, forms, since)
            assert job is not None  # checked above
            writer.write(str(bench.state(job).job), forms, version)
        return DONE


def _many(writer: "_Writer", forms: "list[Form]", since: datetime | None) -> int:
    """Write all, saying how far it is; one that cannot be made holds up no other."""
    jobs = writer.keeper.jobs_since(None if since is None else since.replace(tzinfo=UTC))
    if not jobs:
        say("no job is signed off" + ("" if since is None else f" since {since:%Y-%m-%d}"))
    failed = 0
    for place, job in enumerate(jobs, start=1):
        try:
            writer.write(str(job), forms, None, progress=f"{place} of {len(jobs)}: ")
        except CaptureError as error:
            failed += 1
            complain(f"{place} of {len(jobs)}: job {job}: {error}")
    return FAILED if failed else DONE


class _Writer:
    """Makes records and writes them to files."""

    def __init__(
        self, bench: Bench, operator: str, language: str | None, paper: str | None, out: Path | None
    ) -> None:
        from capture.cli.bench import keeper_of
        from capture.photo.store import EvidenceStore

        self.keeper: RecordKeeper = keeper_of(bench)
        self._bench = bench
        self._operator = operator
        self._language = language or bench.settings.records.language
        self._paper = paper or bench.settings.records.paper
        self._out = out
        self._photos = EvidenceStore(bench.settings.evidence_path)

    def write(self, job: str, forms: "list[Form]", version: int | None, progress: str = "") -> None:
        from capture.records.forms import Wish, drawn

        record = self._record(job, version)
        for form in forms:
            wish = Wish(form, self._language, self._paper)  # type: ignore[arg-type] # typer checked it
            data = drawn(record, wish, self._photos.get)
            if str(self._out) == "-":
                sys.stdout.buffer.write(data)
                sys.stdout.buffer.flush()
                return
            path = self._path(record, wish)
            with whole_file(path) as out:
                out.write(data)
            draft = " (a draft: not signed off)" if record.state == "draft" else ""
            draft = draft if record.voided is None else " (void: no certificate)"
            say(f"{progress}{clean(path)}{draft}")

    def _record(self, job: str, version: int | None) -> "Record":
        state = self._bench.state(job)
        if version is None and state.signed_off:
            return self.keeper.make(state.job, self._operator)
        return self.keeper.shown(state.job, self._operator, version)

    def _path(self, record: "Record", wish: "Wish") -> Path:
        from capture.records.forms import file_name

        name = file_name(record, wish.form)
        if self._out is None:
            return Path(name)
        if self._out.is_dir() or not self._out.suffix:
            try:
                self._out.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                why = error.strerror or error
                raise InputError(f"{self._out}: no folder can be made: {why}") from error
            return self._out / name
        return self._out.with_suffix(f".{wish.form}")


#: What a verdict says of the pages, by what is known of them.
_PAGES = {
    "same": "; its pages show it: drawn again, the file is the same byte by byte",
    "another-program": (
        "; its contents are verified, only the drawing could not be repeated. NOT VERIFIED are the "
        "pages: another version drew them ({by}; here draws {draws}), so this one cannot tell "
        "whether they show the record attached to them; draw it anew to see"
    ),
    "without-photos": (
        "; its contents are verified. NOT VERIFIED are the pages: not all photos that they show "
        "are here, so it cannot be told whether they show the record attached to them"
    ),
}


def _pages(file: Path, record: "Record", config: Path | None) -> "Pages":
    """Tell whether a PDF's pages show its record; photos come from the bench's evidence."""
    from capture.config import load_config
    from capture.photo.store import EvidenceStore
    from capture.records.redrawn import pages_of

    try:
        evidence = load_config(config).evidence_path
    except ConfigError:
        # A record is verified anywhere, by an export of the journal: no bench, no photos.
        evidence = Path(os.devnull)
    return pages_of(file, record, EvidenceStore(evidence).get)


def _of_pages(pages: "Pages | None") -> str:
    """Say what is known of the pages; of JSON, which has none, nothing."""
    if pages is None:
        return ""
    by = clean(" ".join(pages.drawn_by.split())) or "a program that it does not name"
    return _PAGES[pages.known].format(by=by, draws=pages.draws)


def _verify(group: typer.Typer) -> None:
    @group.command()
    def verify(
        file: Annotated[Path, typer.Argument(metavar="FILE", help="The record: PDF or JSON.")],
        against: Annotated[
            Path | None,
            typer.Option(
                "--journal", metavar="FILE", help="A journal, or an export of one; else our own."
            ),
        ] = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Recompute a record's hashes against the journal; say what differs, and end with 1.

        The pages of a PDF are not hashed: they are drawn again, and held against the file.
        """
        from capture.config import load_config
        from capture.records.held import entries_of
        from capture.records.verify import is_pdf, record_text, verify

        text = record_text(file)
        path = load_config(config).journal_path if against is None else against
        with entries_of(path) as entries:
            try:
                found = verify(text, entries)
            except InputError as error:
                raise InputError(f"{file}: {error}") from error
        record = found.record
        pages = None
        if is_pdf(file) and not found.differs:
            pages = _pages(file, record, config)
            if pages.known == "changed":
                found.differs.append(
                    "its pages are not what this program draws of the record attached to them: "
                    f"they were changed; draw it anew: benchtally record make {record.job}"
                )
        if as_json:
            print_json(
                [
                    {
                        "record": str(record.record),
                        "version": record.version,
                        "sha256": record.sha256,
                        "ok": not found.differs,
                        "pages": None if pages is None else pages.known,
                        "drawn_by": None if pages is None else pages.drawn_by,
                        "draws": None if pages is None else pages.draws,
                        "differs": found.differs,
                        "notes": found.notes,
                    }
                ]
            )
            return FAILED if found.differs else DONE
        for each in found.differs:
            complain(f"{file}: {each}")
        for each in found.notes:
            say(f"note: {clean(each)}")
        if found.differs:
            return FAILED
        say(
            f"record {record.record}, version {record.version}, of machine "
            f"{clean(record.machine.id)}: as it was made; {len(record.readings)} readings and "
            f"{len(record.results)} results are those of the journal{_of_pages(pages)}"
        )
        say(f"hash {record.sha256}")
        return DONE
