"""What a publisher is told when it starts, as one line of JSON."""

from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict

from capture.config import Config


class PublisherSettings(BaseModel):
    """Everything one publisher needs; handed over on its standard input, so secrets stay there."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    journal: Path
    cursor: Path
    site: str
    bench: str
    host: str
    port: int
    version: Literal["auto", "5", "3.1.1"]
    client_id: str
    username: str
    password: str
    keepalive_s: int
    window: int
    drain_s: float = 3.0
    """How long a stopping publisher goes on delivering."""

    @classmethod
    def of(cls, config: Config) -> "PublisherSettings":
        """Take them from a configuration.

        Raises:
            ConfigError: the password file cannot be read.
        """
        broker, journal = config.broker, config.journal_path
        return cls(
            journal=journal,
            cursor=journal.with_name(journal.name + ".delivered"),
            site=config.site,
            bench=config.bench,
            host=broker.host,
            port=broker.port,
            version=broker.version,
            client_id=config.client_id,
            username=broker.username,
            password=config.password(),
            keepalive_s=broker.keepalive_s,
            window=broker.window,
        )
