"""All that a driver package may import of Benchtally.

See `capture.driver.api` for what a driver is, and DEVELOPERS.md for how to add one.
"""

from capture.driver.api import API_VERSION, Driver, DriverSpec
from capture.driver.checksums import CHECKSUMS, Checksum
from capture.driver.events import (
    Action,
    Event,
    Identified,
    InstrumentFault,
    Malformed,
    NoAnswer,
    PowerCycled,
    Reply,
    Resync,
    Send,
)
from capture.driver.framers import (
    CheckedLineFramer,
    Damage,
    Frame,
    LineFramer,
    ScpiFramer,
)
from capture.driver.hookspecs import ENTRY_POINT_GROUP, PROJECT, hookimpl
from capture.driver.packed import PackedFramer
from capture.driver.profile import Profile, built_in_profiles, load_profile, parse_profile
from capture.driver.profile.binary import Packed, PackedNumber, PackedValue
from capture.driver.profile.lines import (
    ELAPSED,
    RECORD,
    TIME,
    LineChecksum,
    LineForm,
    LineValue,
    beside,
)
from capture.driver.profile.parts import ValueField
from capture.errors import ConfigError, InputError
from capture.model import (
    Condition,
    Indication,
    Quantity,
    Shown,
    ShownBound,
    Side,
    Status,
    parse_number,
    parse_shown,
    parse_unit,
    scale_number,
    unit_of,
)
from capture.model.status import VALUELESS

__all__ = [
    "API_VERSION",
    "CHECKSUMS",
    "ELAPSED",
    "ENTRY_POINT_GROUP",
    "PROJECT",
    "RECORD",
    "TIME",
    "VALUELESS",
    "Action",
    "CheckedLineFramer",
    "Checksum",
    "Condition",
    "ConfigError",
    "Damage",
    "Driver",
    "DriverSpec",
    "Event",
    "Frame",
    "Identified",
    "Indication",
    "InputError",
    "InstrumentFault",
    "LineChecksum",
    "LineForm",
    "LineFramer",
    "LineValue",
    "Malformed",
    "NoAnswer",
    "Packed",
    "PackedFramer",
    "PackedNumber",
    "PackedValue",
    "PowerCycled",
    "Profile",
    "Quantity",
    "Reply",
    "Resync",
    "ScpiFramer",
    "Send",
    "Shown",
    "ShownBound",
    "Side",
    "Status",
    "ValueField",
    "beside",
    "built_in_profiles",
    "hookimpl",
    "load_profile",
    "parse_number",
    "parse_profile",
    "parse_shown",
    "parse_unit",
    "scale_number",
    "unit_of",
]
