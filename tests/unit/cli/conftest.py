"""Commands run as a person runs them: in this process, by `benchtally`'s own `main`."""

import io
import json
import sys
import unicodedata
from pathlib import Path

import pytest

from capture.cli import main as command_line
from capture.journal import JournalReader, Store

sys.path.insert(0, str(Path(__file__).parent))  # helpers are shared by these tests

CONFIG = """
site = "sawmill"
bench = "bench-1"
[instruments.ohm-1]
driver = "scpi-meter"
link = { kind = "tcp", host = "192.0.2.10" }
"""
OPERATOR = ("--operator", "winder")
PLATE = ("--rated-volts", "400", "--rated-watts", "15000", "--connection", "star", "--year", "2004")


@pytest.fixture
def config(tmp_path):
    path = tmp_path / "benchtally.toml"
    path.write_text(CONFIG)
    return path


@pytest.fixture
def run(monkeypatch, capsys, config):
    """Run a command as a person does; give exit code, output and complaints."""

    def call(*arguments, given="", with_config=True):
        extra = ["--config", str(config)] if with_config else []
        monkeypatch.setattr(sys, "argv", ["benchtally", *arguments, *extra])
        typed = io.StringIO(given) if isinstance(given, str) else given
        monkeypatch.setattr(sys, "stdin", typed)
        with pytest.raises(SystemExit) as end:
            command_line.main()
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        for line in said.out.splitlines() + said.err.splitlines():
            assert not [c for c in line if unicodedata.category(c) == "Cc"], repr(line)
        return end.value.code, said.out, said.err

    return call


@pytest.fixture
def journal(config):
    return config.with_name("benchtally.journal")


class Terminal(io.StringIO):
    """What a person types at a terminal."""

    def isatty(self):
        return True


class Jobs:
    """A registered machine and its jobs, by the command line."""

    def __init__(self, run, journal):
        self.run, self.journal = run, journal

    def do(self, *arguments, code=0, given=""):
        """Run a command that must end with `code`; give what it said."""
        found, out, err = self.run(*map(str, arguments), given=given)
        assert found == code, (arguments, out, err)
        return out if code == 0 else err

    def act(self, command, *arguments, **more):
        return self.do("job", command, "last", *arguments, *OPERATOR, **more)

    def key(self, quantity, *arguments, **more):
        return self.do("key", quantity, *arguments, "--job", "last", *OPERATOR, **more)

    def start(self, procedure, *conditions, plate=PLATE, machine="FAN-07"):
        if not self.journal.exists():
            self.do("machine", "add", machine, *plate, *OPERATOR)
        # Whoever begins another one meanwhile means it.
        self.do("job", "start", machine, procedure, "--beside", *conditions, *OPERATOR)
        return self.look()

    def look(self):
        return json.loads(self.do("job", "show", "last", "--json"))

    def step(self, id_):
        return next(each for each in self.look()["steps"] if each["id"] == id_)

    def store(self, *entries):
        store = Store(self.journal)
        try:
            return store.append(entries)
        finally:
            store.close()

    def events(self):
        """Every entry of every job, oldest first."""
        reader = JournalReader(self.journal)
        try:
            return [json.loads(row.body) for row in reader.after(0, 1000) if row.kind == "job"]
        finally:
            reader.close()

    def readings(self):
        reader = JournalReader(self.journal)
        try:
            return list(reader.readings())
        finally:
            reader.close()


@pytest.fixture
def jobs(run, journal):
    """A bench on which jobs are done."""
    return Jobs(run, journal)


@pytest.fixture
def terminal():
    """Make what a person types at a terminal."""
    return Terminal
