"""What Benchtally costs and gives, as ratios of one run: `make bench`.

    python -P tests/bench/table.py [--quick] [--only rates latency …]

Where there is a baseline, it is what a user would write by hand, on the same stream and the same
kind of broker, in turn with Benchtally. Everything is on this computer, over loopback; nothing else
should run meanwhile. Exit 1 where a goal is missed.
"""

import argparse
import importlib
import importlib.metadata
import os
import platform
import sqlite3
import sys
from pathlib import Path

HERE = Path(__file__).parent

#: Each part's measurements, in full and to try it.
PARTS = {
    "rates": ((60_000, 3), (4000, 1)),  # readings, runs
    "latency": ((2000, 3), (600, 1)),  # readings, runs
    "decoder": ((200_000, 5), (50_000, 2)),  # lines, runs
    "starts": ((9,), (3,)),  # runs
    "journals": (((10_000, 1_000_000, 10_000_000),), ((10_000, 200_000),)),  # entries
    "crowd": ((200, 60), (200, 10)),  # instruments, seconds
    "idle": ((60, 10_000, 1_000_000), (10, 10_000, 50_000)),  # seconds, readings, readings
    "historian": ((60_000, 5), (10_000, 1)),  # readings, runs
    "record": ((9,), (3,)),  # runs
}


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--quick", action="store_true", help="few and short: to try it, not to tell"
    )
    parser.add_argument("--only", nargs="+", choices=PARTS, default=list(PARTS))
    given = parser.parse_args()
    sys.path[:0] = [str(HERE / "figures"), str(HERE.parent / "system")]  # ours, harness and rig
    packages = ("benchtally", "paho-mqtt", "pyserial", "pydantic")
    named = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in packages)
    print(
        f"Python {platform.python_version()}, {named}, SQLite {sqlite3.sqlite_version}, "
        f"{platform.system()} {platform.release()}, {os.cpu_count()} CPUs, loopback"
        + (", QUICK" if given.quick else "")
    )
    missed = 0
    for name in given.only:
        for figure in importlib.import_module(name).figures(*PARTS[name][given.quick]):
            print(figure.line(), flush=True)
            missed += figure.holds is False
    print(f"{missed} goals missed" if missed else "all goals met")
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main())
