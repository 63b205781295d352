"""A test set: the readings of one machine, with what must be known to judge them."""

from typing import Annotated, Any, Literal, Self

from pydantic import ConfigDict, Field, field_validator, model_validator

from capture.errors import InputError
from capture.model.fields import Line, MachineId, Model, QuantityName, SchemaVersion, UnitCode
from capture.model.machine import WindingType
from capture.model.quantity import unit_of
from capture.model.reading import Bound, Conditions
from capture.model.status import VALUELESS, Status
from capture.model.testpoint import TestPoint


class _Strict(Model):
    model_config = ConfigDict(extra="forbid")


class SetUncertainty(Model):
    """Standard uncertainty of a reading, and which part of it the readings share."""

    standard: float = Field(ge=0)
    """In the reading's unit; everything together."""
    shared: float = Field(0.0, ge=0)
    """Relative standard uncertainty of the gain, shared by all readings of the same instrument on
    the same range; it cancels in ratios of such readings."""


class SetReading(Model):
    """One reading of a test set. A stored reading (reading.v1) can stand here as it is."""

    id: Line = ""
    """Name that results give as their input; a stored reading has its UUID here."""
    quantity: QuantityName
    """What was measured."""
    unit: UnitCode
    """UCUM code."""
    value: float | None
    """In ``unit``; null where the display had no number."""
    status: Status = Status.OK
    """What kind of value the instrument showed."""
    bound: Bound | None = None
    """Where the value lies, if it is out of range and a bound is known; else null."""
    test_point: Line | None = None
    """Such as ``U-V``, ``V-U`` (leads swapped), ``U1-U2``, ``U+V+W-frame``."""
    instrument: Line = "not named"
    """What it was measured with; gain errors cancel within one instrument only."""
    range: str = Field("", max_length=64)
    """Range the instrument was on; gain errors cancel on one range only."""
    conditions: Conditions = Field(default_factory=dict)
    """Such as ``law``, ``frequency``, ``level``, ``model``."""
    elapsed: float | None = Field(None, ge=0)
    """Seconds since the voltage was reached, for insulation."""
    rotor: Literal["in", "out", "unknown"] | None = None
    """Where the rotor was for this reading; null: as the conditions of the set say."""
    group: str = Field("", max_length=64)
    """Equal for values that stood in one frame (inductance and its series resistance)."""
    uncertainty: SetUncertainty | None = None
    """Null where nothing is known of the instrument's accuracy."""

    @model_validator(mode="before")
    @classmethod
    def _as_stored(cls, given: Any) -> Any:
        """Take the members of a stored reading to where they stand here."""
        if not isinstance(given, dict):
            return given
        made = dict(given)
        point = (made.get("tag") or {}).get("test_point")
        if point and "test_point" not in made:
            text = f"{'+'.join(point['first'])}-{'+'.join(point['second'])}"
            for place in ("guard", "earth"):
                if point.get(place):
                    text += f" {place} {'+'.join(point[place])}"
            made["test_point"] = text
        series = made.get("series")
        if isinstance(series, dict) and "elapsed" not in made:
            made["elapsed"] = series.get("elapsed")
        condition = (made.get("conditions") or {}).get("range")
        if condition and "range" not in made:
            made["range"] = str(condition)
        return made

    @field_validator("test_point")
    @classmethod
    def _is_a_test_point(cls, text: str | None) -> str | None:
        try:
            return None if text is None else str(TestPoint.parse(text))
        except InputError as error:
            raise ValueError(str(error)) from error

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        try:
            unit = unit_of(self.quantity)
        except InputError as error:
            raise ValueError(str(error)) from error
        if unit not in (None, self.unit):
            raise ValueError(f"{self.quantity} is in {unit}, not in {self.unit}")
        if (self.value is None) != (self.status in VALUELESS):
            raise ValueError(f"status {self.status} and value {self.value} contradict each other")
        return self

    @property
    def point(self) -> TestPoint | None:
        """Where the leads sat."""
        return None if self.test_point is None else TestPoint.parse(self.test_point)


class SetMachine(_Strict):
    """What is known of the machine."""

    id: MachineId
    """Name on its label."""
    connection: Literal["star", "delta", "open", "unknown"] = "unknown"
    """How the phases are joined; decides how phase values follow from pairs."""
    winding: WindingType = "unknown"
    """Kind of winding; where it is not known, those of random- and of form-wound are its limits.
    Concentric says how coils are laid out, not how they are made: both are its limits too."""
    rated_volts: float | None = Field(None, gt=0)
    """Rated voltage, V, between lines; null where not known: then there is no limit for
    insulation."""
    rotor_volts: float | None = Field(None, gt=0)
    """Voltage between the slip rings of a wound rotor, V, open and at standstill; null where not
    known: then there is no limit for the rotor's insulation."""
    excitation_volts: float | None = Field(None, gt=0)
    """Rated voltage of a separately excited field, V; null where not known: then there is no limit
    for that field's insulation."""
    year: int | None = Field(None, ge=1880, le=2200)
    """Year it was made or wound; null where not known: then there is no limit for insulation."""
    thermal_class: Literal[105, 120, 130, 155, 180] | None = None
    """Thermal class by its temperature, °C (IEC 60085); decides the least polarization index."""
    insulation: Literal["thermoplastic", "thermosetting"] = "thermosetting"
    """Kind of insulation; decides the correction to 40 °C (IEEE 43)."""
    parallel_paths: int | None = Field(None, ge=1, le=24)
    """Parallel paths of a phase; null where not known."""
    zero_resistance_celsius: float | None = Field(None, ge=200, le=260)
    """k of the metal: copper 234.5 (IEEE 112) or 235 (IEC 60034-1), aluminium 225 or 228."""


class SetConditions(_Strict):
    """What the tests were made under."""

    rotor: Literal["in", "out", "unknown"] = "unknown"
    """Where the rotor is; of a reading that does not say it for itself."""
    winding_celsius: float | None = Field(None, gt=-50, lt=250)
    """Temperature of the winding, °C; null where not known."""
    reference_celsius: float | None = Field(None, gt=-50, lt=250)
    """Temperature that resistances are brought to, °C; null leaves them as read."""
    repeated: bool = False
    """Each reading was taken again with the leads put on anew."""


class SetRules(_Strict):
    """How the site judges; fixed before measuring."""

    rule: Literal["simple", "guarded", "non-binary"] = "simple"
    """Decision rule (ILAC-G8): up to the limit, with a guard band, or four statements."""
    resistance: Literal["mean", "span-mean", "span-min", "span-max"] = "mean"
    """Definition of unbalance for resistances."""
    inductance: Literal["mean", "span-mean", "span-min", "span-max"] = "mean"
    """The same for inductances."""
    pulse: Literal["mean", "span-mean", "span-min", "span-max"] = "span-max"
    """The same for pulse times."""
    limits: dict[str, dict[str, str | float | bool]] = Field(default_factory=dict)
    """Limits of this machine over the site's, by their id: value, source, adopted."""


class TestSet(_Strict):
    """The readings of one machine, and what must be known to judge them."""

    __test__ = False  # pytest: the name is the field's, this is no test class

    schema_version: SchemaVersion = 1
    machine: SetMachine
    """What was tested."""
    conditions: SetConditions = SetConditions()
    """What it was tested under."""
    rules: SetRules = SetRules()
    """How it is judged."""
    steps: tuple[Literal["resistance", "inductance", "insulation", "pulse"], ...] = ()
    """Steps that belong to this test; one without readings keeps the whole from passing."""
    readings: Annotated[tuple[SetReading, ...], Field(min_length=1, max_length=10_000)]
    """In any order."""
