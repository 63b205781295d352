"""Optional parts of the program: what each brings, and what is said where one is missing."""

from collections.abc import Iterator, Sequence
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
    "historian": ("prometheus_client", "psycopg"),
    "demo": ("amqtt", *sorted({*_WEB, *_RECORDS})),
}


class MissingExtraError(CaptureError):
    """An optional part is not installed; says which one, and what to do."""

    def __init__(self, what: str, extra: str, lacking: Sequence[str]) -> None:
        super().__init__(
            f"{what} needs an extra ({', '.join(lacking)} missing); install it: "
            f"pip install 'benchtally[{extra}]'"
        )


@contextmanager
def needs_extra(what: str, extra: str) -> Iterator[None]:
    """Let a missing module say what to install; ``what`` is what was to be done.

    Raises:
        MissingExtraError: a module is not there.
    """
    try:
        yield
    except ModuleNotFoundError as error:
        raise MissingExtraError(what, extra, [error.name or "a part of it"]) from error


def require_extra(what: str, extra: str, *, but: Sequence[str] = ()) -> None:
    """Look whether all modules of an extra are there; those in ``but`` are not asked for.

    Raises:
        MissingExtraError: one is not.
    """
    lacking = [name for name in missing(extra) if name not in but]
    if lacking:
        raise MissingExtraError(what, extra, lacking)


def missing(extra: str) -> list[str]:
    """Give the modules of an extra that are not installed; imports none of them."""
    return [name for name in MODULES[extra] if not _is_there(name)]


def _is_there(module: str) -> bool:
    try:
        return find_spec(module) is not None
    except ModuleNotFoundError:  # not even the package above it
        return False
