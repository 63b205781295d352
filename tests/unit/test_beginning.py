"""Nothing is looked for among what a process begins with, and everything afterwards is."""

import gc

import pytest

from capture.beginning import nothing_is_rubbish


@pytest.fixture(autouse=True)
def as_before():
    yield
    gc.unfreeze()
    gc.enable()


def test_what_is_made_within_is_put_aside_and_what_comes_later_is_not():
    with nothing_is_rubbish():
        assert not gc.isenabled()
        kept = [[] for _ in range(1000)]
    assert gc.isenabled()
    assert gc.get_freeze_count() > len(kept)
    looked_at = {id(each) for each in gc.get_objects()}
    assert not looked_at & {id(each) for each in kept}
    later = []
    assert id(later) in {id(each) for each in gc.get_objects()}


def test_a_beginning_that_fails_leaves_it_on():
    with pytest.raises(OSError, match="no journal"), nothing_is_rubbish():
        raise OSError("no journal")
    assert gc.isenabled()


def test_one_who_has_it_off_keeps_it_off():
    gc.disable()
    with nothing_is_rubbish():
        pass
    assert not gc.isenabled()
