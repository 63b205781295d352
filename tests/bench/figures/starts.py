"""How long commands take to start, against the help of a program of one command."""

import subprocess
import tempfile
import time
from pathlib import Path

import harness
from figure import ratio

_PROGRAM = """
import typer

app = typer.Typer()


@app.command()
def hello(name: str = "somebody") -> None:
    print(name)


app()
"""


def figures(repeat):
    """Run each in turn, a few times more than once: the first one reads from the disk."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "one.py").write_text(_PROGRAM)
        (folder / "benchtally.toml").write_text(
            'site = "sawmill"\nbench = "bench-1"\n[journal]\npath = "b.journal"\n'
        )
        config = ["--config", str(folder / "benchtally.toml")]
        ours = [*harness.PYTHON, "-m", "capture.cli"]
        key = [*ours, "key", "resistance", "0.842 Ohm", "--operator", "winder", *config]
        subprocess.run(key, check=True, capture_output=True)
        commands = {
            "one": [*harness.PYTHON, str(folder / "one.py"), "--help"],
            "help": [*ours, "--help"],
            "readings": [*ours, "readings", *config],
        }
        took = {each: [] for each in commands}
        for _ in range(repeat + 1):
            for each, command in commands.items():
                began = time.perf_counter()
                subprocess.run(command, check=True, capture_output=True)
                took[each].append(1000 * (time.perf_counter() - began))
    took = {each: values[1:] for each, values in took.items()}
    yield ratio(
        "`benchtally --help` against typer's", took["help"], took["one"], most=1.5, unit="ms"
    )
    yield ratio("`benchtally readings`", took["readings"], took["one"], most=2, unit="ms")
