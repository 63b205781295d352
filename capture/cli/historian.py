"""``benchtally historian``: the worker that writes what benches publish to PostgreSQL."""

import signal
import threading
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.commands import Group
from capture.cli.output import DONE, FAILED, JsonOption, print_json, say
from capture.display import clean, console, table
from capture.errors import InputError
from capture.extras import require_extra

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.historian.store import Database

ConfigOption = Annotated[
    Path | None,
    typer.Option(
        "--config", "-c", metavar="FILE",
        help="The historian's file; else ./benchtally-historian.toml, or the user's own.",
    ),
]  # fmt: skip
_SHOWN = 50
_TURN = 0.5


def register(app: typer.Typer) -> None:
    """Add the commands."""
    historian = typer.Typer(
        cls=Group,
        help="From the broker into PostgreSQL: run a worker, migrate, look at gaps and quarantine.",
        no_args_is_help=True,
    )
    app.add_typer(historian, name="historian")
    _register_running(historian)
    _register_looking(historian)
    from capture.cli import historian_settle

    historian_settle.register(historian)


def _register_running(historian: typer.Typer) -> None:
    @historian.command()
    def run(
        config: ConfigOption = None,
        slot: Annotated[
            int | None, typer.Option(min=0, help="This slot only; else any that is free.")
        ] = None,
    ) -> int:
        """Serve a slot until Ctrl-C or SIGTERM: store what comes, then acknowledge it."""
        settings = settings_of(config)
        from capture.clock import SystemClock
        from capture.historian.worker import Worker
        from capture.logs import configure_logs

        if slot is not None and slot >= settings.slots:
            raise InputError(f"--slot {slot}: there are {settings.slots}, from 0")
        configure_logs(settings.log.level, settings.log.form)
        clock = SystemClock()
        worker = Worker(settings, clock, slot)
        with _answering(settings, worker, clock):
            return _run(worker)

    @historian.command()
    def migrate(config: ConfigOption = None) -> int:
        """Bring the database's tables up to date."""
        settings = settings_of(config)
        from capture.historian.migrate import migrate as bring_up_to_date

        database = _open(settings)
        try:
            done = bring_up_to_date(database.connection)
        finally:
            database.close()
        say("\n".join(f"{name} done" for name in done) or "nothing to do")
        return DONE


def _register_looking(historian: typer.Typer) -> None:
    @historian.command()
    def status(config: ConfigOption = None, as_json: JsonOption = False) -> int:
        """Tell how each bench is and which slots are served; ends with 1 where not all are."""
        settings = settings_of(config)
        from capture.historian.overview import BENCH_COLUMNS, refused, unserved_slots

        with ready_database(settings) as database:
            rows = database.fetch(f"{_select(BENCH_COLUMNS)} benchtally.benches ORDER BY 1, 2")
            refusals = refused(database)
            unserved = unserved_slots(database, settings)
        _tell(BENCH_COLUMNS, rows, "no bench was heard of yet", as_json=as_json)
        if not as_json:
            _tell_service(refusals, unserved, settings.slots)
        return FAILED if unserved else DONE

    @historian.command()
    def gaps(
        config: ConfigOption = None,
        settled: Annotated[
            bool, typer.Option("--settled", help="What people have settled instead, newest first.")
        ] = False,
        as_json: JsonOption = False,
    ) -> int:
        """List what is missing here or was never compared; ends with 1 where there is any."""
        settings = settings_of(config)
        if settled:
            return _list_settled(settings, as_json=as_json)
        from capture.historian.overview import knows_a_bench, not_compared_yet, unserved_slots

        columns = ("site", "bench", "what", "instrument", "first", "last", "state", "tries")
        query = f"{_select(columns)} benchtally.incomplete ORDER BY 1, 2, 3, 4, 5"
        with ready_database(settings) as database:
            rows = database.fetch(query)
            newer = not_compared_yet(database)
            known = bool(rows) or knows_a_bench(database)
            # What benches say is taken in by whoever serves: without, this is as it was then.
            unserved = unserved_slots(database, settings)
        nothing = "no gaps in what was compared" if newer or unserved else "no gaps"
        if not known:
            nothing = "no bench was heard of yet: nothing is compared"
        _tell(columns, rows, nothing, as_json=as_json)
        if not as_json:
            for site, bench, first, last in newer:
                say(f"{site}/{bench}: entries {first} to {last} are compared in a moment")
            if unserved:
                slots = ", ".join(map(str, unserved))
                say(f"nobody serves slot {slots}: what came since is not known here")
        return DONE if known and not rows else FAILED

    @historian.command()
    def quarantine(config: ConfigOption = None, as_json: JsonOption = False) -> int:
        """List the newest messages that could not be stored as what they claim to be."""
        columns = ("n", "received_at", "topic", "reason", "size")
        query = f"{_select(columns)} benchtally.quarantine ORDER BY n DESC LIMIT {_SHOWN}"
        with ready_database(settings_of(config)) as database:
            rows = database.fetch(query)
        _tell(columns, rows, "nothing in quarantine", as_json=as_json)
        return DONE


def _tell_service(refusals: list[tuple[Any, ...]], unserved: list[int], slots: int) -> None:
    for site, bench, what, times, since in refusals:
        of = f"{site}/{bench}" if bench else "benches never heard of before"
        say(f"{of}: {what} refused {times} times since {_shown(since)}, as there is no more room")
    beside = f"; nobody serves {', '.join(map(str, unserved))}" if unserved else ""
    say(f"slots served: {slots - len(unserved)} of {slots}{beside}")


def _list_settled(settings: Any, *, as_json: bool) -> int:
    from capture.historian.settle import SETTLED_COLUMNS

    query = f"{_select(SETTLED_COLUMNS)} benchtally.settled ORDER BY n DESC"
    with ready_database(settings) as database:
        rows = database.fetch(query)
    _tell(SETTLED_COLUMNS, rows, "nothing was settled", as_json=as_json)
    return DONE


def _select(columns: tuple[str, ...]) -> str:
    return f"SELECT {', '.join(columns)} FROM"


def settings_of(config: Path | None) -> Any:
    """Read the historian's file.

    Raises:
        MissingExtraError: its extra is not installed.
        ConfigError: the file is not as it must be.
    """
    require_extra("the historian", "historian")
    from capture.historian.settings import HistorianConfig

    return HistorianConfig.load(config)


def _open(settings: Any) -> "Database":
    from capture.historian.store import Database
    from capture.publish.secrets import read_secret

    database = settings.database
    password = database.password
    if database.password_file is not None:
        password = read_secret(settings.whole(database.password_file))
    return Database(database.conninfo, password)


@contextmanager
def ready_database(settings: Any) -> "Iterator[Database]":
    """Give the database once its tables are known to be this version's."""
    database = _open(settings)
    try:
        from capture.historian.migrate import require

        require(database.connection)
        yield database
    finally:
        database.close()


@contextmanager
def _answering(settings: Any, worker: Any, clock: Any) -> "Iterator[None]":
    """Serve /metrics and /health while a worker runs, where the file says a port.

    A port that is taken keeps no worker from storing: that is told, and it goes on without.
    """
    port = settings.metrics.port
    if port is None:
        yield
        return
    import structlog

    from capture.historian.answers import Answers, make_application
    from capture.historian.metrics import Asking, make_registry

    ask = Asking(lambda: _open(settings), settings, clock)
    registry = make_registry(worker.vitals, ask, settings.slots)
    log = structlog.get_logger()
    try:
        answers = Answers(port, make_application(worker.vitals, registry))
    except OSError as error:
        log.warning("historian.not_answering", port=port, reason=error.strerror or str(error))
        yield
        return
    log.info("historian.answers", port=answers.port)
    try:
        yield
    finally:
        answers.close()


def _tell(
    columns: tuple[str, ...], rows: list[tuple[Any, ...]], nothing: str, *, as_json: bool
) -> None:
    if as_json:
        print_json(dict(zip(columns, (_plain(v) for v in row), strict=True)) for row in rows)
    elif rows:
        console().print(table(columns, [tuple(_shown(value) for value in row) for row in rows]))
    else:
        say(nothing)


def _plain(value: Any) -> Any:
    """Give a value as JSON has it: None and numbers as they are, the rest as text."""
    return value if value is None or isinstance(value, int | float) else str(value)


def _shown(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        value = value.astimezone(UTC)
        return f"{value:%Y-%m-%d %H:%M:%S}Z"
    return f"{value:.1f}" if isinstance(value, float) else clean(str(value))


def _run(worker: Any) -> int:
    """Run a worker in a thread, so that signals are heard at once; the second one ends all."""
    failed: list[BaseException] = []

    def work() -> None:
        try:
            worker.run()
        except BaseException as error:  # noqa: BLE001 - raised again below, in the main thread
            failed.append(error)

    def ask(number: int, _frame: object) -> None:
        signal.signal(number, signal.SIG_DFL)
        worker.stop()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, ask)
    thread = threading.Thread(target=work, name="historian")
    thread.start()
    while thread.is_alive():
        thread.join(_TURN)
    if failed:
        raise failed[0]
    return DONE
