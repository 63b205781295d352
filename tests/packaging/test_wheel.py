"""What is handed out: the wheel has all that runs and nothing else, the source archive makes the same."""

import hashlib
import re
import tarfile
import tomllib
import zipfile
from email import message_from_bytes
from pathlib import Path

import pytest
from packaging.requirements import Requirement

REPOSITORY = Path(__file__).resolve().parents[2]
PACKAGES = ("capture", "drivers", "simulators")
PROJECT = tomllib.loads((REPOSITORY / "pyproject.toml").read_text("utf-8"))["project"]
EXTRAS = PROJECT["optional-dependencies"]
#: One of each kind of file that is no module, so that a kind which is left out is named.
KINDS = (
    "capture/py.typed",
    "capture/historian/migrations/0001_tables.sql",
    "capture/jobs/procedures/incoming-inspection.toml",
    "capture/records/record.html",
    "capture/records/record.typ",
    "capture/records/texts/de.toml",
    "capture/web/static/bench.css",
    "capture/web/static/sw.js",
    "capture/web/static/mark.svg",
    "capture/web/templates/base.html",
    "capture/winding/limits.toml",
    "drivers/ascii_meter/profiles/insulation-series.toml",
    "drivers/scpi_lcr/profiles/lcr-impedance-function.toml",
    "drivers/py.typed",
    "simulators/py.typed",
)


@pytest.fixture(scope="module")
def described(inside):
    (name,) = (name for name in inside if name.endswith(".dist-info/METADATA"))
    return message_from_bytes(inside[name])


def in_the_tree():
    files = (path for package in PACKAGES for path in (REPOSITORY / package).rglob("*"))
    return {
        path.relative_to(REPOSITORY).as_posix(): path.read_bytes()
        for path in files
        if path.is_file() and path.parent.name != "__pycache__"
    }


def test_the_wheel_has_every_file_of_the_packages_byte_for_byte(inside):
    packed = {name: data for name, data in inside.items() if ".dist-info/" not in name}
    tree = in_the_tree()
    assert set(packed) == set(tree)
    assert packed == tree


@pytest.mark.parametrize("name", KINDS)
def test_the_wheel_has_each_kind_of_file(inside, name):
    assert name in inside


def test_the_wheel_has_nothing_besides(inside):
    assert {name.partition("/")[0] for name in inside if ".dist-info/" not in name} == {*PACKAGES}
    beside = {name.partition("/")[2] for name in inside if ".dist-info/" in name}
    assert beside == {"METADATA", "RECORD", "WHEEL", "entry_points.txt", "licenses/LICENSE"}


def test_the_source_archive_builds_the_same_wheel(wheel, wheel_again):
    assert wheel.name == wheel_again.name
    with zipfile.ZipFile(wheel) as first, zipfile.ZipFile(wheel_again) as second:
        assert {i.filename: i.CRC for i in first.infolist()} == {
            i.filename: i.CRC for i in second.infolist()
        }
    both = [hashlib.sha256(path.read_bytes()).hexdigest() for path in (wheel, wheel_again)]
    assert both[0] == both[1]


def test_the_source_archive_has_what_builds_tests_and_explains(sdist):
    with tarfile.open(sdist) as archive:
        names = [name.partition("/")[2] for name in archive.getnames()]
    top = {name.partition("/")[0] for name in names}
    assert {*PACKAGES, "docs", "examples", "schemas", "tests", "Makefile", "LICENSE"} <= top
    assert ".ci" not in top
    assert not [name for name in names if "__pycache__" in name or "/.venv" in f"/{name}"]


def test_metadata_says_licence_python_and_type(described):
    assert described["License-Expression"] == "Apache-2.0"
    assert described.get_all("License-File") == ["LICENSE"]
    assert described["Requires-Python"] == ">=3.11"
    assert not [c for c in described.get_all("Classifier") if c.startswith("License ::")]
    assert "Typing :: Typed" in described.get_all("Classifier")
    for link in described.get_all("Project-URL", []):
        assert re.fullmatch(r"[^,]+, https://\S+", link)


def test_entry_points_lead_to_the_command_and_to_every_driver(inside):
    (name,) = (name for name in inside if name.endswith("/entry_points.txt"))
    lines = inside[name].decode().splitlines()
    assert lines[:2] == ["[console_scripts]", "benchtally = capture.cli.main:main"]
    drivers = {
        line.split(" = ")[1] for line in lines[lines.index("[benchtally.drivers]") + 1 :] if line
    }
    families = {
        f"drivers.{path.parent.name}"
        for path in (REPOSITORY / "drivers").glob("*/__init__.py")
        if "def benchtally_drivers" in path.read_text("utf-8")
    }
    assert drivers == families


def names(extra):
    """What an extra asks for, with what it takes over from others."""
    found = set()
    for line in EXTRAS[extra]:
        each = Requirement(line)
        if each.name == "benchtally":
            found |= {name for other in each.extras for name in names(other)}
        else:
            found.add(each.name.lower())
    return found


def test_all_is_all_that_runs_and_the_tests_need_it(described):
    running = set(EXTRAS) - {"all", "test", "check", "docs", "fuzz"}
    assert names("all") == {name for extra in running for name in names(extra)}
    assert names("all") <= names("test")
    assert set(described.get_all("Provides-Extra")) == set(EXTRAS)
    assert not names("all") & {Requirement(line).name for line in PROJECT["dependencies"]}
