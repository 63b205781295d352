"""The configuration file: TOML, checked whole, one line per fault.

Each value can also come from the environment as ``BENCHTALLY_`` plus its key path with ``__``
between the parts (``BENCHTALLY_BROKER__PASSWORD``); the environment wins over the file, so that a
secret need not stand in it.
"""

import ipaddress
import os
import re
import tomllib
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationError,
    field_validator,
    model_validator,
)
from pydantic_settings import (
    BaseSettings,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
    SettingsError,
)

from capture.driver.faults import fault_lines
from capture.errors import ConfigError
from capture.model.fields import Line, Slug
from capture.model.names import BROKER
from capture.settings_text import toml_table

FILE_NAME = "benchtally.toml"


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=False)

    @field_validator("*")
    @classmethod
    def _without_nul(cls, value: object) -> object:
        if isinstance(value, str | Path) and "\0" in str(value):
            raise ValueError("holds a NUL character, which no name and no path may")
        return value


#: What stands where a computer is named; blanks and `mqtt://` are met most.
_Host = Annotated[str, Field(min_length=1, max_length=255, pattern=r"^[^\s/@]+$")]


class _LineSettings(_Section):
    """How a serial line is set, wherever its port is."""

    baud: int = Field(9600, ge=50, le=4_000_000)
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop_bits: float = 1
    """1, 1.5 or 2; where a system knows no 1.5, it sends 2, which every receiver takes."""
    flow: Literal["none", "xon-xoff", "rts-cts", "dsr-dtr"] = "none"
    dtr: bool | None = None
    """Level to set on opening; opto-isolated cables draw their supply from DTR and RTS."""
    rts: bool | None = None
    settle_s: float = Field(0.0, ge=0, le=2)
    """Seconds to wait after setting the lines before a byte is believed."""
    quiet_s: float = Field(0.1, ge=0.01, le=0.25)
    """Silence after which a drained port counts as quiet."""

    @field_validator("stop_bits")
    @classmethod
    def _stop_bits_exist(cls, count: float) -> float:
        if count not in (1, 1.5, 2):
            raise ValueError(f"found {count}, expected 1, 1.5 or 2")
        return count


class SerialSettings(_LineSettings):
    """How a serial port is opened."""

    kind: Literal["serial"] = "serial"
    port: str = Field(min_length=1)
    """A path (/dev/ttyUSB0, /dev/serial/by-id/…, COM3), or a USB identity that stays the same in
    any socket (usb:VID:PID:SERIAL; usb:VID:PID where the adapter has no serial number)."""


class Rfc2217Settings(_LineSettings):
    """A serial port of another computer or of a converter that speaks RFC 2217."""

    kind: Literal["rfc2217"] = "rfc2217"
    host: str = Field(min_length=1, max_length=255, pattern=r"^[A-Za-z0-9_.:%-]+$")
    port: int = Field(2217, ge=1, le=65535)
    """Each converter has its own; no port is reserved for RFC 2217."""
    flow: Literal["none", "xon-xoff", "rts-cts"] = "none"
    negotiation_s: float = Field(3.0, gt=0, le=30)
    """How long the converter may take to agree to a setting."""
    lines_unanswered: bool = False
    """For converters that do not confirm DTR, RTS and flow control: set them and go on."""
    keepalive_s: int = Field(10, ge=1, le=3600)
    """Idle seconds after which the host asks whether the converter is still there."""


class TcpSettings(_Section):
    """Where to connect."""

    kind: Literal["tcp"] = "tcp"
    host: _Host
    port: int = Field(5025, ge=1, le=65535)
    """SCPI instruments listen on 5025."""
    connect_timeout_s: float = Field(3.0, gt=0, le=30)
    keepalive_s: int = Field(10, ge=1, le=3600)
    """Idle seconds after which the host asks whether the instrument is still there."""


class UnixSettings(_Section):
    """A stream socket of a program on this host that speaks for an instrument."""

    kind: Literal["unix"] = "unix"
    path: str = Field(min_length=1, max_length=107)
    connect_timeout_s: float = Field(3.0, gt=0, le=30)


#: usb:VID:PID, with the serial number and the interface where they are needed to tell apart.
USB_IDENTITY = (
    r"usb:(?P<vendor>[0-9a-f]{4}):(?P<product>[0-9a-f]{4})"
    r"(?::(?P<serial>.*?))?(?::(?P<interface>[0-9]{1,3}))?"
)


class UsbtmcSettings(_Section):
    """A USB test and measurement device."""

    kind: Literal["usbtmc"] = "usbtmc"
    device: str
    """usb:VID:PID:SERIAL, with :INTERFACE at the end where a device has several; it is found in
    any socket. Or /dev/usbtmcN, to go through Linux' own driver."""
    io_timeout_s: float = Field(1.0, ge=0.1, le=10)
    """How long the device may take to accept a message or to answer a control request."""
    trailing_line_feed: bool = True
    """End every message that is sent with a line feed; some devices wait for one."""
    ren: Literal["yes", "no", "auto"] = "auto"
    """Remote enable. It may lock the front panel, so auto sets it only for a device that has not
    answered anything without it."""
    message_end: Literal["eom", "line-feed"] = "eom"
    """What ends an answer: the EOM bit, or, for devices that set it wrongly, a line feed."""
    request_bytes: int = Field(16384, ge=8, le=1_048_576)
    """Most bytes that are asked for at a time; some devices take no more than 63."""
    wait_for_mav: bool = False
    """Ask for an answer only when the status byte says that there is one; for devices that hang
    when they are asked too early."""
    clear_on_open: bool = True
    """Clear the device's buffers on opening: an answer left from before is nobody's."""

    @field_validator("device")
    @classmethod
    def _names_a_device(cls, device: str) -> str:
        if device.startswith("/") or re.fullmatch(USB_IDENTITY, device, re.IGNORECASE):
            return device
        raise ValueError(
            f"found {device!r}, expected usb:VID:PID:SERIAL (four hexadecimal digits each for VID "
            "and PID) or a path like /dev/usbtmc0"
        )


LinkSettings = Annotated[
    SerialSettings | Rfc2217Settings | TcpSettings | UnixSettings | UsbtmcSettings,
    Field(discriminator="kind"),
]


class InstrumentConfig(_Section):
    """One instrument on the bench."""

    driver: Slug
    link: LinkSettings
    allow: tuple[str, ...] = ()
    """Messages that may be sent to this instrument besides the queries that start nothing. Whoever
    writes one here has made sure of what it does: READ?, INITiate and the like may route current or
    voltage to the winding."""
    identity: str = Field("", max_length=200)
    """Text that must be in what the instrument says it is, such as its serial number; for drivers
    that ask *IDN?. Nothing is taken from one that has not said it, and one that says something else
    is refused."""
    options: dict[str, Any] = {}
    """Options of the driver."""

    @field_validator("allow")
    @classmethod
    def _printable(cls, messages: tuple[str, ...]) -> tuple[str, ...]:
        for message in messages:
            if not message.strip(" "):
                raise ValueError("an empty message cannot be allowed")
        return messages


class TlsConfig(_Section):
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

    @model_validator(mode="after")
    def _key_belongs_to_a_certificate(self) -> Self:
        if self.certificate is None and self.key is not None:
            raise ValueError("key without certificate; give both")
        return self


_SparkplugId = Annotated[str, Field(max_length=64, pattern=r"^[^+#/\x00-\x1f]*$")]


class SparkplugConfig(_Section):
    """An edge node of Eclipse Sparkplug 3.0, instead of the JSON stream."""

    group: _SparkplugId = ""
    """The group's id; the site if empty."""
    node: _SparkplugId = ""
    """The edge node's id; the bench if empty."""
    primary_host: _SparkplugId = ""
    """The host application that must be online for births and data to be sent; none if empty."""


class BrokerConfig(_Section):
    """An MQTT broker that readings are delivered to."""

    host: _Host = "127.0.0.1"
    port: int = Field(1883, ge=1, le=65535)
    """8883 if not given and there is a section tls."""
    version: Literal["auto", "5", "3.1.1"] = "auto"
    """MQTT version; auto tries 5 and falls back to 3.1.1."""
    client_id: str = Field("", max_length=64)
    """benchtally-SITE-BENCH if empty, with -NAME for one of several brokers."""
    username: str = ""
    password: str = Field("", repr=False)
    """Better given by BENCHTALLY_BROKER__PASSWORD or password_file."""
    password_file: Path | None = None
    tls: TlsConfig | None = None
    keepalive_s: int = Field(20, ge=5, le=600)
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


class JournalConfig(_Section):
    """Where readings are stored."""

    path: Path = Path("benchtally.journal")
    """A file on a local disk; relative to the configuration file."""


class EvidenceConfig(_Section):
    """Where photos of displays are kept."""

    path: Path | None = None
    """A folder on a local disk; relative to the configuration file. Next to the journal, and named
    after it, if not given."""


class JobsConfig(_Section):
    """How jobs are done at this bench."""

    hands_free: bool = True
    """Take readings by themselves once they have settled, and insulation at its times."""
    relative_uncertainty: float = Field(5e-4, gt=0, lt=0.2)
    """Standard uncertainty as a part of the value, where an instrument's profile gives none."""
    longest_time_constant_s: float = Field(30.0, gt=0, le=600)
    """Slowest approach that is recognised as one, seconds."""
    energy_limit_joules: float = Field(0.1, gt=0, le=10)
    """Energy stored in a winding under which leads may be moved while the meter's current flows
    (the site's own decision; common practice, no source)."""
    reference_celsius: float = Field(25.0, gt=-50, lt=250)
    """Temperature that resistances are brought to, °C."""


class RecordsConfig(_Section):
    """How records are written where nobody asks for something else."""

    language: str = Field("en", pattern=r"^[a-z]{2}$")
    """en or de."""
    paper: Literal["a4", "letter"] = "a4"


class EquipmentConfig(_Section):
    """What is known of an instrument, for records: which one it is, and until when it is good."""

    description: Line | None = None
    """What it is, in words."""
    maker: Line | None = None
    model: Line | None = None
    serial: Line | None = None
    calibrated: date | None = None
    """Day of its last calibration."""
    calibration_due: date | None = None
    """Day of the next one."""
    certificate: Line | None = None
    """Number of the calibration's certificate."""
    profile: Line | None = None
    """Profile that tells how its display is laid out, where photos of it are read."""


class WebConfig(_Section):
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


class LogConfig(_Section):
    """What is logged, and how."""

    level: Literal["debug", "info", "warning", "error"] = "info"
    form: Literal["text", "json"] = "text"


class Config(BaseSettings):
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
    broker: BrokerConfig = BrokerConfig()
    """The broker; where there are only several by name, this one is none of them."""
    brokers: dict[Slug, BrokerConfig] = {}
    """More brokers, each by a name; each gets everything, at its own pace."""
    log: LogConfig = LogConfig()
    evidence: EvidenceConfig = EvidenceConfig()
    jobs: JobsConfig = JobsConfig()
    records: RecordsConfig = RecordsConfig()
    web: WebConfig | None = None
    limits: dict[str, dict[str, Any]] = {}
    """The site's own limits: by name, with value, source, and whether the site adopts it."""
    instruments: dict[Slug, InstrumentConfig] = {}
    equipment: dict[Slug, EquipmentConfig] = {}
    """What is known of instruments, by name: those above, and displays that are only read off."""

    # Folder of the file; relative paths in it start there.
    _folder: Path = PrivateAttr(default_factory=Path)

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Let the environment win over the file, and take nothing else."""
        del settings_cls, dotenv_settings, file_secret_settings
        return env_settings, init_settings

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

    def password(self, broker: BrokerConfig | None = None) -> str:
        """Give the password for a broker, from the file named for it if there is one.

        Raises:
            ConfigError: the file cannot be read.
        """
        broker = broker or self.broker
        path = broker.password_file
        if path is None:
            return broker.password
        try:
            return (self.folder / path).read_text("utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise ConfigError([f"broker.password_file: {path} cannot be read: {error}"]) from error

    @field_validator("brokers")
    @classmethod
    def _names_are_free(cls, brokers: dict[str, BrokerConfig]) -> dict[str, BrokerConfig]:
        if BROKER in brokers:
            raise ValueError(f"the name {BROKER} is that of the section [{BROKER}]")
        return brokers


def find_config(given: Path | None) -> Path:
    """Tell which file to read: the one given, ``./benchtally.toml``, or the user's own.

    Raises:
        ConfigError: none of them is there.
    """
    if given is not None:
        return given
    home = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    candidates = [Path(FILE_NAME), home / "benchtally" / FILE_NAME]
    for path in candidates:
        if path.is_file():
            return path
    fault = (
        f"no configuration: neither {candidates[0]} nor {candidates[1]} is there; "
        "give one with --config FILE, or run `benchtally demo` to have one written"
    )
    raise ConfigError([fault])


def load_config(given: Path | None = None) -> Config:
    """Read and check a configuration file.

    Raises:
        ConfigError: one line per fault, each with file, key path, what was found and expected.
    """
    path = find_config(given)
    try:
        content = toml_table(path.read_text("utf-8"))
    except OSError as error:
        raise ConfigError([f"{path}: cannot be read: {error.strerror or error}"]) from error
    except UnicodeDecodeError as error:
        raise ConfigError([f"{path}: not UTF-8 text (byte {error.start})"]) from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{path}: not TOML: {error}"]) from error
    try:
        config = Config(**content)
    except ValidationError as error:
        raise ConfigError([f"{path}: {line}" for line in fault_lines(error)]) from error
    except SettingsError as error:
        raise ConfigError([f"environment: {error}; a section is given as JSON there"]) from error
    config._folder = path.parent  # noqa: SLF001 - told by whoever read the file
    return config
