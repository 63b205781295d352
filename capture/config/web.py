"""Who is served the pages and the HTTP API, and how."""

import ipaddress
import re
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from capture.config.section import Section


class WebConfig(Section):
    """The HTTP API and the pages. Served where this section stands in the configuration."""

    host: str = Field("127.0.0.1", min_length=1, max_length=255)
    """Address to listen on; if not given, this computer only."""
    port: int = Field(8470, ge=0, le=65535)
    """Port; 0 takes one that is free, and says which."""
    metrics: Literal["loopback", "session", "off"] = "loopback"
    """Who may read /metrics: programs on this computer, whoever may see the pages, or nobody."""
    hosts: Annotated[tuple[str, ...], Field(max_length=32)] = ()
    """Names and addresses, without a port, under which this host is reached besides ``host``."""
    tls_certificate: Path | None = None
    """Certificate chain, PEM; relative to the configuration file."""
    tls_key: Path | None = None
    """Private key of the certificate, PEM, without a passphrase."""
    insecure: bool = False
    """Serve a network without TLS: whoever can listen there can read and take over sessions. Every
    page says so."""
    session_idle_minutes: float = Field(240, gt=0, le=10_080)
    """A session ends after so long without a request."""
    session_longest_hours: float = Field(14, gt=0, le=168)
    """A session ends after so long in any case."""

    @field_validator("hosts")
    @classmethod
    def _names_without_port(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        for name in names:
            if not re.fullmatch(r"[A-Za-z0-9]([A-Za-z0-9.-]{0,253}[A-Za-z0-9])?", name):
                try:
                    ipaddress.IPv6Address(name)
                except ValueError:
                    raise ValueError(
                        f"found {name!r}, expected a name or an address without a port, as in "
                        "bench-1.plant.example or 192.0.2.7"
                    ) from None
        return names

    @model_validator(mode="after")
    def _fit_for_its_network(self) -> Self:
        if (self.tls_certificate is None) != (self.tls_key is None):
            raise ValueError("tls_certificate and tls_key belong together; give both or neither")
        if self.on_loopback:
            return self
        if self.tls_certificate is None and not self.insecure:
            raise ValueError(
                f"host {self.host} is reached over a network; give tls_certificate and tls_key, "
                "or, where nobody can listen on that network, insecure = true"
            )
        if self.host in ("0.0.0.0", "::") and not self.hosts:  # noqa: S104 - compared, not bound
            raise ValueError(
                f"host {self.host} stands for every address of this computer; list in hosts the "
                'names and addresses that are used, as in hosts = ["192.0.2.7"]'
            )
        return self

    @property
    def on_loopback(self) -> bool:
        """Whether only programs of this computer can connect."""
        if self.host.lower() == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def for_others(self) -> bool:
        """Whether others than who sits at this computer are expected, through a relay as well."""
        return not self.on_loopback or bool(self.hosts)

    @property
    def plain_on_network(self) -> bool:
        """Whether a network is served without TLS, which every page says."""
        return not self.on_loopback and self.tls_certificate is None

    @property
    def names(self) -> frozenset[str]:
        """Names that this host answers to besides those of the loopback."""
        return frozenset(name.lower() for name in (self.host, *self.hosts))
