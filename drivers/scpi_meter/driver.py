r"""SCPI meter: asks for the latest value at an interval.

The conversation and its known damage stand in `drivers.scpi.conversation`.

FETCh? starts nothing: it hands over what the meter measured last. READ?, INITiate and CONFigure
may route a test current; a person has to enable them for the instrument.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from capture.driver import Driver, InputError, Profile, load_profile, parse_unit, unit_of
from drivers.scpi.freshness import Freshness
from drivers.scpi.meter import Plan, ScpiMeter
from drivers.scpi.options import MannersOptions
from drivers.scpi.profiled import plan_of
from drivers.scpi.values import AnswerForm, Field

PACKAGE = "drivers.scpi_meter"
ID = "scpi-meter"


@dataclass(frozen=True, kw_only=True)
class ScpiMeterOptions(MannersOptions):
    """What can be configured for one SCPI meter."""

    profile: str = field(
        default="", metadata={"help": "profile by name or .toml file; empty for none", "path": True}
    )
    quantity: str = field(default="resistance", metadata={"help": "what the answer holds"})
    unit: str = field(default="", metadata={"help": "unit of the number; the base unit if empty"})
    several: bool = field(
        default=False, metadata={"help": "an answer may hold several values of the quantity"}
    )
    query: str = field(default="FETC?", metadata={"help": "what asks for the value"})
    interval_s: float = field(default=1.0, metadata={"help": "seconds from query to query"})
    timeout_s: float = field(default=2.0, metadata={"help": "seconds an answer may take"})
    measures_every_s: float = field(
        default=0.0,
        metadata={
            "help": "how long the meter takes for one measurement: after that an equal answer is "
            "a new reading; 0: only another answer is"
        },
    )
    event_query: str = field(
        default="", metadata={"help": "register that tells a new measurement, as STAT:OPER?"}
    )
    event_bit: int = field(default=0, metadata={"help": "bit of that register"})

    def __post_init__(self) -> None:
        """Refuse what cannot work, by option name."""
        base = unit_of(self.quantity)
        shown = parse_unit(self.unit).unit if self.unit else base
        if shown is None:
            raise InputError(f"unit: {self.quantity} needs one")
        if base not in (None, shown):
            raise InputError(f"unit: {self.quantity} is in {base}, not in {self.unit}")
        for name, least, most in (
            ("interval_s", 0, 3600),
            ("timeout_s", 0.01, 600),
            ("measures_every_s", 0, 3600),
            ("watch_s", 0, 3600),
            ("event_bit", 0, 15),
        ):
            self.check_span(name, least, most)
        if not self.query.endswith("?"):
            raise InputError(f"query: {self.query!r} is no query; it must end in a question mark")
        if self.profile:
            _profile(self.profile)


@lru_cache(maxsize=64)
def _profile(name: str) -> Profile:
    return load_profile(name, PACKAGE, ID)


def profile_of(options: ScpiMeterOptions) -> Profile | None:
    """Give the profile that the options name."""
    return _profile(options.profile) if options.profile else None


def make(options: ScpiMeterOptions) -> Driver:
    """Make a driver for one session."""
    return ScpiMeter(_plan(options))


def messages(options: ScpiMeterOptions) -> Sequence[bytes]:
    """List every message that a meter with these options may be sent."""
    return _plan(options).messages()


def _plan(options: ScpiMeterOptions) -> Plan:
    profile = profile_of(options)
    interval, timeout = options.interval_s, options.timeout_s
    if profile is not None and profile.scpi is not None:
        interval, timeout = profile.scpi.interval_s, profile.scpi.timeout_s
    manners = options.manners(interval, timeout)
    if profile is not None:
        return plan_of(profile, manners, options.conditions)
    return Plan(
        query=options.query,
        manners=manners,
        form=AnswerForm(
            (Field(options.quantity, options.unit),),
            several=options.several,
            query=options.query,
        ),
        freshness=Freshness(
            every=not options.query.upper().startswith((":FETC", "FETC")),
            measures_every_s=options.measures_every_s,
            event_query=options.event_query,
            event_bit=options.event_bit,
        ),
        conditions=options.conditions,
    )
