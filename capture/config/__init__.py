"""The configuration file: TOML, checked whole, one line per fault.

Each value can also come from the environment as ``BENCHTALLY_`` plus its key path with ``__``
between the parts (``BENCHTALLY_BROKER__PASSWORD``); the environment wins over the file, so that a
secret need not stand in it.
"""

from capture.config.bench import EvidenceConfig, JobsConfig, JournalConfig, LogConfig, RecordsConfig
from capture.config.brokers import BrokerConfig, SparkplugConfig, TlsConfig
from capture.config.file import FILE_NAME, find_config, load_config
from capture.config.instruments import EquipmentConfig, InstrumentConfig
from capture.config.links import (
    USB_IDENTITY,
    LinkSettings,
    Rfc2217Settings,
    SerialSettings,
    TcpSettings,
    UnixSettings,
    UsbtmcSettings,
)
from capture.config.web import WebConfig
from capture.config.whole import Config

__all__ = [
    "FILE_NAME",
    "USB_IDENTITY",
    "BrokerConfig",
    "Config",
    "EquipmentConfig",
    "EvidenceConfig",
    "InstrumentConfig",
    "JobsConfig",
    "JournalConfig",
    "LinkSettings",
    "LogConfig",
    "RecordsConfig",
    "Rfc2217Settings",
    "SerialSettings",
    "SparkplugConfig",
    "TcpSettings",
    "TlsConfig",
    "UnixSettings",
    "UsbtmcSettings",
    "WebConfig",
    "find_config",
    "load_config",
]
