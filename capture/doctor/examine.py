"""Everything that is looked at, in the order in which one thing rests on another."""

from collections.abc import Iterator
from pathlib import Path

from capture.clock import Clock
from capture.config import Config, find_config, load_config
from capture.doctor import bench, broker, host, storage, web
from capture.doctor.finding import Finding, ok, wrong
from capture.errors import ConfigError


def examine(given: Path | None, clock: Clock) -> Iterator[Finding]:
    """Look at this host and at the bench that a configuration describes.

    Nothing is sent to an instrument, no port is opened and no file is written. The brokers are
    connected to.
    """
    yield from host.versions()
    config: Config | None = None
    try:
        path = find_config(given)
        config = load_config(path)
        yield ok("configuration", f"{path}: {len(config.instruments)} instruments")
    except ConfigError as error:
        for fault in error.faults:
            yield wrong("configuration", fault)
    yield from host.extras(config)
    yield from bench.drivers(config)
    if config is None:
        yield host.clock(clock, None)
        return
    daemon = bench.daemon_of(config.journal_path)
    running = "none runs" if daemon is None else f"process {daemon}"
    yield ok("daemon", f"{running} on this journal")
    yield from bench.ports(config, daemon)
    yield from storage.disk(config)
    looked_over, newest = storage.journal(config.journal_path)
    yield looked_over
    yield host.clock(clock, newest)
    yield from broker.brokers(config, clock)
    yield from web.web(config, daemon)
