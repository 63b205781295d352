"""The documented list of log events is what the code logs: no name more, none less, same levels."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
LISTED = re.compile(r"^\| `([a-z_]+\.[a-z_]+)` \| ([a-z, ]+) \| (.+) \|$", re.MULTILINE)
LEVELS = {"debug", "info", "warning", "error", "exception", "critical"}
# These functions log on behalf of others, or choose a method first; what they log and how is told
# where they are called.
RELAYS = {("capture/runtime/worker.py", "_complain"): "warning"}
# A log's method, handed on under this name.
HANDED = {
    ("capture/historian/bounds.py", "tell"): "warning",
    ("capture/historian/lists.py", "tell"): "warning",
    ("capture/historian/reuse.py", "tell"): "warning",
    ("capture/historian/storing.py", "tell"): "warning",
}
CHOSEN = {"instrument.state": {"info", "warning"}, "daemon.health": {"info", "warning"}}


def documented():
    text = (ROOT / "docs" / "events.md").read_text("utf-8")
    return {name: set(levels.split(", ")) for name, levels, _ in LISTED.findall(text)}


def is_log(node):
    """Whether this is what a log method is called on: `log`, `self._log`, `get_logger()` …"""
    match node:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return name.lstrip("_") == "log"
        case ast.Call(func=ast.Attribute(attr="get_logger")):
            return True
    return False


def logged(path):
    """Give what one file logs: (line, event or None, level)."""
    relative = str(path.relative_to(ROOT))
    for call in ast.walk(ast.parse(path.read_text("utf-8"))):
        if not isinstance(call, ast.Call):
            continue
        event = call.args[0].value if call.args and isinstance(call.args[0], ast.Constant) else None
        match call.func:
            case ast.Attribute(value=on, attr=level) if level in LEVELS and is_log(on):
                yield call, event, {"exception": "error"}.get(level, level)
            case ast.Attribute(attr=name) if (relative, name) in RELAYS:
                yield call, event, RELAYS[relative, name]
            case ast.Name(id=name) if (relative, name) in HANDED:
                yield call, event, HANDED[relative, name]
            case ast.Name(id="log") if isinstance(event, str):
                for level in CHOSEN.get(event, {"unknown"}):
                    yield call, event, level


def test_the_code_logs_what_is_documented():
    found, nameless = {}, []
    for path in sorted((ROOT / "capture").rglob("*.py")):
        for call, event, level in logged(path):
            if isinstance(event, str):
                found.setdefault(event, set()).add(level)
            else:
                nameless.append(f"{path.name}:{call.lineno}")
    # The one relay hands on the name that it was given.
    assert len(nameless) == len(RELAYS), nameless
    assert found == documented()


def test_the_names_are_sorted_and_stand_once():
    text = (ROOT / "docs" / "events.md").read_text("utf-8")
    names = [name for name, _, _ in LISTED.findall(text)]
    assert names == sorted(set(names))
    rows = [line for line in text.splitlines() if line.startswith("| `")]
    assert len(rows) == len(names), "a row that this test cannot read"


@pytest.mark.parametrize(
    "source",
    [
        'self._log.info("part.new_event")',
        'structlog.get_logger().error("part.new_event", why=1)',
        'this.log.exception("part.new_event")',
    ],
)
def test_a_new_event_would_be_found(tmp_path, source, monkeypatch):
    path = tmp_path / "x.py"
    path.write_text(source)
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    assert [event for _, event, _ in logged(path)] == ["part.new_event"]
