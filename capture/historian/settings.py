"""The historian's own file: it stands beside a broker and a database, not on a bench.

Each value can also come from the environment as ``BENCHTALLY_HISTORIAN_`` plus its key path with
``__`` between the parts (``BENCHTALLY_HISTORIAN_DATABASE__PASSWORD``); the environment wins.
"""

from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_settings import (
    SettingsConfigDict,
)

from capture.config import LogConfig, TlsConfig
from capture.config.settings_file import FileSettings, find_file, read_settings

FILE_NAME = "benchtally-historian.toml"


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class BrokerSource(_Section):
    """The broker to listen to; MQTT 5 only."""

    host: str = Field("127.0.0.1", min_length=1, max_length=255)
    """Name or address of the broker."""
    port: int = Field(1883, ge=1, le=65535)
    """8883 if not given and there is a section tls."""
    username: str = ""
    """Whom the broker takes us for; anonymous if empty."""
    password: str = Field("", repr=False)
    """Better given by BENCHTALLY_HISTORIAN_BROKER__PASSWORD or password_file."""
    password_file: Path | None = None
    """File whose text is the password; relative to the historian's file."""
    tls: TlsConfig | None = None
    """How the broker is trusted; without this section the connection is not encrypted."""
    keepalive_s: int = Field(20, ge=5, le=600)
    """MQTT's keep-alive: after one and a half times as long without a word the broker gives us
    up."""
    session_expiry_s: int = Field(30 * 86_400, ge=60, le=0xFFFF_FFFE)
    """How long the broker keeps what a slot has not taken while nobody serves it."""
    max_packet: int = Field(262_144, ge=4096, le=16_777_216)
    """Largest packet that the broker may send, bytes."""

    @model_validator(mode="before")
    @classmethod
    def _usual_port(cls, given: Any) -> Any:
        if isinstance(given, dict) and given.get("tls") is not None and "port" not in given:
            return given | {"port": 8883}
        return given


class Database(_Section):
    """The PostgreSQL database to write to."""

    conninfo: str = "dbname=benchtally"
    """libpq's words, as in "host=db.example dbname=benchtally user=historian sslmode=verify-full";
    without the password."""
    password: str = Field("", repr=False)
    """Better given by BENCHTALLY_HISTORIAN_DATABASE__PASSWORD or password_file."""
    password_file: Path | None = None
    """File whose text is the password; relative to the historian's file."""
    batch: int = Field(2000, ge=1, le=20_000)
    """Most messages in one transaction; twice as many may be unacknowledged."""


class Gaps(_Section):
    """Looking for holes in the sequence numbers, and asking benches for what is missing."""

    every_s: float = Field(30.0, ge=0.1, le=86_400)
    """Seconds between looks."""
    wait_s: float = Field(60.0, ge=0, le=86_400)
    """How long a hole must have been open before it is asked for: it may be on its way."""
    tries: int = Field(5, ge=1, le=100)
    """Times a hole is asked for before it is given up, which `historian gaps` shows."""
    requests: int = Field(4, ge=1, le=1000)
    """Most requests to one bench at a look."""


class Bounds(_Section):
    """What of one bench is kept besides what it captured; what is beyond is refused, and told.

    Nothing that was captured is refused: readings and entries that come are always stored.
    """

    benches: int = Field(1000, ge=1, le=100_000)
    """Benches whose state is heard; of more, entries are stored and nothing is compared."""
    journals: int = Field(100, ge=2, le=100_000)
    """Journals of a bench that are known; those that were wholly compared make room for others."""
    instruments: int = Field(1000, ge=1, le=10_000)
    """Instruments of a bench up to which its lists add any that sent nothing yet."""
    missing: int = Field(10_000, ge=1, le=1_000_000)
    """Missing entries of a bench, given up or not, at which no further list is asked for."""


class Metrics(_Section):
    """Answers about the worker itself, for programs on this computer only; off without a port."""

    port: int | None = Field(None, ge=1, le=65535)
    """Port at 127.0.0.1 for /metrics (OpenMetrics) and /health; each process needs its own, as
    by BENCHTALLY_HISTORIAN_METRICS__PORT."""


class HistorianConfig(FileSettings):
    """Everything that a historian's worker needs."""

    model_config = SettingsConfigDict(
        env_prefix="BENCHTALLY_HISTORIAN_",
        env_nested_delimiter="__",
        extra="forbid",
        frozen=True,
    )

    group: Annotated[str, Field(pattern=r"^[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?$")] = "historian"
    """Workers with the same group share the stream; it is part of the slots' client ids."""
    slots: int = Field(1, ge=1, le=64)
    """How many share the stream. Each needs a process that serves it, always."""
    broker: BrokerSource = BrokerSource()
    """Where the stream comes from."""
    database: Database = Database()
    """Where it goes."""
    gaps: Gaps = Gaps()
    """How holes in it are looked for."""
    bounds: Bounds = Bounds()
    """What of one bench is kept besides what it captured."""
    metrics: Metrics = Metrics()
    """Where the worker says how it is."""
    log: LogConfig = LogConfig()
    """What is logged, and how."""

    def client_id(self, slot: int) -> str:
        """Give the client id of a slot: always the same, or its share of the stream is lost."""
        return f"benchtally-{self.group}-{slot}"

    @classmethod
    def load(cls, given: Path | None = None) -> Self:
        """Read and check a file: the one given, ``./benchtally-historian.toml``, or the user's own.

        Raises:
            ConfigError: one line per fault, each with file, key path, what was found and expected.
        """
        return read_settings(cls, find_file(FILE_NAME, given))
