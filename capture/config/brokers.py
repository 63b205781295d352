"""Where readings are delivered to: a broker, how it is trusted, and as what it is spoken to."""

from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from capture.config.section import Host, Section


class TlsConfig(Section):
    """TLS to the broker: its certificate and its name are always checked."""

    ca: Path | None = None
    """Certificates of the authorities to believe, PEM; the system's own if not given."""
    certificate: Path | None = None
    """Our certificate, with those between it and its authority, PEM; where the broker wants one."""
    key: Path | None = None
    """Its private key, PEM; left out where the certificate's file holds it."""
    key_password: str = Field("", repr=False)
    """Better given by the environment or key_password_file."""
    key_password_file: Path | None = None
    """File whose text is the key's password."""

    @model_validator(mode="after")
    def _key_belongs_to_a_certificate(self) -> Self:
        if self.certificate is None and self.key is not None:
            raise ValueError("key without certificate; give both")
        return self


_SparkplugId = Annotated[str, Field(max_length=64, pattern=r"^[^+#/\x00-\x1f]*$")]


class SparkplugConfig(Section):
    """An edge node of Eclipse Sparkplug 3.0, instead of the JSON stream."""

    group: _SparkplugId = ""
    """The group's id; the site if empty."""
    node: _SparkplugId = ""
    """The edge node's id; the bench if empty."""
    primary_host: _SparkplugId = ""
    """The host application that must be online for births and data to be sent; none if empty."""


class BrokerConfig(Section):
    """An MQTT broker that readings are delivered to."""

    host: Host = "127.0.0.1"
    """Name or address of the broker."""
    port: int = Field(1883, ge=1, le=65535)
    """8883 if not given and there is a section tls."""
    version: Literal["auto", "5", "3.1.1"] = "auto"
    """MQTT version; auto tries 5 and falls back to 3.1.1."""
    client_id: str = Field("", max_length=64)
    """benchtally-SITE-BENCH if empty, with -NAME for one of several brokers."""
    username: str = ""
    """Whom the broker takes us for; anonymous if empty."""
    password: str = Field("", repr=False)
    """Better given by BENCHTALLY_BROKER__PASSWORD or password_file."""
    password_file: Path | None = None
    """File whose text is the password; relative to the configuration file."""
    tls: TlsConfig | None = None
    """How the broker is trusted; without this section the connection is not encrypted."""
    keepalive_s: int = Field(20, ge=5, le=600)
    """MQTT's keep-alive: after one and a half times as long without a word the broker gives us
    up, and sends the will."""
    window: int = Field(20, ge=1, le=200)
    """Most messages that may be unacknowledged at a time."""
    max_rate: int = Field(10_000, ge=0, le=1_000_000)
    """Most messages a second, so that a backlog leaves room for others; 0 for no limit."""
    cloudevents: bool = True
    """Send the attributes of CloudEvents 1.0 as user properties, where the broker takes MQTT 5."""
    dead_letters: int = Field(1000, ge=1, le=1_000_000)
    """With so many refused messages on the list, delivery pauses until a person has looked."""
    retry_s: float = Field(30.0, ge=0.05, le=3600)
    """Seconds between attempts while the broker does not allow us to publish."""
    sparkplug: SparkplugConfig | None = None
    """Be a Sparkplug edge node at this broker, where this section stands."""
    process: Literal["process", "thread"] = "process"
    """Run the publisher as a process of its own (default), or as a thread of the daemon."""

    @model_validator(mode="before")
    @classmethod
    def _usual_port(cls, given: Any) -> Any:
        if isinstance(given, dict) and given.get("tls") is not None and "port" not in given:
            return given | {"port": 8883}
        return given
