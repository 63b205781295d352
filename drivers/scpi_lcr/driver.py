r"""SCPI LCR bridge: two values, a status and perhaps a bin, whose meaning the function tells.

Frames::

    ▶ FUNC:IMP?\n                 ◀ LSRS\n                    what the next numbers mean
    ▶ FREQ?\n  ▶ VOLT?\n          ◀ +1.00000E+03\n            stored with every value
    ▶ FETC?\n                     ◀ +6.21000E-02,+8.31000E-01,0[,1]\n

Assumptions: as in `drivers.scpi.conversation`. No standard fixes what the numbers, the function
names or the status numbers mean, so a profile says it.

Known damage: somebody turns the function, frequency or level at the front panel between two
queries. The settings are read before and after each value, and a value counts only where they
agree, so no number is stored under settings that it was not measured with.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

from capture.driver import Driver, Profile, load_profile
from drivers.scpi.meter import Plan, ScpiMeter
from drivers.scpi.options import MannersOptions
from drivers.scpi.profiled import plan_of

PACKAGE = "drivers.scpi_lcr"
ID = "scpi-lcr"


@dataclass(frozen=True, kw_only=True)
class ScpiLcrOptions(MannersOptions):
    """What can be configured for one LCR bridge."""

    profile: str = field(
        default="lcr-impedance-function",
        metadata={"help": "profile by name or .toml file", "path": True},
    )
    interval_s: float = field(
        default=0.0, metadata={"help": "seconds from query to query; the profile's if 0"}
    )
    measures_every_s: float = field(
        default=0.0,
        metadata={
            "help": "how long the bridge takes for one measurement: after that an equal answer is "
            "a new reading; the profile's if 0"
        },
    )

    def __post_init__(self) -> None:
        """Refuse what cannot work, by option name."""
        self.check_span("interval_s", 0, 3600)
        self.check_span("measures_every_s", 0, 3600)
        self.check_span("watch_s", 0, 3600)
        profile_of(self)


@lru_cache(maxsize=64)
def _profile(name: str) -> Profile:
    return load_profile(name, PACKAGE, ID)


def profile_of(options: ScpiLcrOptions) -> Profile:
    """Give the profile that the options name."""
    return _profile(options.profile)


def make(options: ScpiLcrOptions) -> Driver:
    """Make a driver for one session."""
    return ScpiMeter(_plan(options))


def messages(options: ScpiLcrOptions) -> Sequence[bytes]:
    """List every message that a bridge with these options may be sent."""
    return _plan(options).messages()


def _plan(options: ScpiLcrOptions) -> Plan:
    profile = profile_of(options)
    assert profile.scpi is not None  # a profile for this driver has one
    manners = options.manners(options.interval_s or profile.scpi.interval_s, profile.scpi.timeout_s)
    plan = plan_of(profile, manners, options.conditions)
    if not options.measures_every_s:
        return plan
    told = replace(plan.freshness, measures_every_s=options.measures_every_s)
    return replace(plan, freshness=told)
