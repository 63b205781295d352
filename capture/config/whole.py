"""A whole configuration: its sections, where its paths lead, and who the broker takes us for."""

from pathlib import Path
from typing import Any

from pydantic import Field, field_validator
from pydantic_settings import SettingsConfigDict

from capture.config.bench import EvidenceConfig, JobsConfig, JournalConfig, LogConfig, RecordsConfig
from capture.config.brokers import BrokerConfig
from capture.config.instruments import EquipmentConfig, InstrumentConfig
from capture.config.settings_file import FileSettings
from capture.config.web import WebConfig
from capture.errors import ConfigError
from capture.model.fields import Slug
from capture.model.names import BROKER


class Config(FileSettings):
    """A whole configuration."""

    model_config = SettingsConfigDict(
        env_prefix="BENCHTALLY_",
        env_nested_delimiter="__",
        extra="forbid",
        frozen=True,
    )

    site: Slug
    """The site, as it stands in topics."""
    bench: Slug
    """The bench, as it stands in topics."""
    journal: JournalConfig = JournalConfig()
    """Where readings are stored."""
    broker: BrokerConfig = BrokerConfig()
    """The broker; where there are only several by name, this one is none of them."""
    brokers: dict[Slug, BrokerConfig] = Field(default_factory=dict)
    """More brokers, each by a name; each gets everything, at its own pace."""
    log: LogConfig = LogConfig()
    """What is logged, and how."""
    evidence: EvidenceConfig = EvidenceConfig()
    """Where photos are kept."""
    jobs: JobsConfig = JobsConfig()
    """How jobs are done at this bench."""
    records: RecordsConfig = RecordsConfig()
    """How records are written."""
    web: WebConfig | None = None
    """Pages and HTTP API; none are served where this section does not stand."""
    limits: dict[str, dict[str, Any]] = Field(default_factory=dict)
    """The site's own limits: by name, with value, source, and whether the site adopts it."""
    instruments: dict[Slug, InstrumentConfig] = Field(default_factory=dict)
    """The instruments to capture, each by its name on this bench."""
    equipment: dict[Slug, EquipmentConfig] = Field(default_factory=dict)
    """What is known of instruments, by name: those above, and displays that are only read off."""

    @property
    def folder(self) -> Path:
        """Folder of the configuration file, where its relative paths start."""
        return self._folder

    @property
    def journal_path(self) -> Path:
        """The journal's file, absolute."""
        return (self.folder / self.journal.path).absolute()

    @property
    def evidence_path(self) -> Path:
        """The folder of photos, absolute."""
        if self.evidence.path is not None:
            return (self.folder / self.evidence.path).absolute()
        return self.journal_path.with_name(self.journal_path.name + ".evidence")

    @property
    def publishers(self) -> dict[str, BrokerConfig]:
        """The brokers to deliver to, by name; ``[broker]`` is called ``broker``."""
        if self.brokers and "broker" not in self.model_fields_set:
            return self.brokers
        return {BROKER: self.broker, **self.brokers}

    @property
    def access_path(self) -> Path:
        """The file of operators and sessions, absolute."""
        return self.journal_path.with_name(self.journal_path.name + ".operators")

    @property
    def client_id(self) -> str:
        """The MQTT client id for ``[broker]``."""
        return self.client_id_of(BROKER)

    def client_id_of(self, name: str) -> str:
        """Give the MQTT client id for a broker.

        It is the same at each start, so that the broker ends a connection it still believes in.
        """
        usual = f"benchtally-{self.site}-{self.bench}"
        if name == BROKER:
            return self.broker.client_id or usual
        return self.brokers[name].client_id or f"{usual}-{name}"

    def password(self, name: str = BROKER) -> str:
        """Give the password for a broker, from the file named for it if there is one.

        Raises:
            ConfigError: the file cannot be read.
        """
        broker = self.broker if name == BROKER else self.brokers[name]
        path = broker.password_file
        if path is None:
            return broker.password
        try:
            return (self.folder / path).read_text("utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            where = name if name == BROKER else f"brokers.{name}"
            raise ConfigError([f"{where}.password_file: {path} cannot be read: {error}"]) from error

    @field_validator("brokers")
    @classmethod
    def _names_are_free(cls, brokers: dict[str, BrokerConfig]) -> dict[str, BrokerConfig]:
        if BROKER in brokers:
            raise ValueError(f"the name {BROKER} is that of the section [{BROKER}]")
        return brokers
