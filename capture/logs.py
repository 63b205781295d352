"""Logs: structlog to standard error, as text for a person or as JSON for a machine.

Events are named ``part.what_happened``; everything else stands in fields. Values from instruments
are given with ``repr``, so nothing they send reaches a terminal raw.
"""

import logging
import sys
from typing import Any

import structlog

_LEVELS = {"debug": 10, "info": 20, "warning": 30, "error": 40}


def configure_logs(level: str, form: str) -> None:
    """Set up logging for this process."""
    shared: list[Any] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        _printable,
    ]
    if form == "json":
        shared += [structlog.processors.format_exc_info, structlog.processors.JSONRenderer()]
    else:
        # Plain: the library's usual one prints local variables, a password among them.
        renderer = structlog.dev.ConsoleRenderer(
            colors=sys.stderr.isatty(), exception_formatter=structlog.dev.plain_traceback
        )
        shared.append(renderer)
    structlog.configure(
        processors=shared,
        wrapper_class=structlog.make_filtering_bound_logger(_LEVELS[level]),
        logger_factory=structlog.WriteLoggerFactory(file=sys.stderr),
        cache_logger_on_first_use=False,
    )
    logging.basicConfig(level=logging.WARNING, stream=sys.stderr, format="%(message)s")


def _printable(_logger: object, _method: str, event: Any) -> Any:
    """Keep control characters, and so terminal escapes, out of the log."""
    for key, value in event.items():
        if isinstance(value, str) and not value.isprintable():
            event[key] = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in value)
    return event
