"""What `acting` makes of a function: its own options between those that all such commands have."""

import inspect

import pytest

from capture.cli import acting as module
from capture.cli.acting import acting
from capture.cli.bench import ReasonOption, StepArgument


def clamp(act, step: StepArgument, reason: ReasonOption = "", *, degrees: float | None = None):
    """Clamp a lead anew."""
    return act, f"{step} {reason} {degrees}"


def test_a_command_takes_what_all_have_and_its_own_between():
    command = acting(clamp)
    assert list(inspect.signature(command).parameters) == [
        "operator", "job", "step", "reason", "seen", "id_", "config", "as_json", "degrees",
    ]  # fmt: skip
    assert command.__annotations__["step"] is StepArgument
    assert (command.__name__, command.__doc__) == ("clamp", "Clamp a lead anew.")


@pytest.fixture
def told(monkeypatch):
    """Let no bench be opened; give what would be told."""
    found = []

    class Opened:
        def __init__(self, config):
            self.config = config

        def __enter__(self):
            return self

        def __exit__(self, *_):
            pass

    def tell(bench, state, words, *, as_json):
        found.append((bench, state, words, as_json))
        return 7

    monkeypatch.setattr(module, "open_bench", Opened)
    monkeypatch.setattr(module, "_tell", tell)
    return found


def test_the_function_gets_the_act_and_its_own_and_what_it_says_is_told(told):
    code = acting(clamp)("foreman", "last", step="u-v", reason="slack", as_json=True, degrees=1.5)
    ((bench, act, words, as_json),) = told
    assert (code, words, as_json) == (7, "u-v slack 1.5", True)
    assert act.bench is bench
    assert (act.job, act.operator, act.seen, act.id_) == ("last", "foreman", None, None)
