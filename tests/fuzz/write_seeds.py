"""A target's own seeds as files: `python write_seeds.py NAME FOLDER`."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from known import load


def main(name, folder):
    module = load(name)
    for number, data in enumerate(module.seeds()):
        Path(folder, f"seed-{number}").write_bytes(data)
    getattr(module, "close", lambda: None)()


if __name__ == "__main__":
    main(*sys.argv[1:])
