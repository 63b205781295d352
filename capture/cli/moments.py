"""Moments as they are typed on the command line."""

from datetime import datetime

from capture.errors import InputError


def moment(option: str, text: str) -> datetime:
    """Read a date, or a date and time; UTC where no zone is given.

    Raises:
        InputError: it is none; names the option.
    """
    from capture.model.fields import as_utc

    try:
        return as_utc(datetime.fromisoformat(text))
    except ValueError as error:
        raise InputError(
            f"{option} {text!r} is no time such as 2026-01-31 or 2026-01-31T08:00"
        ) from error
