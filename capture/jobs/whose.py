"""No test voltage and no limit from a nameplate for a winding that it does not speak of.

A machine of 6 kV has a rotor of some hundred volts, and detectors for less: the voltage that
follows from 6 kV would be the end of them. For a person who sets the instrument. Pure.
"""

from dataclasses import replace

from capture.jobs.guidance import Guidance, Setting
from capture.jobs.procedure import Step
from capture.judging.rated import speaks_of
from capture.model.machine import Nameplate
from capture.model.quantity import Quantity
from capture.model.testpoint import TestPoint


def of_its_own(told: Guidance, step: Step, plate: Nameplate) -> Guidance:
    """Take back what was said of a test to the frame of something with a voltage of its own."""
    if step.quantity != Quantity.INSULATION_RESISTANCE:
        return told
    points = [TestPoint.parse(each) for each in step.points]
    strange = [point for point in points if not speaks_of(point, plate.winding)]
    if not strange:
        return told
    where = " and ".join(_marks(point) for point in strange)
    rated = "" if plate.rated_volts is None else f", {plate.rated_volts:g} V,"
    setting = Setting(
        "test voltage",
        f"none is named here: the machine's rated voltage{rated} is not that of {where}; find out "
        "what its insulation is made for before a voltage is chosen; local codes, the maker of the "
        "machine and licensed practice decide",
        "no figure is given here",
    )
    return replace(
        told,
        settings=(setting,),
        bounds=(),
        missing=(f"no limit for {where}: what is known of the machine is not said of it",),
    )


def _marks(point: TestPoint) -> str:
    return "+".join(mark for mark in (*point.first, *point.second) if mark != "frame") or "frame"
