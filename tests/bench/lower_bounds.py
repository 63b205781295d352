"""Installs the lowest releases that pyproject.toml allows, and runs tests with them.

Usage: ``python tests/bench/lower_bounds.py [PYTEST ARGUMENT ...]`` (a quarter of an hour without any:
then tests/unit and tests/contract; fetches packages).

Every ``name>=X`` of the dependencies and of the extras that run becomes ``name==X``; what those need is
taken as pip finds it, and so are the tools that test. A bound that no release has, or that another
bound rules out, is said by pip, and ends this with its exit code.
"""

import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

from packaging.requirements import Requirement

REPOSITORY = Path(__file__).resolve().parents[2]
ITSELF = "benchtally"
TOOLS = ("all", "test", "check", "fuzz")
# Old releases use what newer ones of others call deprecated: that is between them.
PYTEST = ("-q", "-n", "2", "-p", "no:cacheprovider", "-W", "ignore::DeprecationWarning")


def lowest(line):
    """Turn `name>=X` into `name==X`.

    Raises:
        ValueError: the requirement has no lower bound.
    """
    each = Requirement(line)
    bounds = [part.version for part in each.specifier if part.operator == ">="]
    if len(bounds) != 1:
        raise ValueError(f"{line}: has no lower bound")
    extras = f"[{','.join(sorted(each.extras))}]" if each.extras else ""
    return f"{each.name}{extras}=={bounds[0]}"


def requirements(project):
    """Give the pins, and what the tests want besides."""
    extras = project["optional-dependencies"]
    groups = [project["dependencies"], *(extras[name] for name in extras if name not in TOOLS)]
    pins = {lowest(line) for group in groups for line in group if Requirement(line).name != ITSELF}
    return sorted(pins), [line for line in extras["test"] if Requirement(line).name != ITSELF]


def main(arguments):
    with (REPOSITORY / "pyproject.toml").open("rb") as file:
        pins, tools = requirements(tomllib.load(file)["project"])
    print(*pins, sep="\n", flush=True)
    with tempfile.TemporaryDirectory(prefix="benchtally-lowest-") as folder:
        python = Path(folder) / "bin" / "python"
        steps = (
            [sys.executable, "-m", "venv", folder],
            [python, "-m", "pip", "install", "-q", *pins, *tools],
            [python, "-m", "pip", "install", "-q", "--no-deps", REPOSITORY],
            [python.with_name("pytest"), *PYTEST, *(arguments or ("tests/unit", "tests/contract"))],
        )
        for step in steps:
            status = subprocess.run(step, cwd=REPOSITORY, check=False).returncode
            if status:
                return status
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
