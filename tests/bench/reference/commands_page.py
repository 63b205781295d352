"""docs/reference/commands.md: every command with its arguments and options, as it says itself."""

import enum
import typing

from cells import MADE, code, one_line, table

from capture.cli.commands import COMMANDS, built

_HEAD = f"""\
# Commands

{MADE}

Every command of `benchtally`. `benchtally COMMAND --help` says the same. Commands end with 0 where they have
done what was asked, 1 where that failed, 2 for wrong usage or a faulty configuration. `--config FILE` names the
configuration; without it, `./benchtally.toml` is taken, or else the one in the user's configuration folder.
"""

_KINDS = {"str": "TEXT", "Path": "FILE", "int": "NUMBER", "float": "NUMBER", "datetime": "TIME"}


def page():
    """Give the page."""
    rows = [
        (f"[`{name}`](#benchtally-{name})", one_line(told)) for name, (_, told) in COMMANDS.items()
    ]
    parts = [_HEAD, table(("command", "what it does"), rows)]
    for name, (module, _) in COMMANDS.items():
        group = built(module)
        command = group.get_command(group.context_class(group), name)
        parts += _told(command, f"benchtally {name}", "##")
    return "\n\n".join(part.strip() for part in parts) + "\n"


def _told(command, typed, level):
    """Tell of a command, and of those below it."""
    context = command.context_class(command, info_name=typed)
    yield f"{level} {typed}"
    below = getattr(command, "list_commands", None)
    parameters = [each for each in command.get_params(context) if each.name != "help"]
    arguments = [each for each in parameters if each.param_type_name == "argument"]
    options = [each for each in parameters if each.param_type_name == "option"]
    usage = " ".join([typed, *(["[OPTIONS]"] if options else []), *map(_usage, arguments)])
    yield f"```\n{usage}{' COMMAND …' if below else ''}\n```"
    for paragraph in (command.help or "").split("\n\n"):
        yield one_line(paragraph)
    if named := [each for each in arguments if getattr(each, "help", None)]:
        rows = [(code(_usage(each)), one_line(each.help)) for each in named]
        yield table(("argument", "what it is"), rows)
    if options:
        yield table(("option", "what it does"), [(_flags(each), _option(each)) for each in options])
    if below:
        for name in below(context):
            yield from _told(command.get_command(context, name), f"{typed} {name}", "###")


def _usage(argument):
    name = (argument.metavar or argument.name.upper()).removesuffix("...")
    name += "…" if argument.nargs == -1 else ""
    return name if argument.required or name.startswith("[") else f"[{name}]"


def _flags(option):
    flags = ", ".join([*option.opts, *option.secondary_opts])
    return code(flags if option.is_flag else f"{flags} {option.metavar or _kind(option)}")


def _kind(option):
    """Name what an option takes; typer keeps the annotation, which is all that there is of it."""
    kind = option.type_descriptor.annotation
    if isinstance(kind, type) and issubclass(kind, enum.Enum):
        return "|".join(str(each.value) for each in kind)
    if typing.get_origin(kind) is typing.Literal:
        return "|".join(map(str, typing.get_args(kind)))
    if typing.get_origin(kind) is list:
        kind = typing.get_args(kind)[0]
    return _KINDS.get(kind.__name__, kind.__name__.upper())


def _option(option):
    said = one_line(option.help)
    if option.required:
        said += " Required."
    usual = option.default
    if not callable(usual) and usual not in (None, False, (), [], "", True) and usual is not ...:
        shown = getattr(usual, "value", usual)
        if "Sentinel" not in type(shown).__name__:
            said += f" Without it: {code(shown)}."
    if option.envvar:
        said += f" Or by {code(option.envvar)}."
    return said.strip()
