"""Optional parts of the program: what is said where one is not installed."""

from collections.abc import Iterator
from contextlib import contextmanager

from capture.errors import CaptureError


class MissingExtraError(CaptureError):
    """An optional part is not installed; says which one, and what to do."""


@contextmanager
def needs_extra(what: str, extra: str) -> Iterator[None]:
    """Let a missing module say what to install; ``what`` is what was to be done, as `drawing`.

    Raises:
        MissingExtraError: a module is not there.
    """
    try:
        yield
    except ModuleNotFoundError as error:
        raise MissingExtraError(
            f"{what} needs an extra ({error.name} is missing); install it: "
            f"pip install 'benchtally[{extra}]'"
        ) from error
