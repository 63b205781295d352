"""``benchtally journal``: what is stored, whether it is whole, copies of it, and its old end."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.commands import Group
from capture.cli.entry import OperatorOption
from capture.cli.moments import moment
from capture.cli.output import DONE, FAILED, ConfigOption, JsonOption, complain, print_json, say
from capture.display import clean
from capture.errors import InputError, JournalError

if TYPE_CHECKING:
    from capture.journal.trim import Plan
    from capture.journal.verify import Verification

FileOption = Annotated[
    Path | None,
    typer.Option(
        "--journal",
        metavar="FILE",
        help="This journal instead of the configured one, such as a backup.",
    ),
]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    journal = typer.Typer(
        cls=Group,
        help="The journal: verify, back up, export, import, trim, rebuild.",
        no_args_is_help=True,
    )
    app.add_typer(journal, name="journal")
    for command in (_info, _verify, _backup, _export, _import, _rebuild, _trim):
        command(journal)


def _info(journal: typer.Typer) -> None:
    @journal.command()
    def info(
        config: ConfigOption = None, file: FileOption = None, as_json: JsonOption = False
    ) -> int:
        """Show what the journal holds, and its head, which somebody else should keep."""
        from capture.journal.info import look

        path = _path(config, file)
        found = look(path)
        head = f"{found.head.hex()}@{found.last or found.base.n}"
        if as_json:
            print_json(
                [
                    {
                        "file": str(path),
                        "journal": found.journal,
                        "size": found.size,
                        "log": found.log,
                        "entries": found.entries,
                        "kinds": found.kinds,
                        "first": found.first,
                        "last": found.last,
                        "first_time": found.first_time,
                        "last_time": found.last_time,
                        "head": head,
                        "begins_after": found.base.n,
                    }
                ]
            )
            return DONE
        kinds = ", ".join(f"{count} {kind}" for kind, count in found.kinds.items())
        rows = [
            ("journal", found.journal),
            ("file", f"{clean(path)} ({found.size / 1e6:.1f} MB, log {found.log / 1e6:.1f} MB)"),
            ("entries", f"{found.entries}" + (f" ({kinds})" if kinds else "")),
        ]
        if found.entries:
            rows.append(("first", f"{found.first}, {clean(found.first_time)}"))
            rows.append(("last", f"{found.last}, {clean(found.last_time)}"))
        if found.base.n:
            rows.append(("cut off", f"all up to entry {found.base.n}"))
        rows.append(("head", head))
        for name, value in rows:
            say(f"{name:<8} {value}")
        return DONE


def _verify(journal: typer.Typer) -> None:
    @journal.command()
    def verify(
        config: ConfigOption = None,
        file: FileOption = None,
        head: Annotated[
            list[str] | None,
            typer.Option(metavar="HASH@N", help="A head that somebody else kept; may be repeated."),
        ] = None,
        deep: Annotated[
            bool, typer.Option("--deep", help="Check SQLite's own structures and indexes, too.")
        ] = False,
        as_json: JsonOption = False,
    ) -> int:
        """Check chain, sequences and projections; say the first entry that is not as it should be.

        A chain that nobody else holds proves little: give the heads that others have kept.
        """
        from capture.journal.verify import Held, verify

        path = _path(config, file)
        found = verify(path, [Held.parse(each) for each in head or ()], deep=deep)
        if as_json:
            print_json([_as_json(found)])
        else:
            _say_verified(path, found, bool(head))
        return DONE if found.ok else FAILED


def _backup(journal: typer.Typer) -> None:
    @journal.command()
    def backup(
        out: Annotated[
            Path, typer.Option("--out", metavar="FILE", help="Where to write the copy.")
        ],
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Copy the journal while the daemon writes, and verify the copy."""
        from capture.journal.backup import backup

        found = backup(_path(config, None), out)
        if as_json:
            print_json([{"file": str(out), **_as_json(found)}])
        else:
            say(f"{clean(out)}: {found.entries} entries, verified, head {_head(found)}")
        return DONE


def _export(journal: typer.Typer) -> None:
    @journal.command()
    def export(
        out: Annotated[
            Path, typer.Option("--out", metavar="FILE", help="Where to write; - for the output.")
        ],
        config: ConfigOption = None,
        file: FileOption = None,
        damaged: Annotated[
            bool, typer.Option("--damaged", help="Go past what cannot be read or is broken.")
        ] = False,
    ) -> int:
        """Write the journal as JSON lines, from which `import` makes the same journal."""
        from capture.journal.transfer import export, export_readable

        path = _path(config, file)
        with _output(out) as file_out:
            moved = export_readable(path, file_out) if damaged else export(path, file_out)
        note = f", {moved.unreadable} could not be read" if moved.unreadable else ""
        # Where the entries are printed, this must not stand among them.
        tell = complain if str(out) == "-" else say
        tell(f"{moved.entries} entries exported{note}, head {moved.head.hex()}@{moved.last}")
        return FAILED if moved.unreadable else DONE


def _import(journal: typer.Typer) -> None:
    @journal.command("import")
    def import_(
        source: Annotated[Path, typer.Argument(metavar="FILE", help="An export; - reads.")],
        config: ConfigOption = None,
        file: FileOption = None,
    ) -> int:
        """Make the journal from an export: same bytes, numbers, sequences and head.

        There must be no journal yet.
        """
        from capture.filelock import FileLock
        from capture.journal import JournalReader
        from capture.journal.beside import lock_of
        from capture.journal.transfer import import_into
        from capture.publish.progress import set_aside_ahead

        path = _path(config, file)
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = FileLock(lock_of(path))
        if not lock.try_take():
            raise JournalError(f"{path}: {lock.holder()} runs a daemon on it; end it first")
        try:
            with _input(source) as lines:
                moved = import_into(path, lines)
            reader = JournalReader(path)
            try:
                ahead = set_aside_ahead(path, reader.journal_id, moved.last, datetime.now(UTC))
            finally:
                reader.close()
        finally:
            lock.release()
        say(f"{moved.entries} entries imported, head {moved.head.hex()}@{moved.last}")
        for cursor in ahead:
            say(f"{clean(cursor)}: had delivered more than was imported; delivery begins anew")
        return DONE


def _rebuild(journal: typer.Typer) -> None:
    @journal.command()
    def rebuild(config: ConfigOption = None, file: FileOption = None) -> int:
        """Rebuild counters, last values, tags and records from the entries. No daemon may run."""
        from capture.cli.bench import look_at_file, look_before_writing
        from capture.config import load_config
        from capture.journal.rebuild import rebuild

        if file is None:
            settings = load_config(config)
            path = settings.journal_path
            look_before_writing(settings)
        else:
            path = file.absolute()
            look_at_file(path)
        wrong = rebuild(path)
        for name, count in wrong.items():
            say(f"{name}: {count} rows were wrong, now as the entries say")
        if not wrong:
            say("all projections are as the entries say")
        return DONE


def _trim(journal: typer.Typer) -> None:
    @journal.command()
    def trim(
        before: Annotated[
            str, typer.Option(metavar="DATE", help="Cut what is older, as 2026-01-31 (UTC).")
        ],
        operator: OperatorOption,
        window: Annotated[
            float,
            typer.Option("--window-days", min=0, help="Keep so many days for sending again."),
        ] = 7,
        out: Annotated[
            Path | None,
            typer.Option(
                "--out", metavar="FILE", help="Where the cut entries go; else beside the journal."
            ),
        ] = None,
        dry_run: Annotated[
            bool, typer.Option("--dry-run", help="Say what would be cut; cut nothing.")
        ] = False,
        config: ConfigOption = None,
    ) -> int:
        """Cut old entries off, once they are delivered, after writing them to a file.

        No job is split, and nothing of a job that is not signed off is cut.
        """
        from capture.cli.bench import look_before_writing
        from capture.config import load_config
        from capture.journal import JournalReader
        from capture.journal.trim import plan, trim
        from capture.publish.progress import delivered_by

        settings = load_config(config)
        path, now = settings.journal_path, datetime.now(UTC)
        until = min(moment("--before", before), now - timedelta(days=window))
        if not dry_run:
            look_before_writing(settings)
        reader = JournalReader(path)
        name = reader.journal_id
        reader.close()

        def found() -> "Plan":
            return plan(path, until, delivered_by(path, name))

        first = found()
        to = out or path.with_name(f"{path.name}.cut-{first.first}-{first.base.n}.jsonl")
        if dry_run or not first.count:
            say(f"{first.count} entries can be cut; what comes next is held by: {first.held_by}")
            return DONE
        anchor = trim(
            path,
            found,
            to=to,
            site=settings.site,
            bench=settings.bench,
            operator=operator,
            now=now,
        )
        if anchor is None:
            say("nothing can be cut any more")
            return DONE
        say(
            f"{anchor.count} entries cut off, all up to {anchor.base.n}; they are in {clean(to)} "
            f"(SHA-256 {anchor.export_sha256})"
        )
        return DONE


def _path(config: Path | None, file: Path | None) -> Path:
    if file is not None:
        return file.absolute()
    from capture.config import load_config

    return load_config(config).journal_path


@contextmanager
def _output(target: Path) -> Iterator[IO[bytes]]:
    """Open what is written to; a file that is there already is left alone."""
    if str(target) == "-":
        yield sys.stdout.buffer
        sys.stdout.buffer.flush()
        return
    try:
        with target.open("xb") as file:
            yield file
    except FileExistsError as error:
        raise InputError(f"{target}: is there already; give the export another name") from error
    except BrokenPipeError:
        raise
    except OSError as error:
        raise JournalError(f"{target}: cannot be written: {error.strerror}") from error


@contextmanager
def _input(source: Path) -> Iterator[IO[bytes]]:
    if str(source) == "-":
        yield sys.stdin.buffer
        return
    try:
        with source.open("rb") as file:
            yield file
    except OSError as error:
        raise InputError(f"{source}: cannot be read: {error.strerror}") from error


def _head(found: "Verification") -> str:
    return f"{found.head.hex()}@{found.last or found.base.n}"


def _as_json(found: "Verification") -> dict[str, Any]:
    return {
        "ok": found.ok,
        "journal": found.journal,
        "entries": found.entries,
        "first": found.first,
        "last": found.last,
        "head": _head(found),
        "begins_after": found.base.n,
        "heads_held": found.held,
        "leftover": found.leftover,
        "faults": [
            {"entry": fault.n, "kind": fault.kind, "what": fault.what} for fault in found.faults
        ],
    }


def _say_verified(path: Path, found: "Verification", held: bool) -> None:
    for fault in found.faults:
        where = f"entry {fault.n}" if fault.n is not None else "journal"
        say(f"{where}: {fault.kind}: {clean(fault.what)}")
    if found.leftover:
        say(f"{found.leftover} entries of an interrupted trim are still there; trim again")
    if found.ok:
        say(f"{clean(path)}: {found.entries} entries, all as they should be")
        say(f"head {_head(found)}")
        if not held:
            say("held against no head that somebody else kept; see --head")
    else:
        say(f"{found.entries} entries up to {found.last} follow from each other")
