"""What a parser of outside text may raise: an error of the core whose text is for a person."""

from contextlib import contextmanager

from capture.errors import ConfigError, InputError


@contextmanager
def refused_in_words(*kinds):
    """Let the errors pass by which a person is told; each must be one line."""
    kinds = kinds or (ConfigError, InputError)
    try:
        yield
    except kinds as error:
        lines = error.faults if isinstance(error, ConfigError) else [str(error)]
        assert lines
        for line in lines:
            assert line
            assert not set(line) & set("\n\r"), repr(line)
