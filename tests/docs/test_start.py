"""The ten-minute start does what it says: its own commands, in its order, with real programs."""

import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(Path(__file__).parent), str(REPOSITORY / "tests" / "system")]

from guide import blocks, missing  # noqa: E402 - it lies beside this file
from harness import (  # noqa: E402 - same
    LONG,
    Child,
    free_port,
    journal_entries,
    mosquitto_program,
    wait_until,
)

GUIDE = (REPOSITORY / "docs" / "start.md").read_text("utf-8")
#: The port that the guide names; another one is taken where tests run side by side.
PORT = "18831"


class Bench:
    """The terminals of the guide, all in one folder."""

    def __init__(self, folder):
        self.folder = folder
        self.staying = {}
        paths = [Path(sys.executable).parent, mosquitto_program().parent, os.environ["PATH"]]
        self.environment = {
            "PATH": ":".join(map(str, paths)),
            "COLUMNS": "200",
            "PYTHONUNBUFFERED": "1",
        }

    def do(self, block):
        match block.what:
            case "file":
                (self.folder / block.name).write_text(block.text, "utf-8")
            case "typed":
                stdin = self.staying[block.name].process.stdin
                for line in block.text.splitlines():
                    self._type(block.name, stdin, line)
            case "terminal" if block.stays:
                self._start(block)
            case "terminal":
                for command in block.commands:
                    self._run(command)

    def _type(self, name, stdin, line):
        answers = self.staying[name].said().count("\nok: ")
        stdin.write(line.encode() + b"\n")
        stdin.flush()
        wait_until(lambda: self.staying[name].said().count("\nok: ") > answers, f"answer to {line}")
        if line == "lift":
            # Nobody puts leads on again before the meter has measured once without them, and a
            # touch is one only after that.
            wait_until(self._reads_nothing, "a reading of lifted leads")

    def _reads_nothing(self):
        readings = [
            e for e in journal_entries(self.folder / "bench.journal") if e.kind == "reading"
        ]
        return readings[-1].json()["status"] == "above-range"

    def _start(self, block):
        (command,) = block.commands
        child = Child(
            ["bash", "-c", f"exec {command.typed}"],
            self.folder / f"{block.name}.output",
            environment=self.environment,
            stdin=subprocess.PIPE,
            folder=self.folder,
        )
        self.staying[block.name] = child

        def lacking():
            assert child.running(), child.said()
            # Parts of one program start side by side, so their lines come in any order.
            return [line for line in command.seen if missing([line], child.said()) is not None]

        try:
            wait_until(lambda: not lacking(), command.typed)
        except AssertionError as error:
            raise AssertionError(f"{error}: no line {lacking()} in\n{child.said()}") from error

    def _run(self, command):
        match command.typed.split():
            case ["cd", folder]:
                self.folder /= folder
                return
            case ["export", pair]:
                name, _, value = pair.partition("=")
                self.environment[name] = value
                return
        done = subprocess.run(
            ["bash", "-c", command.typed],
            cwd=self.folder,
            env={**os.environ, **self.environment},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
            timeout=2 * LONG,
        )
        assert done.returncode == 0, (command.typed, done.stdout, done.stderr)
        lacking = missing(command.seen, done.stdout)
        assert lacking is None, f"{command.typed}: no line {lacking!r} in\n{done.stdout}"

    def close(self):
        """End everything, the other way round; give the exit codes of the programs."""
        ended = {}
        for name, child in reversed(self.staying.items()):
            child.signal(signal.SIGINT)
            ended[name] = child.wait()
            child.process.stdin.close()
        return ended


@pytest.fixture
def bench():
    # A short path, as a reader's home has: a long one breaks the lines of a table.
    with tempfile.TemporaryDirectory(prefix="guide-") as folder:
        made = Bench(Path(folder))
        yield made
        for child in made.staying.values():
            child.end()
            child.process.stdin.close()


@pytest.mark.takes(25)
def test_the_guide_does_what_it_says(bench):
    port = str(free_port())
    made = blocks(GUIDE.replace(PORT, port))
    for block in made:
        bench.do(block)
    heard = bench.staying["historian"]
    wait_until(lambda: "FAN-07" in heard.said(), "the job's readings at the listener")
    ended = bench.close()
    assert ended["daemon"] == 0
    for name, child in bench.staying.items():
        assert "Traceback" not in child.said(), name


def test_only_the_installing_is_not_run():
    left = [each for each in blocks(GUIDE) if each.what == "not run here"]
    assert [[each.typed.split()[0] for each in block.commands] for block in left] == [
        ["python3", ".venv/bin/pip", "."]
    ]


def test_a_line_that_is_not_printed_is_noticed():
    printed = "state:  the bench\n 2 readings\n"
    assert missing(["state: … bench", "… readings"], printed) is None
    assert missing(["… readings", "state: …"], printed) == "state: …"
    assert missing(["state: the"], printed) == "state: the"
