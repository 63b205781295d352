"""Write the three worked cases beside this file, from the simulated winding, seeds fixed.

Run as `python -P examples/judge/make_examples.py`. An extraction fan of a sawmill: a sound winding,
one with turns cut out of a coil, and one with shorted turns; rotor out.
"""

import json
from pathlib import Path
from typing import Any

import numpy as np

from simulators.pulse import PulseInstrument
from simulators.winding import Winding, with_natural_spread
from simulators.winding_faults import FewerTurns, ShortedTurns

HERTZ = 1000.0
PAIRS = ("U-V", "V-W", "W-U")
CASES: dict[str, tuple[tuple[Any, ...], int]] = {
    "healthy": ((), 7),
    "cut-coil": ((FewerTurns(phase="U", share=0.06),), 11),
    "shorted-turn": ((ShortedTurns(phase="V", turns=6),), 13),
}


def test_set(name: str, faults: tuple[Any, ...], seed: int) -> dict[str, Any]:
    """Make one test set."""
    rng = np.random.default_rng(seed)
    sound = Winding(ohms=0.41, henries=15e-3, turns=120, groups=4, celsius=21.5, turns_exponent=2.0)
    winding = with_natural_spread(sound, rng)
    winding = Winding(**{**{f: getattr(winding, f) for f in winding.__slots__}, "faults": faults})
    readings = [
        r for number, pair in enumerate(PAIRS, 1) for r in _pair(winding, pair, number, rng)
    ]
    readings.append(
        {
            "id": "i1",
            "quantity": "insulation_resistance",
            "unit": "Ohm",
            "test_point": "U+V+W-frame",
            "value": float(f"{winding.insulation_ohms(60.0):.4g}"),
            "instrument": "insulation-tester",
            "elapsed": 60,
        }
    )
    return {
        "schema_version": 1,
        "machine": {
            "id": f"fan-{name}",
            "connection": "star",
            "winding": "random",
            "rated_volts": 400,
            "year": 2009,
            "zero_resistance_celsius": 234.5,
        },
        "conditions": {"rotor": "out", "winding_celsius": 21.5, "reference_celsius": 25.0},
        "steps": ["resistance", "inductance", "insulation", "pulse"],
        "readings": readings,
    }


def _pair(
    winding: Winding, pair: str, number: int, rng: np.random.Generator
) -> list[dict[str, Any]]:
    ohms = winding.resistance(pair) * (1 + 1e-4 * rng.standard_normal())
    henries, loss = winding.inductance(pair, HERTZ)
    bridge = {
        "instrument": "lcr-bridge",
        "range": "auto",
        "test_point": pair,
        "group": f"g{number}",
        "conditions": {
            "frequency": {"value": HERTZ, "unit": "Hz"},
            "level": {"value": 1.0, "unit": "V"},
            "model": "series",
        },
    }
    made = [
        {
            "id": f"r{number}",
            "quantity": "resistance",
            "unit": "Ohm",
            "test_point": pair,
            "value": float(f"{ohms:.6g}"),
            "instrument": "ohm-meter",
            "range": "2 Ohm",
            "uncertainty": {"standard": float(f"{2.5e-4 * ohms:.3g}"), "shared": 2e-4},
        },
        {
            "id": f"l{number}",
            "quantity": "inductance",
            "unit": "H",
            "value": float(f"{henries * (1 + 5e-4 * rng.standard_normal()):.6g}"),
            "uncertainty": {"standard": float(f"{1e-3 * henries:.3g}"), "shared": 8e-4},
            **bridge,
        },
        {
            "id": f"s{number}",
            "quantity": "resistance",
            "unit": "Ohm",
            "value": float(f"{loss * (1 + 3e-3 * rng.standard_normal()):.5g}"),
            **bridge,
        },
    ]
    first, second = pair.split("-")
    for way, point in (("f", pair), ("r", f"{second}-{first}")):
        seconds = PulseInstrument(law="period").seconds(winding, pair)
        made.append(
            {
                "id": f"p{number}{way}",
                "quantity": "pulse_time",
                "unit": "s",
                "test_point": point,
                "value": float(f"{seconds * (1 + 1e-3 * rng.standard_normal()):.4g}"),
                "instrument": "pulse-tester",
                "conditions": {"law": "period"},
            }
        )
    return made


if __name__ == "__main__":
    for case, (faults, seed) in CASES.items():
        path = Path(__file__).with_name(f"{case}.json")
        path.write_text(json.dumps(test_set(case, faults, seed), indent=1) + "\n", "utf-8")
