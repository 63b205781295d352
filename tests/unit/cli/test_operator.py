"""``benchtally operator``: who may use the bench, said at this computer."""

import fcntl
import io
import json
import os
import subprocess
import sys
import termios

import pytest

from capture.cli import main as command_line
from capture.journal import JournalReader

CONFIG = 'site = "sawmill"\nbench = "bench-1"\n'
SECRET = "271828"


@pytest.fixture
def config(tmp_path):
    path = tmp_path / "benchtally.toml"
    path.write_text(CONFIG)
    return path


@pytest.fixture
def run(monkeypatch, capsys, config):
    """Run a command with its input from a pipe; give exit code, output and complaints."""

    def call(*arguments, given=""):
        monkeypatch.setattr(
            sys, "argv", ["benchtally", "operator", *arguments, "--config", str(config)]
        )
        monkeypatch.setattr(sys, "stdin", io.StringIO(given))
        with pytest.raises(SystemExit) as end:
            command_line.main()
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return end.value.code, said.out, said.err

    return call


def noted(config):
    reader = JournalReader(config.with_name("benchtally.journal"))
    try:
        return [json.loads(row.body) for row in reader.after(0, 100) if row.kind == "audit"]
    finally:
        reader.close()


def test_an_operator_comes_changes_and_goes_and_each_is_noted(run, config):
    assert run("list")[:2] == (
        0,
        "no operator is registered: whoever sits at this computer may use the bench\n",
    )
    assert run("add", "winder", "--role", "rewinds", given=f"{SECRET}\n") == (
        0,
        "operator winder may use the bench\n",
        "",
    )
    (listed,) = [json.loads(line) for line in run("list", "--json")[1].splitlines()]
    assert (listed["name"], listed["role"]) == ("winder", "rewinds")
    assert set(listed) == {"name", "role", "added", "changed"}
    assert "rewinds" in run("list")[1]
    assert run("set-pin", "WINDER", "--stdin", given="314159\n")[0] == 0
    code, out, _ = run("remove", "Winder")
    assert code == 0
    assert "nobody is registered now" in out
    assert [(each["what"], each["operator"], each["address"]) for each in noted(config)] == [
        ("operator-added", "winder", "this computer"),
        ("secret-changed", "winder", "this computer"),
        ("operator-removed", "winder", "this computer"),
    ]


@pytest.mark.parametrize(
    ("arguments", "given", "says"),
    [
        (("add", "winder"), "12345\n", "at least 6 digits"),
        (("add", "winder"), "123456\n", "tried first"),
        (("add", "winder"), "", "no PIN or password came"),
        (("add", "\x1b[2J"), "271828\n", "that print"),
        (("add", "winder", "--role", "a\u202eb"), "271828\n", "that print"),
        (("set-pin", "foreman"), "271828\n", "no operator 'foreman'"),
        (("remove", "foreman"), "", "no operator 'foreman'"),
    ],
)
def test_what_cannot_be_is_told_in_one_line_and_changes_nothing(
    run, config, arguments, given, says
):
    code, out, err = run(*arguments, given=given)
    assert (code, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1
    assert run("list", "--json")[1] == ""


def test_nobody_is_added_twice_however_the_name_is_written(run):
    run("add", "winder", given=f"{SECRET}\n")
    code, _, err = run("add", "Winder", given="314159\n")
    assert code == 2
    assert "set-pin" in err


def test_the_secret_is_kept_hashed_and_nowhere_else(run, config):
    run("add", "winder", given=f"{SECRET}\n")
    kept = b"".join(path.read_bytes() for path in config.parent.iterdir())
    assert SECRET.encode() not in kept
    assert b"$argon2id$" in kept


def test_check_says_when_nobody_is_registered_and_when_there_is_no_tls(
    run, config, monkeypatch, capsys
):
    config.write_text(CONFIG + "[web]\nhost = '192.0.2.7'\ninsecure = true\n")

    def check():
        monkeypatch.setattr(sys, "argv", ["benchtally", "check", "--json", "-c", str(config)])
        with pytest.raises(SystemExit) as end:
            command_line.main()
        rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
        return end.value.code, next(each["says"] for each in rows if each["what"] == "web")

    code, says = check()
    assert code == 1
    assert "benchtally operator add NAME" in says
    run("add", "winder", given=f"{SECRET}\n")
    code, says = check()
    assert code == 0
    assert "without TLS" in says


def test_where_the_extra_is_missing_it_is_named(run, monkeypatch):
    monkeypatch.setitem(sys.modules, "argon2", None)
    monkeypatch.delitem(sys.modules, "capture.access.secret", raising=False)
    code, _, err = run("list")
    assert code == 2
    assert "pip install 'benchtally[web]'" in err


def test_on_a_terminal_what_is_typed_is_not_shown(config):
    """A real terminal, a real process: asked twice, echoed never."""
    ours, theirs = os.openpty()
    command = [sys.executable, "-P", "-m", "capture.cli", "operator", "add", "winder"]
    child = subprocess.Popen(
        [*command, "--config", str(config)],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509 - no other way to a terminal of its own
    )
    os.close(theirs)
    try:
        shown = _until(ours, b"password: ")
        os.write(ours, f"{SECRET}\n".encode())
        shown += _until(ours, b"confirmation: ")
        os.write(ours, f"{SECRET}\n".encode())
        shown += _until(ours, b"may use the bench")
        assert child.wait(30) == 0
    finally:
        child.kill()
        child.wait()
        os.close(ours)
    assert SECRET.encode() not in shown


def _until(handle, words):
    got = b""
    while words not in got:
        try:
            more = os.read(handle, 4096)
        except OSError:
            more = b""
        assert more, got
        got += more
    return got
