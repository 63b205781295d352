"""A record as one page that needs nothing else: style, pictures and photos stand inside."""

import base64
from functools import cache
from importlib.resources import files
from typing import Any

from capture.extras import needs_extra
from capture.records.pages import Pages

_TYPES = {"svg": "image/svg+xml", "jpg": "image/jpeg"}


def html_of(pages: Pages) -> bytes:
    """Draw a record as a page; all that is put in is escaped.

    Raises:
        MissingExtraError: the part that draws records is not installed.
    """
    inside = {name: _inside(name, data) for name, data in pages.files.items()}
    return str(_template().render(s=pages.sheet, files=inside)).encode()


def _inside(name: str, data: bytes) -> str:
    kind = _TYPES[name.rpartition(".")[2]]
    return f"data:{kind};base64,{base64.b64encode(data).decode()}"


@cache
def _template() -> Any:
    with needs_extra("drawing records", "records"):
        import jinja2  # noqa: PLC0415 - an extra
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    return environment.from_string((files("capture.records") / "record.html").read_text("utf-8"))
