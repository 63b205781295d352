"""docs/reference/schemas.md: every JSON Schema with its members, and an example of each."""

import json
from pathlib import Path

from cells import MADE, code, one_line, table
from shape import shape

from capture.driver.profile.schema import profile_documents
from capture.jobs.schema import procedure_documents
from capture.model.schemas import documents

_REPOSITORY = Path(__file__).resolve().parents[3]
_HEAD = f"""\
# Schemas

{MADE}

What is stored, published and read follows JSON Schema 2020-12. `benchtally schema NAME` prints one. Consumers pass
over members that they do not know. A member may be added to a version; anything else is a new version.

Units are UCUM codes (`Ohm`, `H`, `s`, `V`, `Hz`, `Cel`, `%`, `1`). A `value` is a number in the base unit of its
quantity, or null where there is none; `digits` and `shown_unit` keep what the instrument showed. Times are UTC
(RFC 3339), ids UUIDv7.
"""


def all_documents():
    """Give the text of every schema, by its file in schemas/."""
    return {**documents(), **procedure_documents(), **profile_documents()}


def page():
    """Give the page."""
    files = sorted(all_documents().items())
    rows = []
    parts = []
    for file, text in files:
        name, made = file.removesuffix(".v1.json"), json.loads(text)
        summary = made["description"].split("\n\n")[0]
        rows.append(
            (f"[{name}](#{name})", f"[`schemas/{file}`](../../schemas/{file})", one_line(summary))
        )
        parts += _schema(name, made)
    parts = [_HEAD, table(("schema", "file", "what it describes"), rows), *parts]
    return "\n\n".join(part.strip() for part in parts) + "\n"


def _schema(name, made):
    yield f"## {name}"
    for paragraph in made["description"].split("\n\n"):
        yield one_line(paragraph)
    yield _members(made)
    for title, part in sorted(made.get("$defs", {}).items()):
        yield f"**{title}** {one_line(part.get('description'))}"
        yield _members(part) if "properties" in part else f"One of {shape(part)}."
    if example := _example(name):
        path, text = example
        yield f"An example, [`{path.name}`](../../{path.relative_to(_REPOSITORY).as_posix()}):"
        yield f"```json\n{text.strip()}\n```"


def _members(made):
    needed = set(made.get("required", ()))
    rows = [
        (
            code(name),
            shape(member, lambda other: f"*{other}*"),
            "must" if name in needed else "may",
            one_line(member["description"]),
        )
        for name, member in made["properties"].items()
    ]
    return table(("member", "value", "stands there", "what it is"), rows)


def _example(name):
    """Give the shortest valid example."""
    folder = _REPOSITORY / "schemas" / "examples" / name / "valid"
    found = [(each, each.read_text("utf-8")) for each in sorted(folder.glob("*.json"))]
    return min(found, key=lambda each: len(each[1]), default=None)
