"""What keeps starts quick: packages import their parts when asked, and the publisher asks for few."""

import subprocess
import sys
from importlib import import_module

import pytest

PACKAGES = ["capture.journal", "capture.model", "capture.publish"]


@pytest.mark.parametrize("package", PACKAGES)
def test_a_package_gives_all_it_names_from_where_it_is(package):
    module = import_module(package)
    named = [name for names in module._HOMES.values() for name in names]
    assert sorted(named) == sorted(module.__all__)
    for home, names in module._HOMES.items():
        part = import_module(f"{package}.{home}")
        for name in names:
            assert getattr(module, name) is getattr(part, name)


@pytest.mark.parametrize("package", PACKAGES)
def test_a_part_with_the_name_of_what_it_holds_would_hide_it(package):
    """Once it is imported, a part stands in the package under its own name."""
    module = import_module(package)
    assert not set(module._HOMES) & set(module.__all__)


@pytest.mark.parametrize("package", PACKAGES)
def test_a_name_that_is_not_there_is_said_as_python_says_it(package):
    with pytest.raises(AttributeError, match=f"module '{package}' has no attribute 'nothing'"):
        _ = import_module(package).nothing


def test_the_publisher_imports_neither_configuration_nor_drivers_nor_jobs():
    code = "import sys, capture.publish.__main__; print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True
    )
    imported = set(done.stdout.split())
    assert "capture.publish.pump" in imported
    for name in ("capture.config", "capture.driver", "capture.model.job", "pydantic_settings"):
        assert name not in imported


def test_the_configuration_is_read_without_the_drivers():
    """Commands that only look something up need no profile, no framer, no driver."""
    code = "import sys, capture.config; print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True
    )
    imported = set(done.stdout.split())
    assert "capture.config.file" in imported
    assert not {name for name in imported if name.startswith("capture.driver")}


def test_a_simulator_without_a_physical_winding_does_without_linear_algebra():
    code = "import sys, simulators.__main__; print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True
    )
    imported = set(done.stdout.split())
    assert "simulators.catalogue" in imported
    assert "numpy" not in imported
