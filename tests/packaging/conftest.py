"""The wheel and the source archive, made once; what the tests here share."""

import os
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(Path(__file__).parent))


def build(tree, folder, what):
    """Build with the project's own build tool, without asking the network for it; give the file."""
    subprocess.run(
        [sys.executable, "-P", "-m", "hatchling", "build", "-t", what, "-d", str(folder)],
        cwd=tree, env=os.environ | {"SOURCE_DATE_EPOCH": "1767225600"}, capture_output=True, check=True,
    )  # fmt: skip
    return next(folder.glob("*.whl" if what == "wheel" else "*.tar.gz"))


@pytest.fixture(scope="session")
def wheel(tmp_path_factory):
    return build(REPOSITORY, tmp_path_factory.mktemp("wheel"), "wheel")


@pytest.fixture(scope="session")
def sdist(tmp_path_factory):
    return build(REPOSITORY, tmp_path_factory.mktemp("sdist"), "sdist")


@pytest.fixture(scope="session")
def wheel_again(sdist, tmp_path_factory):
    """The wheel as the source archive builds it."""
    folder = tmp_path_factory.mktemp("again")
    with tarfile.open(sdist) as archive:
        archive.extractall(folder, filter="data")
    return build(next(folder.iterdir()), folder, "wheel")


@pytest.fixture(scope="session")
def inside(wheel):
    """What is in the wheel, by name."""
    with zipfile.ZipFile(wheel) as archive:
        return {name: archive.read(name) for name in archive.namelist()}
