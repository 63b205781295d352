"""What draws is imported ahead, once, and only where somebody comes."""

import subprocess
import sys

import pytest

from capture.records import ahead
from capture.records.ahead import import_ahead


def run(program):
    """Give what a program of its own prints."""
    done = subprocess.run(
        [sys.executable, "-P", "-c", program], capture_output=True, text=True, check=True
    )
    return done.stdout.split()


def test_a_daemon_that_nobody_visits_does_without_it():
    told = run(
        "import sys, capture.app, capture.web.application\n"
        "print(*(name in sys.modules for name in ('matplotlib', 'typst')))\n"
        "from capture.records.ahead import import_ahead\n"
        "import_ahead().join()\n"
        "print(*(name in sys.modules for name in ('matplotlib.figure', 'typst')))\n"
        "before = set(sys.modules)\n"
        "import io\n"
        "from matplotlib.figure import Figure\n"
        "Figure().savefig(io.BytesIO(), format='svg')\n"
        "print(*(each for each in set(sys.modules) - before if each.startswith('matplotlib.backends')))\n"
    )
    assert told[:4] == ["False", "False", "True", "True"]
    assert set(told[4:]) <= {"matplotlib.backends.backend_mixed"}


@pytest.fixture
def anew():
    import_ahead.cache_clear()
    yield
    import_ahead.cache_clear()


def test_it_is_begun_once(anew, monkeypatch):
    begun = []
    monkeypatch.setattr(ahead, "prepare_pictures", lambda: begun.append("pictures"))
    monkeypatch.setattr(ahead, "prepare_pages", lambda: begun.append("pages"))
    first = import_ahead()
    first.join()
    assert import_ahead() is first
    assert begun == ["pictures", "pages"]


@pytest.mark.parametrize("error", [ImportError("matplotlib"), OSError("no folder to write to")])
def test_what_is_not_installed_or_cannot_begin_keeps_nothing_else_back(anew, monkeypatch, error):
    """Nor does it end the thread with a traceback, which pytest would tell."""
    begun = []

    def missing():
        raise error

    monkeypatch.setattr(ahead, "prepare_pictures", missing)
    monkeypatch.setattr(ahead, "prepare_pages", lambda: begun.append("pages"))
    import_ahead().join()
    assert begun == ["pages"]
