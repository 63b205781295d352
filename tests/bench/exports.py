"""How long exports take, and what memory they need, form by form.

    python -P tests/bench/exports.py [READINGS]

Each form is written by a process of its own from one journal, so that memory is that form's alone;
beside it the size of the file. *none* is a process that opens the journal and writes nothing.
"""

import argparse
import importlib.util
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

BACKLOG = Path(__file__).with_name("backlog.py")
CONFIG = 'site = "sawmill"\nbench = "bench-1"\n[journal]\npath = "b.journal"\n'
FORMS = ("none", "csv", "jsonl", "xlsx", "parquet")


def filler():
    """Load what fills a journal."""
    spec = importlib.util.spec_from_file_location("backlog", BACKLOG)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.fill


def run(folder, form):
    """Write one form; give seconds, peak memory in MiB and the file's size in MiB."""
    path = folder / f"all.{form}"
    command = [sys.executable, "-m", "capture.cli", "readings", "--last", "1"]
    if form != "none":
        command = [sys.executable, "-m", "capture.cli", "export", "readings", "--out", str(path)]
    begin = time.perf_counter()
    process = subprocess.Popen(
        [*command, "--config", str(folder / "benchtally.toml")], stdout=subprocess.DEVNULL
    )
    _, status, used = wait(process)
    if status:
        raise SystemExit(f"{form}: ended with {status}")
    size = path.stat().st_size / 2**20 if form != "none" else 0.0
    return time.perf_counter() - begin, used.ru_maxrss / 1024, size


def wait(process):
    """Wait for a process; give its pid, exit status and what it used."""
    found = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(found[1])
    return found[0], process.returncode, found[2]


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("readings", type=int, nargs="?", default=200_000)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "benchtally.toml").write_text(CONFIG)
        filler()(folder / "b.journal", asked.readings)
        print(f"{asked.readings} readings")
        print(f"{'':10}{'s':>8}{'rows/s':>10}{'peak MiB':>10}{'file MiB':>10}")
        for form in FORMS:
            seconds, memory, size = run(folder, form)
            rate = asked.readings / seconds if form != "none" else 0
            print(f"{form:10}{seconds:8.1f}{rate:10.0f}{memory:10.0f}{size:10.1f}", flush=True)


if __name__ == "__main__":
    main()
