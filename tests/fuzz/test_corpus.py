"""Every kept input, every past finding and a bounded number of seeded mutations, on every target.

Nothing is needed but what the tests need anyhow; `run.py` looks for more, guided by coverage.
"""

import logging
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from known import CORPUS, kept, load, names
from mutate import mutations

_SEED = 20261128
_MOST_BYTES = 1_000_000


@pytest.fixture
def module(request, monkeypatch):
    """A target, quiet, and closed afterwards where it holds a bench open."""
    monkeypatch.setattr(logging.root.manager, "disable", logging.CRITICAL)
    loaded = load(request.param)
    yield loaded
    getattr(loaded, "close", lambda: None)()


@pytest.mark.filterwarnings("ignore")  # what foreign decoders say of files that are none
@pytest.mark.parametrize("module", names(), indirect=True)
def test_no_input_breaks_what_the_target_promises(module):
    corpus = kept(module.__name__.rpartition(".")[2])
    assert corpus, "keep.py makes a corpus"
    for data in [b"", *corpus, *module.seeds(), *mutations(corpus, _SEED, module.MUTATIONS)]:
        try:
            module.target(data)
        except Exception as error:
            shown = data if len(data) < 2000 else data[:2000] + b"..."
            raise AssertionError(f"{module.__name__} on {shown!r}") from error


def test_the_corpus_stays_small():
    assert {path.name for path in CORPUS.iterdir()} == set(names())
    assert sum(path.stat().st_size for path in CORPUS.glob("*/*")) < _MOST_BYTES


def test_mutations_are_the_same_each_time_and_change_something():
    corpus = [b"R 842.1 mOhm\r\n", b"---"]
    made = list(mutations(corpus, 1, 50))
    assert made == list(mutations(corpus, 1, 50))
    assert len(set(made) - set(corpus)) > 40


@pytest.mark.parametrize(
    ("name", "patched", "wrong", "data"),
    [
        ("text", "parse_number", lambda *_a, **_k: 0, b"\x01\x0012.5"),
        ("text", "parse_unit", lambda _text: 1 / 0, b"\x02\x00mOhm"),
        ("framers", "_frames", lambda _framer, pieces: list(pieces), b"\x00\x03ab\ncd\n"),
        ("broker_input", "row_of", lambda *_a: 1 / 0, b"\x00topic\n{}"),
        ("arrivals", "cut_publishes", lambda *_a: ([], 1), b"\x00\x05\x32"),
        ("files", "Cursor", lambda *_a: type("C", (), {"delivered": -1}), b"\x04{}"),
        ("photos", "reencoded", lambda data: data, b"\x00no photo"),
        ("events", "_event", lambda _text: {"event": "job", "id": "0"}, b"\x00after=0"),
        ("photo_child", "PhotoProposals", None, b"\x00\x00\x01\x00\x07842.1 m\xce\xa9"),
        ("simulators", "_LONGEST", 2, b"\x00\x03\x28*IDN?\n"),
        ("journal_file", "begin_anew", lambda *_a, **_k: None, b"\x00\x00\x01\x00\x04\0\0\0"),
        ("side_files", "delivered_by", lambda *_a: {}, b"\x02{}"),
    ],
)
def test_a_broken_parser_is_noticed(name, patched, wrong, data, monkeypatch):
    """The targets themselves can fail: each is given a parser that breaks its word."""
    module = load(name)
    try:
        module.target(data)
        monkeypatch.setattr(module, patched, wrong)
        with pytest.raises(Exception):  # noqa: B017 - whatever a broken parser does
            module.target(data)
    finally:
        getattr(module, "close", lambda: None)()
