"""Optional parts of the program: what each brings, and what is said where one is missing."""

from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec

from capture.errors import CaptureError

_WEB = ("argon2", "fastapi", "jinja2", "matplotlib", "PIL", "prometheus_client", "uvicorn")
_RECORDS = ("font_source_sans_pro", "jinja2", "matplotlib", "pikepdf", "segno", "typst")
#: What each extra brings, by the names under which Python imports it.
MODULES = {
    "web": _WEB,
    "photo": ("PIL", "cv2", "onnxruntime", "rapidocr", "zxingcpp"),
    "records": _RECORDS,
    "export": ("pyarrow", "xlsxwriter"),
    "sparkplug": ("google.protobuf",),
    "historian": ("psycopg",),
    "demo": ("amqtt", *sorted({*_WEB, *_RECORDS})),
}


class MissingExtraError(CaptureError):
    """An optional part is not installed; says which one, and what to do."""


@contextmanager
def needs_extra(what: str, extra: str) -> Iterator[None]:
    """Let a missing module say what to install; ``what`` is what was to be done.

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


def missing(extra: str) -> list[str]:
    """Give the modules of an extra that are not installed; imports none of them."""
    return [name for name in MODULES[extra] if not _is_there(name)]


def _is_there(module: str) -> bool:
    try:
        return find_spec(module) is not None
    except ModuleNotFoundError:  # not even the package above it
        return False
