"""``benchtally outbox``: what is still to be delivered, and what the broker refused."""

import uuid
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.commands import Group
from capture.cli.output import DONE, FAILED, ConfigOption, JsonOption, json_text, print_json, say
from capture.display import clean, console, table
from capture.errors import InputError

if TYPE_CHECKING:
    from capture.publish.letters import Letter
    from capture.publish.outbox import Outbox

PublisherOption = Annotated[
    str | None, typer.Option("--publisher", metavar="NAME", help="Of this publisher only.")
]
_LONGEST_REASON = 200


def register(app: typer.Typer) -> None:
    """Add the commands."""
    outbox = typer.Typer(
        cls=Group,
        help="Delivery to the broker: how far it is, and which messages the broker refused.",
        no_args_is_help=True,
    )
    app.add_typer(outbox, name="outbox")
    _register_looking(outbox)
    _register_doing(outbox)


def _register_looking(outbox: typer.Typer) -> None:
    @outbox.command()
    def publishers(config: ConfigOption = None, as_json: JsonOption = False) -> int:
        """Show how far each publisher is, removed ones included."""
        standings = _open(config).standings()
        if as_json:
            print_json(asdict(each) for each in standings)
            return DONE
        headings = ("publisher", "is", "delivered", "to come", "refused", "to retry", "dropped")
        rows = [
            (
                each.publisher,
                "configured" if each.configured else "removed",
                each.delivered,
                each.backlog,
                each.held,
                each.due,
                each.dropped,
            )
            for each in standings
        ]
        console().print(table(headings, rows))
        return DONE

    @outbox.command("list")
    def list_(
        config: ConfigOption = None,
        as_json: JsonOption = False,
        publisher: PublisherOption = None,
        every: Annotated[
            bool, typer.Option("--all", help="Those that were given up, too.")
        ] = False,
    ) -> int:
        """List the messages that the broker refused: nobody has them but the journal."""
        found = _open(config).letters(publisher, dropped=every)
        if as_json:
            print_json(_as_json(*each) for each in found)
        elif not found:
            say("no refused messages")
        else:
            headings = ("id", "publisher", "what", "is", "times", "last (UTC)", "reason")
            console().print(table(headings, [_cells(*each) for each in found]))
        return DONE

    @outbox.command()
    def show(
        letter: Annotated[str, typer.Argument(metavar="ID", help="The entry's id.")],
        config: ConfigOption = None,
        as_json: JsonOption = False,
        publisher: PublisherOption = None,
    ) -> int:
        """Show one refused message whole, as it stands in the journal."""
        found = _open(config).find(_read_id(letter), publisher)
        if as_json:
            print_json({**_as_json(*each), "body": _body(each[1])} for each in found)
            return DONE
        for name, each in found:
            for key, value in _as_json(name, each).items():
                say(f"{key:12}{clean(value)}")
            say(json_text(_body(each)))
        return DONE


def _register_doing(outbox: typer.Typer) -> None:
    @outbox.command()
    def retry(
        letters: Annotated[
            list[str] | None, typer.Argument(metavar="[ID]...", help="The entries' ids.")
        ] = None,
        config: ConfigOption = None,
        publisher: PublisherOption = None,
        every: Annotated[bool, typer.Option("--all", help="All that are on the list.")] = False,
    ) -> int:
        """Have refused messages sent again, when the cause is gone."""
        if every == bool(letters):
            raise InputError("give ids, or --all")
        ids = None if every else [_read_id(each) for each in letters or ()]
        count = _open(config).retry(ids, publisher)
        say(f"{count} to be sent again")
        return DONE

    @outbox.command()
    def drop(
        letter: Annotated[str, typer.Argument(metavar="ID", help="The entry's id.")],
        reason: Annotated[str, typer.Option(help="Why it need not be delivered.")],
        config: ConfigOption = None,
        publisher: PublisherOption = None,
    ) -> int:
        """Give a refused message up; it stays in the journal, and listed by `list --all`."""
        from capture.clock import SystemClock

        if not reason.strip() or len(reason) > _LONGEST_REASON or not reason.isprintable():
            raise InputError(f"--reason: a line of 1 to {_LONGEST_REASON} characters")
        count = _open(config).drop(_read_id(letter), reason, SystemClock().utc(), publisher)
        say(f"{count} given up" if count else "given up before")
        return DONE if count else FAILED

    @outbox.command("drop-publisher")
    def drop_publisher(
        name: Annotated[str, typer.Argument(metavar="NAME", help="A removed publisher.")],
        config: ConfigOption = None,
        undelivered: Annotated[
            bool, typer.Option("--undelivered", help="Even where not all was delivered there.")
        ] = False,
    ) -> int:
        """Forget a publisher that was taken out of the configuration."""
        was = _open(config).drop_publisher(name, undelivered_too=undelivered)
        say(f"{name} dropped; it had delivered up to entry {was.delivered}")
        return DONE


def _open(config: Any) -> "Outbox":
    from capture.config import load_config
    from capture.publish.outbox import Outbox

    return Outbox(load_config(config))


def _read_id(text: str) -> uuid.UUID:
    try:
        return uuid.UUID(text)
    except ValueError as error:
        raise InputError(f"{text!r} is not the id of an entry; see `outbox list`") from error


def _as_json(publisher: str, letter: "Letter") -> dict[str, Any]:
    row = letter.row
    return {
        "id": str(row.id),
        "publisher": publisher,
        "n": row.n,
        "kind": row.kind,
        "instrument": row.instrument,
        "subject": row.subject,
        "state": letter.state,
        "attempts": letter.attempts,
        "first": letter.first,
        "last": letter.last,
        "code": f"0x{letter.code:02x}",
        "reason": letter.reason,
    }


def _cells(publisher: str, letter: "Letter") -> tuple[object, ...]:
    row = letter.row
    what = " ".join(filter(None, (row.kind, row.instrument, row.subject)))
    last = letter.last[:19].replace("T", " ")
    return row.id, publisher, what, letter.state, letter.attempts, last, letter.reason


def _body(letter: "Letter") -> Any:
    import json

    return json.loads(letter.row.body)
