"""The short form of tests/bench/confusion.py: fewer windings, the same promises."""

import importlib.util
import pathlib
import sys

import pytest

BENCH = pathlib.Path(__file__).parents[2] / "bench" / "confusion.py"
COUNT = 10  # windings a hypothesis and view; 500 in the long form


@pytest.fixture(scope="module")
def confusion():
    spec = importlib.util.spec_from_file_location("confusion", BENCH)
    module = importlib.util.module_from_spec(spec)
    sys.modules["confusion"] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules["confusion"]


@pytest.fixture(scope="module")
def campaign(confusion):
    few = {"laws": ("period",), "designs": confusion.DESIGNS[1:2]}
    views = {
        "all": confusion.View("star", "R + L + pulse", **few),
        "some": confusion.View("delta", "R + pulse"),
        "one": confusion.View("star", "pulse", told=False),
        "rotor": confusion.View("star", "R + L + pulse", rotor="in", **few),
    }
    plain = [view for name, view in views.items() if name != "rotor"]
    tallies = confusion.campaign(COUNT, 1, plain, lambda _: None)
    wanted = (confusion.BALANCED, confusion.SHORTED_TURNS)
    rotor = confusion.run(views["rotor"], count=COUNT, seed=1, hypotheses=wanted)
    return views, tallies | {(views["rotor"], name): tally for name, tally in rotor.items()}


def what_is_promised_holds(confusion, _views, tallies):
    """Fault seen ≥ 99 %, coil ≥ 97 %, class ≥ 95 %, wrong ≤ 1 %, sound called faulty ≤ 0.2 %."""
    figures = confusion.summary(tallies)
    assert all(met for *_, met in figures), figures


def something_is_named_at_all(confusion, views, tallies):
    """A judge that always said `cannot tell` would keep every promise and be of no use."""
    for hypothesis in (confusion.SHORTED_TURNS, confusion.FEWER_TURNS, confusion.PHASE_TO_PHASE):
        assert tallies[views["all"], hypothesis].answers["right"] >= COUNT // 4


def a_pulse_alone_names_no_class(confusion, views, tallies):
    """Every coil fault looks alike to a pulse in star: only an open phase can be named."""
    for hypothesis in (confusion.SHORTED_TURNS, confusion.FEWER_TURNS, confusion.REVERSED):
        assert tallies[views["one"], hypothesis].answers["right"] == 0


def one_angle_with_the_rotor_in_never_blames_a_sound_stator(confusion, views, tallies):
    assert tallies[views["rotor"], confusion.BALANCED].answers["wrong"] == 0
    # With nothing in the resistances, a shorted turn may as well be the rotor.
    assert tallies[views["rotor"], confusion.SHORTED_TURNS].answers["wrong"] == 0


@pytest.mark.takes(5)
def test_what_is_known_of_many_windings_is_found(confusion, campaign):
    """One test: the windings take a while to judge, and tests are spread over processes one by one."""
    views, tallies = campaign
    what_is_promised_holds(confusion, views, tallies)
    something_is_named_at_all(confusion, views, tallies)
    a_pulse_alone_names_no_class(confusion, views, tallies)
    one_angle_with_the_rotor_in_never_blames_a_sound_stator(confusion, views, tallies)
