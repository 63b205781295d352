"""Commands that are forked end, and are heard to have ended, as those that are started anew."""

import os
import signal
import subprocess
from pathlib import Path

import harness
import pytest
import warm


def test_one_that_ends_gives_its_exit_code_and_what_it_said(tmp_path):
    done = warm.start(["--version"], tmp_path / "out")
    assert done.wait(harness.LONG) == 0
    assert (tmp_path / "out").read_text("utf-8").startswith("benchtally ")
    wrong = warm.start(["run", "--config", tmp_path / "none.toml"], tmp_path / "other")
    assert wrong.wait(harness.LONG) == 2
    assert (tmp_path / "other").read_text("utf-8").startswith("benchtally: ")


def test_one_that_is_killed_keeps_its_number_until_somebody_has_heard_of_it(tmp_path):
    child = harness.Child(
        (), tmp_path / "out", process=warm.start(["ports", "--watch"], tmp_path / "out")
    )
    harness.wait_until(child.said, "it runs")
    assert child.running()
    assert os.getsid(child.pid) == os.getpgid(child.pid) == child.pid
    with pytest.raises(subprocess.TimeoutExpired):
        child.wait(0)
    child.signal_all(signal.SIGKILL)
    os.kill(child.pid, 0)  # whoever has not heard of its end may still signal it
    assert child.wait() == -signal.SIGKILL
    assert child.wait() == child.process.poll() == -signal.SIGKILL
    with pytest.raises(ProcessLookupError):
        os.kill(child.pid, 0)


def test_one_that_is_asked_to_end_ends_as_any_interpreter_does(tmp_path):
    child = harness.Child(
        (), tmp_path / "out", process=warm.start(["ports", "--watch"], tmp_path / "out")
    )
    harness.wait_until(child.said, "it runs")
    child.signal(signal.SIGINT)
    assert child.wait() == 0, child.said()
    assert "Traceback" not in child.said()


def test_one_that_takes_too_long_is_ended(monkeypatch):
    """As `subprocess.run` does: it went on beside all tests that came after."""
    wait, heard = warm.Started.wait, []

    def impatient(started, timeout=None):
        heard.append(started)
        if len(heard) == 1:
            raise subprocess.TimeoutExpired("it", timeout)
        return wait(started, timeout)

    monkeypatch.setattr(warm.Started, "wait", impatient)
    with pytest.raises(subprocess.TimeoutExpired):
        warm.run(["ports", "--watch"])
    assert heard[0].returncode == -signal.SIGKILL


FAILS = """
import os, sys
import capture.cli.main as ours
sys.path.insert(0, sys.argv[1])
import warm
def main():
    exec(sys.argv[1])
ours.main = main
files = {"in": os.devnull, "out": sys.argv[2], "err": sys.argv[2]}
warm._become({"arguments": [sys.argv[3]], "folder": ".", "environment": {}, "stays": False} | files)
"""


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("raise ZeroDivisionError", "Traceback (most recent call last)"),
        ("sys.exit('no more room')", "no more room"),
        ("assert len(os.listdir('/proc/self/fd')) == 4", ""),  # and the one that lists them
    ],
)
def test_one_that_fails_says_so_as_python_does(tmp_path, fault, said):
    """Its traceback was lost, and with it what the end of each test looks for."""
    code = [*harness.PYTHON, "-c", FAILS, Path(warm.__file__).parent, tmp_path / "said", fault]
    done = subprocess.run(code, timeout=harness.LONG, check=False)
    assert done.returncode == (1 if said else 0)
    assert (tmp_path / "said").read_text("utf-8").startswith(said)
