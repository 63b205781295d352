"""The short form of tests/bench/confusion.py: fewer windings, the same promises."""

import importlib.util
import pathlib
import sys

import pytest

BENCH = pathlib.Path(__file__).parents[2] / "bench" / "confusion.py"
COUNT = 16  # windings a hypothesis and view; 500 in the long form


@pytest.fixture(scope="module")
def confusion():
    spec = importlib.util.spec_from_file_location("confusion", BENCH)
    module = importlib.util.module_from_spec(spec)
    sys.modules["confusion"] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules["confusion"]


@pytest.fixture(scope="module")
def tallies(confusion):
    views = (
        confusion.View("star", "R + L + pulse"),
        confusion.View("delta", "R + pulse"),
        confusion.View("star", "pulse", told=False),
        confusion.View("star", "R + L + pulse", rotor="in"),
    )
    return confusion.campaign(COUNT, 1, views, lambda _: None)


def test_what_is_promised_holds(confusion, tallies):
    """Fault seen ≥ 99 %, coil ≥ 97 %, class ≥ 95 %, wrong ≤ 1 %, sound called faulty ≤ 0.2 %."""
    figures = {name: (part, whole) for name, part, whole, _, _ in confusion.summary(tallies)}
    assert all(met for *_, met in confusion.summary(tallies)), figures


def test_something_is_named_at_all(confusion, tallies):
    """A judge that always said `cannot tell` would keep every promise and be of no use."""
    view = confusion.View("star", "R + L + pulse")
    for hypothesis in (confusion.SHORTED_TURNS, confusion.FEWER_TURNS, confusion.PHASE_TO_PHASE):
        assert tallies[view, hypothesis].answers["right"] >= COUNT // 2


def test_one_angle_with_the_rotor_in_never_blames_a_sound_stator(confusion, tallies):
    view = confusion.View("star", "R + L + pulse", rotor="in")
    assert tallies[view, confusion.BALANCED].answers["wrong"] == 0
