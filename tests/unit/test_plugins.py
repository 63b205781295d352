"""The registry of drivers: each failure is kept apart and named."""

import types
from dataclasses import dataclass, field
from importlib import metadata
from pathlib import Path

import pytest

from capture.driver import API_VERSION, DriverSpec, hookimpl
from capture.errors import ConfigError, InputError, PluginError
from capture.plugins import DriverRegistry, read_options


@dataclass(frozen=True)
class Options:
    number: int = 1
    text: str = ""
    profile: str = field(default="", metadata={"path": True})

    def __post_init__(self):
        if self.text == "wrong":
            raise InputError("text: 'wrong' is wrong")


class Distribution:
    def __init__(self, name, version="1.2"):
        self.name, self.version = name, version


class Point:
    """An entry point as `importlib.metadata` gives it, on a module made up by the test."""

    def __init__(self, name, plugin, dist="a-package"):
        self.name, self.plugin = name, plugin
        self.dist = None if dist is None else Distribution(dist)

    def load(self):
        if isinstance(self.plugin, BaseException):
            raise self.plugin
        return self.plugin


def spec(id_="my-meter", **members):
    ordinary = {
        "api_version": API_VERSION,
        "summary": "A meter",
        "options": Options,
        "create": lambda options: None,
        "messages": lambda options: [],
    }
    return DriverSpec(id=id_, **ordinary | members)


def plugin(*specs, hook="benchtally_drivers", mark=hookimpl):
    module = types.ModuleType("a_plugin")

    def announce():
        return list(specs)

    announce.__name__ = hook
    setattr(module, hook, mark(announce))
    return module


def test_a_driver_is_loaded_with_its_distribution_and_version():
    registry = DriverRegistry.load([Point("one", plugin(spec()))])
    loaded = registry.get("my-meter")
    assert (loaded.distribution, loaded.version) == ("a-package", "1.2")
    own = DriverRegistry.load([Point("one", plugin(spec(version="7")))])
    assert own.get("my-meter").version == "7"
    assert registry.failures == []


def test_a_package_may_announce_several_drivers():
    registry = DriverRegistry.load([Point("one", plugin(spec("a"), spec("b")))])
    assert set(registry.drivers) == {"a", "b"}


def test_an_entry_point_without_a_distribution_is_taken():
    assert DriverRegistry.load([Point("one", plugin(spec()), None)]).get("my-meter")


BROKEN = [
    (ImportError("No module named 'missing'"), "No module named 'missing'"),
    (SyntaxError("invalid\nsyntax"), "invalid syntax"),
    (RuntimeError(), "RuntimeError"),
    (SystemExit(3), "3"),
    (plugin(), "announces no driver"),
    (types.ModuleType("empty"), "announces no driver"),
    (plugin(spec(), hook="benchtally_driver"), "hook 'benchtally_driver' is not known"),
    (plugin("a spec"), "announces 'a spec', which is no DriverSpec"),
    (plugin(spec(api_version=API_VERSION + 1)), "is made for driver interface 2"),
    (plugin(spec(api_version=0)), "install a matching version"),
    (plugin(spec(options=dict)), "options must be a dataclass"),
    (plugin(spec(), spec("b", options=int)), "options must be a dataclass"),
    (plugin(spec("My Meter")), "'My Meter' is no name for a driver"),
    (plugin(spec("")), "is no name for a driver"),
]


@pytest.mark.parametrize(("broken", "reason"), BROKEN)
def test_a_broken_package_is_shown_and_the_others_are_loaded(broken, reason):
    registry = DriverRegistry.load(
        [
            Point("a-first", plugin(spec("first")), "good-one"),
            Point("broken", broken, "bad-one"),
            Point("z-last", plugin(spec("last")), "good-two"),
        ]
    )
    assert set(registry.drivers) == {"first", "last"}
    (failure,) = registry.failures
    assert (failure.name, failure.distribution) == ("broken", "bad-one")
    assert reason in failure.reason
    assert "\n" not in failure.reason


def test_a_hook_that_raises_or_gives_nonsense_is_kept_apart():
    raising, nothing = plugin(spec()), plugin(spec())

    @hookimpl
    def benchtally_drivers():
        raise KeyError("oops")

    raising.benchtally_drivers = benchtally_drivers
    nothing.benchtally_drivers = hookimpl(lambda: None)
    registry = DriverRegistry.load(
        [Point("a", raising), Point("b", nothing), Point("c", plugin(spec()))]
    )
    assert set(registry.drivers) == {"my-meter"}
    assert {failure.name for failure in registry.failures} == {"a", "b"}


def test_a_driver_id_that_two_distributions_claim_is_an_error_naming_both():
    points = [
        Point("a", plugin(spec()), "one-package"),
        Point("b", plugin(spec()), "other-package"),
    ]
    with pytest.raises(
        PluginError, match="'my-meter' is announced by one-package and by other-package"
    ):
        DriverRegistry.load(points)


def test_an_unknown_driver_lists_the_known_ones_and_what_could_not_be_loaded():
    registry = DriverRegistry.load(
        [
            Point("a", plugin(spec("scpi-thing"), spec("line-thing"))),
            Point("gone", ImportError("no"), "bad-package"),
        ]
    )
    with pytest.raises(PluginError) as caught:
        registry.get("scpi-thin")
    assert str(caught.value) == (
        "driver 'scpi-thin' is not known (did you mean 'scpi-thing'?); known are line-thing, "
        "scpi-thing; gone of bad-package could not be loaded"
    )
    with pytest.raises(PluginError, match="known are none"):
        DriverRegistry().get("x")


def test_the_built_in_drivers_come_through_the_same_door():
    registry = DriverRegistry.load()
    assert {"scpi-meter", "ascii-meter"} <= set(registry.drivers)
    assert registry.get("scpi-meter").distribution == "benchtally"
    group = metadata.entry_points(group="benchtally.drivers")
    assert {"scpi-meter", "ascii-meter"} <= {point.name for point in group}


@pytest.mark.parametrize(
    ("raw", "faults"),
    [
        ({"nmber": 1}, ["at.nmber: there is no such option of my-meter; did you mean number?"]),
        (
            {"xyz": 1},
            ["at.xyz: there is no such option of my-meter; known are number, text, profile"],
        ),
        ({"number": "many"}, ["at.number: found 'many', expected"]),
        ({"text": "wrong"}, ["at.text: 'wrong' is wrong"]),
        ({"number": "x", "text": 5}, ["at.number: found 'x'", "at.text: found 5"]),
        ({"a1": 1, "b2": 2}, ["at.a1: ", "at.b2: "]),
    ],
)
def test_faulty_options_give_one_line_each(raw, faults):
    with pytest.raises(ConfigError) as caught:
        read_options(spec(), raw, "at", Path())
    assert len(caught.value.faults) == len(faults)
    for found, wanted in zip(caught.value.faults, faults, strict=True):
        assert found.startswith(wanted)
        assert found.isprintable()


def test_good_options_are_made_and_paths_start_at_the_configuration(tmp_path):
    made = read_options(spec(), {"number": 5, "profile": "mine.toml"}, "at", tmp_path)
    assert made == Options(5, "", str(tmp_path / "mine.toml"))
    assert read_options(spec(), {"profile": "by-name"}, "at", tmp_path).profile == "by-name"
    assert read_options(spec(), {"profile": "/abs/p.toml"}, "at", tmp_path).profile == "/abs/p.toml"
