"""``benchtally operator``: who may use the bench. At this computer only, never over the network."""

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from capture.cli.commands import Group
from capture.cli.output import DONE, ConfigOption, JsonOption, print_json, say
from capture.errors import InputError, JournalError
from capture.extras import require_extra

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.access.operators import Operators
    from capture.config import Config
    from capture.model.audit import Happening

_HERE = "this computer"
NameArgument = Annotated[str, typer.Argument(help="Role or name.")]
StdinOption = Annotated[
    bool, typer.Option("--stdin", help="Take the PIN or password from the first line of input.")
]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    operator = typer.Typer(
        cls=Group, help="Say who may use the bench, and with which PIN or password."
    )
    app.add_typer(operator, name="operator")

    @operator.command()
    def add(
        name: NameArgument,
        role: Annotated[str, typer.Option(help="What the operator does at the bench.")] = "",
        from_stdin: StdinOption = False,
        config: ConfigOption = None,
    ) -> int:
        """Register an operator; the PIN or password is asked for and not shown.

        As soon as one is registered, nobody gets in without a PIN or password.
        """
        with _opened(config) as (settings, operators):
            from capture.access.names import tidy_name
            from capture.clock import SystemClock

            name = tidy_name(name)
            role = tidy_name(role) if role else ""
            if operators.find(name) is not None:
                raise InputError(f"operator {name!r} is there already; see `operator set-pin`")
            operators.add(name, role, _hashed(from_stdin), SystemClock().utc())
            _note(settings, "operator-added", name)
        say(f"operator {name} may use the bench")
        return DONE

    @operator.command("list")
    def list_operators(config: ConfigOption = None, as_json: JsonOption = False) -> int:
        """List the operators."""
        from capture.display import console, table
        from capture.model.fields import rfc3339

        with _opened(config) as (_, operators):
            found = operators.all()
        if as_json:
            print_json(
                {
                    "name": each.name,
                    "role": each.role,
                    "added": rfc3339(each.added),
                    "changed": rfc3339(each.changed),
                }
                for each in found
            )
        elif not found:
            say("no operator is registered: whoever sits at this computer may use the bench")
        else:
            rows = [
                (each.name, each.role, f"{each.added:%Y-%m-%d}", f"{each.changed:%Y-%m-%d}")
                for each in found
            ]
            console().print(table(("operator", "role", "added", "secret set"), rows))
        return DONE

    @operator.command("set-pin")
    def set_pin(
        name: NameArgument, from_stdin: StdinOption = False, config: ConfigOption = None
    ) -> int:
        """Change the PIN or password of an operator; whoever is logged in as them is logged out."""
        with _opened(config) as (settings, operators):
            from capture.access.names import tidy_name
            from capture.clock import SystemClock

            name = tidy_name(name)
            _known(operators, name)
            stored = operators.set_secret(name, _hashed(from_stdin), SystemClock().utc())
            _note(settings, "secret-changed", stored)
        say(f"operator {stored} has a new PIN or password")
        return DONE

    @operator.command()
    def remove(name: NameArgument, config: ConfigOption = None) -> int:
        """Remove an operator; whoever is logged in as them is logged out. What they did stays."""
        with _opened(config) as (settings, operators):
            from capture.access.names import tidy_name

            stored = operators.remove(tidy_name(name))
            _note(settings, "operator-removed", stored)
            left = operators.any()
        say(f"operator {stored} may not use the bench any more")
        if not left:
            say("nobody is registered now: whoever sits at this computer may use the bench")
        return DONE


@contextmanager
def _opened(given: ConfigOption) -> "Iterator[tuple[Config, Operators]]":
    from capture.config import load_config

    require_extra("naming operators", "web")  # asked for now, not after the PIN
    from capture.access.file import AccessFile
    from capture.access.operators import Operators

    settings = load_config(given)
    settings.access_path.parent.mkdir(parents=True, exist_ok=True)
    file = AccessFile(settings.access_path)
    try:
        yield settings, Operators(file)
    finally:
        file.close()


def _known(operators: "Operators", name: str) -> None:
    from capture.errors import NotThereError

    if operators.find(name) is None:
        raise NotThereError(f"there is no operator {name!r}; `benchtally operator list` names them")


def _hashed(from_stdin: bool) -> str:
    """Read a secret, twice where a person types it, and hash it."""
    from capture.access.secret import Hasher, check_secret

    if from_stdin or not sys.stdin.isatty():
        secret = sys.stdin.readline().rstrip("\r\n")
        if not secret:
            raise InputError("no PIN or password came on standard input")
    else:
        secret = typer.prompt("PIN or password", hide_input=True, confirmation_prompt=True)
    return Hasher().hash(check_secret(secret))


def _note(settings: "Config", what: "Happening", operator: str) -> None:
    """Write an audit entry; where the journal takes none, say so: the change itself stands."""
    from capture.access.audit import Audit
    from capture.cli.bench import look_before_writing
    from capture.cli.output import complain
    from capture.clock import SystemClock
    from capture.journal import Store

    try:
        look_before_writing(settings)
        store = Store(settings.journal_path)
    except JournalError as error:
        complain(f"not noted in the journal: {error}")
        return
    try:
        Audit(settings.site, settings.bench, SystemClock(), store.append).note(
            what, operator, _HERE
        )
    finally:
        store.close()
