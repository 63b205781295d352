"""The extras, and what each brings, by the names under which Python imports it."""

from importlib.util import find_spec

_WEB = ("argon2", "fastapi", "jinja2", "matplotlib", "PIL", "prometheus_client", "uvicorn")
_RECORDS = ("font_source_sans_pro", "jinja2", "matplotlib", "pikepdf", "segno", "typst")
MODULES = {
    "web": _WEB,
    "photo": ("PIL",),
    "records": _RECORDS,
    "export": ("pyarrow", "xlsxwriter"),
    "sparkplug": ("google.protobuf",),
    "historian": ("psycopg",),
    "demo": ("amqtt", *sorted({*_WEB, *_RECORDS})),
}


def missing(extra: str) -> list[str]:
    """Give the modules of an extra that are not installed; imports none of them."""
    return [name for name in MODULES[extra] if not _is_there(name)]


def _is_there(module: str) -> bool:
    try:
        return find_spec(module) is not None
    except ModuleNotFoundError:  # not even the package above it
        return False
