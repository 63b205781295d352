"""``benchtally follow``: the traffic on the broker, as it comes."""

import json
import sys
import threading
from typing import Annotated, Any

import typer

from capture.cli.output import DONE, ConfigOption, JsonOption, json_text
from capture.display import clean, point_of, row_of
from capture.errors import InputError

_MOST_STATES = 1000
_WIDTHS = (23, 16, 6, 22, 16, 12, 16, 8, 16)


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def follow(
        config: ConfigOption = None,
        as_json: JsonOption = False,
        topic: Annotated[
            str | None, typer.Option(help="Topic filter; everything of this bench if not given.")
        ] = None,
        session: Annotated[
            str,
            typer.Option(help="Client id of a session that the broker keeps while we are away."),
        ] = "",
        publisher: Annotated[
            str | None, typer.Option(metavar="NAME", help="One of several brokers, by its name.")
        ] = None,
        count: Annotated[
            int | None, typer.Option(min=1, help="End after so many messages shown.")
        ] = None,
        seconds: Annotated[
            float | None, typer.Option("--for", min=0.1, help="End after so many seconds.")
        ] = None,
    ) -> int:
        """Show what is published, as it comes, until Ctrl-C."""
        from capture.config import load_config
        from capture.publish import PublisherSettings, Topics
        from capture.publish.secrets import Credentials
        from capture.publish.subscriber import Subscriber

        settings = load_config(config)
        name = publisher or next(iter(settings.publishers))
        if name not in settings.publishers:
            raise InputError(f"{name}: no such broker; known are {', '.join(settings.publishers)}")
        broker = PublisherSettings.of(settings, name)
        secrets = Credentials(broker).read()
        everything = f"{Topics(settings.site, settings.bench).root}/#"
        subscriber = Subscriber(
            broker.host,
            broker.port,
            topic or everything,
            username=broker.username,
            password=secrets.password,
            client_id=session,
            tls=secrets.context,
        )
        stop = threading.Event()
        timer = None
        if seconds is not None:
            timer = threading.Timer(seconds, stop.set)
            timer.daemon = True
            timer.start()
        try:
            states: dict[str, str] | None = None if as_json else {}
            shown = 0
            for message in subscriber.messages(stop):
                shown += _show(message, as_json=as_json, states=states)
                if shown == count:
                    break
        except KeyboardInterrupt:
            return DONE  # how a person ends it
        finally:
            subscriber.close()
            if timer is not None:
                timer.cancel()
        return DONE


def _show(message: Any, *, as_json: bool, states: dict[str, str] | None = None) -> bool:
    """Print a message; give whether it was.

    states: the line of each state that was printed last, by its topic. A state is retained, and
    comes again with each connection, theirs and ours: a person is told when it has changed. None
    for a program, which is told all that comes.
    """
    try:
        line = _line(message.topic, json.loads(message.payload), as_json=as_json)
    except (ValueError, RecursionError):  # no JSON, or nested without end
        payload = {"not_json": message.payload.decode("utf-8", "replace")}
        line = _line(message.topic, payload, as_json=as_json)
    if states is not None and _kind(message.topic) == "state":
        if states.get(message.topic) == line:
            return False
        if len(states) >= _MOST_STATES:
            states.clear()  # no bench has so many; a stranger's topics are told again
        states[message.topic] = line
    sys.stdout.write(line + "\n")
    sys.stdout.flush()
    return True


def _line(topic: str, payload: Any, *, as_json: bool) -> str:
    return json_text({"topic": topic, "payload": payload}) if as_json else line_of(topic, payload)


def line_of(topic: str, payload: Any) -> str:
    """Write a message on one line: a reading in columns, anything else in words."""
    kind = _kind(topic)
    try:
        if kind == "reading":
            cells = row_of(payload)
            pairs = zip(cells, _WIDTHS, strict=True)
            return " ".join(clean(cell).ljust(width) for cell, width in pairs).rstrip()
        if kind == "tag":
            point = point_of(payload.get("test_point"))
            of = f"{payload['machine']} {point}".rstrip()
            return clean(f"tag: reading {payload['reading']} is of machine {of}")
        if kind == "state":
            reason = f" ({payload['reason']})" if payload.get("reason") else ""
            who = payload.get("instrument", "the bench")
            return clean(f"state: {who} is {payload['state']}{reason}")
    except (KeyError, TypeError, AttributeError):
        pass  # not one of ours, or of a later version: shown as it is
    return clean(f"{topic}: {json.dumps(payload, ensure_ascii=False)}")


def _kind(topic: str) -> str:
    parts = topic.split("/")
    if parts[-1] == "state":
        return "state"
    return parts[4] if len(parts) > 5 else ""  # noqa: PLR2004 - root/v1/site/bench/kind/instrument
