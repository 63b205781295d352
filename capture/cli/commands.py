"""Which commands there are, and where: a module is imported when its command is run, not before.

The list of commands shows what stands here; a test holds it against what the modules say.
"""

from importlib import import_module
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

#: Command: its module in this package, and the first sentence of its help.
COMMANDS = {
    "run": ("run", "Capture, store and deliver until told to stop (Ctrl-C or SIGTERM)."),
    "check": ("check", "Check a configuration: keys, drivers, options, profiles, messages, ports."),
    "doctor": (
        "doctor",
        "Look at this host: configuration, drivers, ports, disk, journal, clock, brokers, web.",
    ),
    "ports": (
        "ports",
        "List what is plugged in: where it is, and what to write in a configuration for it.",
    ),
    "drivers": (
        "drivers",
        "List the drivers, where each comes from, and what could not be loaded.",
    ),
    "profile": ("profile", "Profiles: what an ordinary meter needs, in a TOML file."),
    "trace": ("trace", "Record the bytes that a port receives, with their times."),
    "readings": (
        "readings",
        "List stored readings, oldest first, each with the tag that holds now.",
    ),
    "follow": ("follow", "Show what is published, as it comes, until Ctrl-C."),
    "key": (
        "key",
        "Enter what an instrument shows but does not send, and say back what was understood.",
    ),
    "photo": ("photo", "Print what can be read off a photo of a display, as JSON."),
    "machine": ("machine", "Machines: their nameplates, and what was found at them."),
    "tag": ("tag", "Tie readings that were captured to a machine and a test point."),
    "job": ("job", "Jobs: the tests of one machine, guided step by step."),
    "record": ("record", "Records of jobs: made, drawn, verified."),
    "trend": (
        "trend",
        "Show how the values of a machine have moved over its jobs, and where they are going.",
    ),
    "compare": (
        "trend",
        "Put two jobs beside each other: before and after, or a machine and its sister.",
    ),
    "export": (
        "export",
        "Write readings, results or trends to a file, with units in the headings.",
    ),
    "judge": ("judge", "Compute the winding tests of one machine and say what they mean."),
    "journal": ("journal", "The journal: verify, back up, export, import, trim, rebuild."),
    "outbox": (
        "outbox",
        "Delivery to the broker: how far it is, and which messages the broker refused.",
    ),
    "historian": (
        "historian",
        "From the broker into PostgreSQL: run a worker, migrate, look at gaps and quarantine.",
    ),
    "operator": ("operator", "Say who may use the bench, and with which PIN or password."),
    "simulate": ("simulate", "Serve a simulated instrument (--list says which there are)."),
    "schema": ("schema", "Print, write or check the JSON Schemas (2020-12)."),
    "demo": ("demo", "Measure a simulated machine with the real program, and show all of it."),
}

_WHOLE = 1000  # characters that no first sentence has


class Group(TyperGroup):
    """A group of commands that says of each its first sentence, whole."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the list of commands; a sentence goes on in the next line, and is not cut."""
        found = ((name, self.get_command(ctx, name)) for name in self.list_commands(ctx))
        rows = [(name, command.get_short_help_str(_WHOLE)) for name, command in found if command]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


class Commands(Group):
    """The commands of ``benchtally``, each built when it is asked for."""

    _listing = False

    def __init__(self, **attributes: Any) -> None:
        """Know all names, so that a misspelt one is told which is meant."""
        super().__init__(**attributes)
        for name, (_, words) in COMMANDS.items():
            self.add_command(TyperCommand(name, help=words))

    def list_commands(self, ctx: Any) -> list[str]:
        """Name the commands, in the order a person needs them."""
        del ctx
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Give a command; None where there is none of that name."""
        del ctx
        known = COMMANDS.get(cmd_name)
        if known is None:
            return None
        if self._listing:
            return self.commands[cmd_name]
        module, _ = known
        return built(module).commands[cmd_name]

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the list of commands, without importing any."""
        self._listing = True
        try:
            super().format_commands(ctx, formatter)
        finally:
            self._listing = False


def built(module: str) -> TyperGroup:
    """Import the module of a command, and give what it registers."""
    app = typer.Typer(rich_markup_mode=None)
    app.callback()(lambda: None)  # so that even a single command is one of a group
    import_module(f"capture.cli.{module}").register(app)
    return typer.main.get_group(app)
