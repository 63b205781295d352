"""From a configuration to a desk, and to the thread that captures hands-free."""

from collections.abc import Callable

from capture.clock import Clock
from capture.config import Config
from capture.errors import ConfigError
from capture.jobs.desk import Desk
from capture.jobs.following import JobWatcher
from capture.jobs.results import ResultCache
from capture.jobs.service import Append
from capture.jobs.watcher import JobWatch
from capture.journal import JournalReader
from capture.winding import WindingError
from capture.winding.limits import load_limits


def check_limits(config: Config) -> None:
    """Let the site's limits pass if all of them can be taken.

    Raises:
        ConfigError: one is not known, or says something that a limit cannot say.
    """
    try:
        load_limits(site=config.limits)
    except WindingError as error:
        raise ConfigError([f"limits: {error}"]) from error


def make_desk(
    config: Config,
    reader: JournalReader,
    append: Append,
    clock: Clock,
    cache: ResultCache | None = None,
) -> Desk:
    """Make the desk of a bench over a reader, which belongs to the thread that uses the desk.

    Raises:
        ConfigError: the site's limits cannot be taken.
    """
    check_limits(config)
    return Desk(
        reader,
        append,
        clock,
        config.site,
        config.bench,
        site_limits=config.limits,
        energy_limit_joules=config.jobs.energy_limit_joules,
        reference_celsius=config.jobs.reference_celsius,
        cache=cache,
    )


def make_watcher(
    config: Config,
    append: Append,
    clock: Clock,
    on_change: Callable[[], None],
    cache: ResultCache,
) -> JobWatcher:
    """Make the thread that captures hands-free."""

    def make(reader: JournalReader) -> JobWatch:
        return JobWatch(
            make_desk(config, reader, append, clock, cache),
            clock,
            relative_uncertainty=config.jobs.relative_uncertainty,
            longest_time_constant=config.jobs.longest_time_constant_s,
        )

    return JobWatcher(config.journal_path, make, clock, on_change)
