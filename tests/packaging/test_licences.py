"""Nothing is asked for whose licence does not go with Apache-2.0, and the page names what is."""

import sys
import tomllib
from pathlib import Path

import pytest
from closure import ITSELF, closure
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

# Behind what is installed: a measurement there is called as a package of others is.
sys.path.append(str(Path(__file__).resolve().parents[1] / "bench"))

from licences import goes, groups, licence

REPOSITORY = Path(__file__).resolve().parents[2]

PROJECT = tomllib.loads((REPOSITORY / "pyproject.toml").read_text("utf-8"))["project"]


@pytest.mark.parametrize(
    ("expression", "fits"),
    [
        ("MIT", True),
        ("EPL-2.0 OR BSD-3-Clause", True),
        ("BSD-3-Clause AND MIT", True),
        ("BSD-3-Clause AND GPL-3.0-only", False),
        ("GPL-2.0-only", False),
        ("GPL-2.0-only OR AGPL-3.0-only", False),
        ("MIT AND (GPL-2.0-only OR MIT)", False),  # for a person to look at
        ("Proprietary", False),
        ("", False),
    ],
)
def test_alternatives_need_one_and_sums_all(expression, fits):
    assert goes(expression) is fits


def test_every_package_that_is_needed_has_a_licence_that_goes_with_ours():
    assert {name: licence(name) for name in closure(("all",)) if not goes(licence(name))} == {}


def test_the_page_names_every_direct_dependency_with_a_licence():
    page = (REPOSITORY / "docs" / "licences.md").read_text("utf-8")
    extras = PROJECT["optional-dependencies"]
    running = [
        line
        for name in extras
        if name not in {"test", "check", "docs", "fuzz"}
        for line in extras[name]
    ]
    for line in [*PROJECT["dependencies"], *running]:
        name = canonicalize_name(Requirement(line).name)
        assert name == ITSELF or f"\n| {name} | " in page
    assert "| ? |" not in page


def test_the_groups_cover_all_that_is_needed():
    listed = {name for _, names in groups() for name in names}
    assert listed == closure(("all",)) - {ITSELF}
