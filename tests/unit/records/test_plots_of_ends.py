"""A record of six free ends has the plots that one of three pairs has, with its own marks."""

import pytest

from capture.records.plots import plots_of
from capture.records.texts import catalogue

ENDS = {"U-V": "U1-U2", "V-W": "V1-V2", "W-U": "W1-W2"}
SWAPPED = {"V-U": "U2-U1", "W-V": "V2-V1", "U-W": "W2-W1"}


@pytest.mark.parametrize("name", ["balance-resistance", "balance-inductance", "pulse"])
def test_the_same_values_between_the_ends_of_each_phase_are_drawn_alike(done, name):
    text = catalogue("en")
    points = ENDS | SWAPPED
    readings = tuple(
        each.model_copy(update={"point": points.get(each.point, each.point)})
        for each in done.record.readings
    )
    of_ends = done.record.model_copy(update={"readings": readings})
    (of_pairs,) = [each for each in plots_of(done.record, text) if each.name == name]
    (drawn,) = [each for each in plots_of(of_ends, text) if each.name == name]
    assert drawn.ticks == tuple(ENDS.values())
    assert drawn.lines == of_pairs.lines
    assert "U1-U2" in drawn.alt
    assert "U-V" not in drawn.alt
