"""With nothing but its own dependencies every command works, or says in one line what to install."""

import json
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from closure import closure, modules
from every_command import COMMANDS
from packaging.requirements import Requirement

from capture.extras import MODULES

HERE = Path(__file__).parent
PROJECT = tomllib.loads((HERE.parents[1] / "pyproject.toml").read_text("utf-8"))["project"]


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    """Every command, where only what the core depends on can be imported."""
    done = subprocess.run(
        [sys.executable, "-P", str(HERE / "every_command.py"), str(tmp_path_factory.mktemp("bench")),
         *modules(closure()), "capture", "drivers", "simulators"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_every_command_that_ends_by_itself_is_tried(ran):
    typed = [" ".join(arguments) + " " for arguments, *_ in COMMANDS]
    assert [c for c in ran["commands"] if not any(t.startswith(f"{c} ") for t in typed)] == []


def test_every_command_works_or_names_the_extra_that_it_wants(ran):
    for done, (typed, status, extra) in zip(ran["runs"], COMMANDS, strict=True):
        said = done["out"] + done["err"]
        assert (done["typed"], done["status"]) == (typed, status), said
        assert "internal error" not in said, said
        assert "Traceback" not in said, said
        if extra is None:
            assert "pip install" not in done["err"], typed
        else:
            assert f"pip install 'benchtally[{extra}]'" in done["err"], typed
            assert done["err"].count("\n") == 1, typed


def test_the_doctor_names_every_extra_as_not_installed(ran):
    (doctor,) = (done["out"] for done in ran["runs"] if done["typed"] == ["doctor"])
    for extra in MODULES:
        assert f"extra {extra}: not installed, and not needed" in " ".join(doctor.split())


def test_the_modules_of_each_extra_are_those_of_its_requirements():
    owners = metadata.packages_distributions()

    def asked(extra):
        for each in map(Requirement, PROJECT["optional-dependencies"][extra]):
            if each.name == "benchtally":
                yield from (name for other in each.extras for name in asked(other))
            else:
                yield each.name

    running = set(PROJECT["optional-dependencies"]) - {"all", "test", "check", "docs", "fuzz"}
    for extra in running:
        brought = {name for module in MODULES[extra] for name in owners[module.partition(".")[0]]}
        assert {name.lower().replace("_", "-") for name in brought} >= set(asked(extra))
    assert set(MODULES) == running
