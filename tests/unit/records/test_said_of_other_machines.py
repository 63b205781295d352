"""What is said of six ends, rotors, fields and armatures is said in German too."""

import re

import pytest

from capture.judging.assess import assess
from capture.model.testset import TestSet
from capture.records.texts import catalogue

ENGLISH = re.compile(r"\b(the|is|are|and|phase|rotor|winding|open|read|lead)\b")
OPEN = {"value": None, "status": "above-range"}


def said(machine, *readings):
    """Give the German of every note, name and reason of an assessment."""
    given = {
        "schema_version": 1,
        "machine": {"id": "m", "rated_volts": 400, "year": 2004, **machine},
        "conditions": {"winding_celsius": 40, "rotor": "out"},
        "readings": readings,
    }
    site = {"insulation-random": {"adopted": True}}
    found = assess(TestSet.model_validate(given), site)
    text = catalogue("de")
    words = [*found.notes, *(each.name for each in found.results)]
    if found.overall.reason.startswith("no number"):
        words.append(found.overall.reason)
    sources = [each.result.judgement for each in found.results if each.result.judgement]
    words += [each.source for each in sources if each.source.startswith("twice")]
    words += [each.confidence for each in sources if "twice" in each.confidence]
    return {each: text.say(each) for each in words}


def ohms(point, value, quantity="resistance"):
    unit = "s" if quantity == "pulse_time" else "Ohm"
    made = {"quantity": quantity, "unit": unit, "test_point": point, "value": value}
    return made | OPEN if value is None else made


def insulation(point, value):
    return ohms(point, value, "insulation_resistance") | {"elapsed": 60}


def phases(whole, u, v, w):
    return [
        insulation("U1+U2+V1+V2+W1+W2-frame", whole),
        insulation("U1+U2-frame earth V1+V2+W1+W2", u),
        insulation("V1+V2-frame earth U1+U2+W1+W2", v),
        insulation("W1+W2-frame earth U1+U2+V1+V2", w),
    ]


RANDOM = {"winding": "random", "connection": "open"}
ENDS = ("U1-U2", "V1-V2", "W1-W2")
RINGS = ("K-L", "L-M", "M-K")


@pytest.mark.parametrize(
    ("machine", "readings"),
    [
        (RANDOM, phases(1e9, 2e6, 2e6, 2e9)),
        (RANDOM, phases(1e9, 2e6, 2e6, 2e6)),
        (RANDOM, phases(1e9, 4.5e6, 4.5e6, 6e6)),
        (RANDOM, phases(4e6, 4e6, 4e6, 4e6)),
        (RANDOM, phases(1e6, 2e9, 2e9, 2e9)),
        (RANDOM, phases(2e6, 2e6, 2e9, 2e9)),
        (RANDOM, phases(1e6, 2e6, 2e6, 2e9)),
        (RANDOM, phases(1e9, 2e6, 2e9, 2e9)),
        (RANDOM, [ohms(p, v) for p, v in zip(ENDS, (1.0, None, 1.0), strict=True)]),
        *(
            (RANDOM, [ohms(p, v, "pulse_time") for p, v in zip(ENDS, times, strict=True)])
            for times in ((1e-4, 9e-5, 1e-4), (1e-4, 1.2e-4, 1e-4), (1e-4, 1.1e-4, 1.2e-4))
        ),
        *(
            (RANDOM, [ohms(p, v) for p, v in zip(RINGS, pairs, strict=True)])
            for pairs in (
                (1.0, 1.1, 1.1),
                (1.0, 0.9, 0.9),
                (None, None, 1.0),
                (None, 1.0, 1.0),
                (None, None, None),
            )
        ),
        (
            {"winding": "dc-armature"},
            [
                *(ohms(f"{pole}F1-{pole}F2", 20.0 + pole) for pole in range(1, 5)),
                *(ohms(f"BAR{bar}-BAR{bar + 1}", 0.01 * bar) for bar in range(1, 4)),
            ],
        ),
    ],
)
def test_every_word_has_its_german(machine, readings):
    found = said(machine, *readings)
    assert found
    for english, german in found.items():
        assert german != english
        assert not ENGLISH.search(german), german
