"""What a publisher is told when it starts, as one line of JSON."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pydantic import BaseModel, ConfigDict, Field

from capture.extras import require_extra
from capture.publish.files import Files

if TYPE_CHECKING:
    from capture.config import BrokerConfig, Config, TlsConfig


class TlsSettings(BaseModel):
    """What TLS needs; paths are absolute."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    ca: Path | None
    certificate: Path | None
    key: Path | None
    key_password: str = Field(repr=False)
    key_password_file: Path | None

    @classmethod
    def of(
        cls, tls: "TlsConfig | None", whole: Callable[[Path | None], Path | None]
    ) -> "TlsSettings | None":
        """Take those of a section, which may be missing; ``whole`` makes a path absolute."""
        if tls is None:
            return None
        return cls(
            ca=whole(tls.ca),
            certificate=whole(tls.certificate),
            key=whole(tls.key),
            key_password=tls.key_password,
            key_password_file=whole(tls.key_password_file),
        )


class SparkplugSettings(BaseModel):
    """What a publisher needs that is a Sparkplug edge node."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    group: str
    node: str
    primary_host: str


class PublisherSettings(BaseModel):
    """Everything one publisher needs; handed over on its standard input, so secrets stay there."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    journal: Path
    cursor: Path
    letters: Path
    site: str
    bench: str
    host: str
    port: int
    version: Literal["auto", "5", "3.1.1"]
    client_id: str
    username: str
    password: str = Field(repr=False)
    password_file: Path | None
    tls: TlsSettings | None
    keepalive_s: int
    window: int
    max_rate: int
    cloudevents: bool
    dead_letters: int
    retry_s: float
    sparkplug: SparkplugSettings | None = None
    """Instead of the JSON stream."""
    drain_s: float = 3.0
    """How long a stopping publisher goes on delivering."""

    @classmethod
    def of(cls, config: "Config", name: str) -> "PublisherSettings":
        """Take those of one publisher from a configuration.

        Raises:
            ConfigError: the password file cannot be read.
            MissingExtraError: an extra that the broker needs is not installed.
        """
        broker = config.publishers[name]
        config.password(name)  # so that a missing file is found before anything starts
        files = Files.of(config.journal_path, name)
        return cls(
            name=name,
            journal=config.journal_path,
            cursor=files.cursor,
            letters=files.letters,
            site=config.site,
            bench=config.bench,
            host=broker.host,
            port=broker.port,
            version=broker.version,
            client_id=config.client_id_of(name),
            username=broker.username,
            password=broker.password,
            password_file=config.whole(broker.password_file),
            tls=TlsSettings.of(broker.tls, config.whole),
            keepalive_s=broker.keepalive_s,
            window=broker.window,
            max_rate=broker.max_rate,
            cloudevents=broker.cloudevents,
            dead_letters=broker.dead_letters,
            retry_s=broker.retry_s,
            sparkplug=_sparkplug(config, broker),
        )


def _sparkplug(config: "Config", broker: "BrokerConfig") -> SparkplugSettings | None:
    if broker.sparkplug is None:
        return None
    require_extra("sparkplug", "sparkplug")
    return SparkplugSettings(
        group=broker.sparkplug.group or config.site,
        node=broker.sparkplug.node or config.bench,
        primary_host=broker.sparkplug.primary_host,
    )
