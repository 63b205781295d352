"""What tests of reading photos share: the recogniser, loaded once a process."""

import functools

import pytest

from capture.photo.engine import TextEngine


@functools.cache
def _engine():
    return TextEngine()


@pytest.fixture
def engine():
    """The text recogniser."""
    return _engine()
