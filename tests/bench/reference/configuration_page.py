"""docs/reference/configuration.md: every key of both files, from the models that check them."""

import ast
import dataclasses
import inspect
import json

from cells import MADE, code, one_line, table
from pydantic import BaseModel
from shape import shape

from capture import config
from capture.historian import settings as historian
from capture.plugins import DriverRegistry

_HEAD = f"""\
# Configuration

{MADE}

One TOML file, `benchtally.toml`. It is checked whole before anything starts, and a key that is not known is a
fault. `benchtally check` says what is wrong, one line each. Relative paths start at the file's folder.

Each key can also come from the environment: `BENCHTALLY_` and the path of the key, with `__` between its parts, as
in `BENCHTALLY_BROKER__PASSWORD`. The environment wins over the file.

NAME (of a site, bench, instrument or broker) has lower-case letters, digits and dashes, 63 at most. A section that
is left out has the values that stand here; one that has none here (`tls`, `sparkplug`, `web`) is off.
"""
#: Sections, in the order of the page. A model of the configuration that is missing here fails a test.
SECTIONS = {
    "At the top": config.Config,
    "[journal]": config.JournalConfig,
    "[broker] and [brokers.NAME]": config.BrokerConfig,
    "[broker.tls]": config.TlsConfig,
    "[broker.sparkplug]": config.SparkplugConfig,
    "[instruments.NAME]": config.InstrumentConfig,
    "A link of kind serial": config.SerialSettings,
    "A link of kind rfc2217": config.Rfc2217Settings,
    "A link of kind tcp": config.TcpSettings,
    "A link of kind unix": config.UnixSettings,
    "A link of kind usbtmc": config.UsbtmcSettings,
    "[equipment.NAME]": config.EquipmentConfig,
    "[jobs]": config.JobsConfig,
    "[records]": config.RecordsConfig,
    "[evidence]": config.EvidenceConfig,
    "[web]": config.WebConfig,
    "[log]": config.LogConfig,
}
#: Sections of the historian's own file, in the same way.
HISTORIAN = {
    "At the top of the historian's file": historian.HistorianConfig,
    "[broker] of the historian": historian.BrokerSource,
    "[database] of the historian": historian.Database,
    "[gaps] of the historian": historian.Gaps,
    "[bounds] of the historian": historian.Bounds,
    "[metrics] of the historian": historian.Metrics,
}
_BESIDE = """\
A [historian](../historian.md) stands beside a broker, on no bench, and has a file of its own, `benchtally-historian.toml`.
Its variables begin with `BENCHTALLY_HISTORIAN_`. Its sections `[broker.tls]` and `[log]` have the keys above."""
_DRIVERS = """\
They stand in `options` of an instrument. `benchtally drivers --options` lists those of every driver that is
installed, strangers' included."""


def page():
    """Give the page."""
    parts = [_HEAD]
    for heading, model in SECTIONS.items():
        parts += [f"## {heading}", one_line(model.__doc__), _keys(model)]
    parts += ["## Options of the built-in drivers", _DRIVERS]
    for name, driver in sorted(DriverRegistry.load().drivers.items()):
        if driver.distribution == "benchtally":
            parts += [f"### {name}", one_line(driver.spec.summary), _options(driver.spec)]
    parts += ["## The historian's file", _BESIDE]
    for heading, model in HISTORIAN.items():
        parts += [f"### {heading}", one_line(model.__doc__), _keys(model)]
    return "\n\n".join(part.strip() for part in parts) + "\n"


def _keys(model):
    told = _docs(model)
    rows = [
        (
            code(name),
            shape(member, _section).removesuffix(" or null"),
            _usual(model, name),
            one_line(told.get(name)),
        )
        for name, member in model.model_json_schema()["properties"].items()
    ]
    return table(("key", "value", "without it", "what it is"), rows)


def _section(name):
    """Name the section that a model stands for."""
    return next((f"section {code(head)}" if head.startswith("[") else head.lower().removeprefix("a ")
                 for head, model in (SECTIONS | HISTORIAN).items() if model.__name__ == name), name)  # fmt: skip


def _usual(model, name):
    field = model.model_fields[name]
    if field.is_required():
        return "must be given"
    usual = field.get_default(call_default_factory=True)
    if usual is None or isinstance(usual, BaseModel):
        return ""
    return code(json.dumps(usual, default=str, ensure_ascii=False))


def _docs(model):
    """Give the docstrings below the members of a model and of those it is made of."""
    found = {}
    for each in reversed(model.__mro__):
        if not each.__module__.startswith((config.__name__, historian.__name__)):
            continue
        body = ast.parse(inspect.getsource(each)).body[0].body
        for line, after in zip(body, [*body[1:], None], strict=True):
            if not isinstance(line, ast.AnnAssign) or not isinstance(line.target, ast.Name):
                continue
            match after:
                case ast.Expr(ast.Constant(str(text))):
                    found[line.target.id] = text
    return found


def _options(spec):
    rows = []
    for each in dataclasses.fields(spec.options):
        usual = each.default
        if each.default_factory is not dataclasses.MISSING:
            usual = each.default_factory()
        given = usual is not dataclasses.MISSING
        shown = (
            code(json.dumps(usual, default=str, ensure_ascii=False)) if given else "must be given"
        )
        rows.append((code(each.name), shown, one_line(each.metadata.get("help"))))
    return table(("option", "without it", "what it is"), rows)
