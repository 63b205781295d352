"""What the HTTP API stands on: one running bench, as far as requests need it."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from typing import Any

from capture.access.gate import Access
from capture.clock import Clock
from capture.config import Config
from capture.jobs.desk import Desk
from capture.jobs.results import ResultCache
from capture.jobs.service import Append
from capture.jobs.setup import make_desk
from capture.jobs.watcher import Watch
from capture.journal import JournalReader
from capture.operation import Facts
from capture.photo.store import EvidenceStore
from capture.photo.worker import PhotoReader
from capture.records.keeper import RecordKeeper
from capture.web.changes import Changes


@dataclass(frozen=True, slots=True)
class Bench:
    """One running bench.

    Attributes:
        append: stores entries; returns after the commit.
        changes: wakes the streams at every commit and change.
        instruments: how every instrument is now, as it is published.
        watch: what hands-free capture sees now; None where it is off.
        access: who may come in, and who is in.
        facts: what is known of the running bench; for its health and its metrics.
        cache: results of jobs that were computed before.
        photos: reads photos of displays and labels, in a process that the first one starts.
    """

    config: Config
    clock: Clock
    append: Append
    changes: Changes
    instruments: Callable[[], Sequence[dict[str, Any]]]
    watch: Callable[[], Watch | None]
    access: Access
    facts: Callable[[], Facts] = Facts
    cache: ResultCache = field(default_factory=ResultCache)
    photos: PhotoReader = field(default_factory=PhotoReader)

    @contextmanager
    def reader(self) -> Iterator[JournalReader]:
        """Give a reader of the journal to one thread, for one request."""
        reader = JournalReader(self.config.journal_path)
        try:
            yield reader
        finally:
            reader.close()

    @contextmanager
    def desk(self) -> Iterator[Desk]:
        """Give a desk to one thread, for one request."""
        with self.reader() as reader:
            yield make_desk(self.config, reader, self.append, self.clock, self.cache)

    def close(self) -> None:
        """End what requests have started."""
        self.photos.close()
        self.access.close()

    def keeper(self, desk: Desk) -> RecordKeeper:
        """Give what makes and gives records, over a desk of one request."""
        return RecordKeeper(desk, self.append, self.config, self.clock)

    def instruments_now(self, reader: JournalReader) -> list[dict[str, Any]]:
        """Give every instrument as it is published, with its ``last`` readings, by name.

        One that is only keyed by hand has no state.
        """
        found = {state["instrument"]: {**state, "last": []} for state in self.instruments()}
        for reading in reader.last_readings():
            name = reading["instrument"]
            found.setdefault(name, {"instrument": name, "state": None, "last": []})
            found[name]["last"].append(reading)
        return [found[name] for name in sorted(found)]

    def watch_now(self) -> dict[str, Any] | None:
        """Give what hands-free capture sees, as members; None where it is off."""
        seen = self.watch()
        return None if seen is None else {**asdict(seen), "job": seen.job and str(seen.job)}

    @property
    def insecure(self) -> bool:
        """Whether a network is served without TLS; every page says so."""
        return self.access.settings.plain_on_network

    @property
    def tls(self) -> bool:
        """Whether it is served over TLS."""
        return self.access.settings.tls_certificate is not None

    @property
    def cookie(self) -> str:
        """Name of the session's cookie; two benches of one host do not log each other out.

        The prefix makes browsers refuse one that was set without TLS, or for other hosts as well.
        """
        name = f"benchtally-{self.config.bench}"
        return f"__Host-{name}" if self.tls else name

    @property
    def evidence(self) -> EvidenceStore:
        """The photos of this bench."""
        return EvidenceStore(self.config.evidence_path)
