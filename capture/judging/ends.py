"""A winding whose six ends are free is read phase by phase, whatever its nameplate joins.

A nameplate says how the phases are joined in service. With the links off the terminal board each
phase is read between its own two ends, and no reading goes through a second phase: nothing is to
be solved for, in star or in delta.
"""

from capture.judging.rated import letters_of
from capture.model.testset import SetReading, TestSet

_BETWEEN_PHASES = frozenset(
    {"resistance", "inductance", "pulse_time"}
)  # what a joined winding shows from pair to pair
_PHASES = frozenset("UVW")


def as_read(test_set: TestSet) -> TestSet:
    """Give the set as one of open phases where every reading sits on the two ends of one phase.

    Everything else stays as the nameplate has it: a single end among pairs is asked about.
    """
    if test_set.machine.connection == "open":
        return test_set
    read = [each for each in test_set.readings if _is_of_phases(each)]
    if not read or not all(_is_at_ends(each) for each in read):
        return test_set
    machine = test_set.machine.model_copy(update={"connection": "open"})
    return test_set.model_copy(update={"machine": machine})


def _is_of_phases(reading: SetReading) -> bool:
    point = reading.point
    return (
        reading.quantity in _BETWEEN_PHASES
        and point is not None
        and bool(letters_of(point) & _PHASES)
    )


def _is_at_ends(reading: SetReading) -> bool:
    point = reading.point
    return point is not None and point.pair is not None and len(letters_of(point)) == 1
