"""Readings, and steps taken by the command line."""

from datetime import UTC, datetime


def now():
    return datetime.now(UTC)


def ohms(draft, value, **members):
    """A reading of now, as an instrument on the bench gives it."""
    return draft(time=now(), value=value, digits=f"{value * 1000:.1f}", **members)


def taken(jobs, draft, step, value):
    """Take a resistance for a step, and say that the current was zero."""
    jobs.store(ohms(draft, value))
    jobs.act("take", step)
    jobs.act("ramped-down")
