"""The check values of the winding computations, each with where it comes from, and whether it holds.

Run as `python -P tests/bench/check_values.py`; exit 1 if one does not hold. The same values, and
many more, are asserted in tests/unit/winding.

Origins: "formula" is computed from the formula in double precision; "table" and "page" are public
texts that were read in part; "memory" is not checked in a copy.
"""

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass

import capture.winding as w

FORMULA = "formula, double precision"


@dataclass(frozen=True)
class Check:
    """One value, how it is computed here, what it must be, how close, and who says so."""

    id: str
    what: str
    compute: Callable[[], float]
    expected: float
    tolerance: float
    origin: str = FORMULA

    @property
    def value(self) -> float:
        """What this program computes."""
        return float(self.compute())


def c(id_, what, compute, expected, tolerance=1e-6, origin=FORMULA):
    """Make a check with a relative tolerance."""
    return Check(id_, what, compute, expected, tolerance * abs(expected), origin)


def factor(at: float, to: float, k: float) -> float:
    """Give the factor from one temperature to another."""
    return w.correct_resistance(1.0, at, to, k).value


def star(index: int) -> float:
    """Give a phase of the star example."""
    return w.phase_resistances(2.0, 2.1, 2.1, "star").values[index]


def delta(index: int) -> float:
    """Give a coil of the delta example, from its own line-to-line values."""
    total = 9.3
    lines = (3.0 * 6.3 / total, 3.0 * 6.3 / total, 3.3 * 6.0 / total)
    return w.phase_resistances(*lines, "delta").values[index]


def wave(hertz: float) -> list[float]:
    """Give 0.5 ms of a decaying ring."""
    times = [i * 1e-7 for i in range(5001)]
    return [math.exp(-t / 0.2e-3) * math.cos(2 * math.pi * hertz * t) for t in times]


VALUES = (1.00, 1.02, 1.01)
PAGE = "public page on voltage imbalance (about 1.96 %), and formula"
COPPER = "published copper correction table, base 25 °C"

CHECKS = (
    c(
        "R1",
        "0.8421 Ω at 18.5 °C to 25 °C, k 234.5",
        lambda: 0.8421 * factor(18.5, 25, 234.5),
        0.863735,
    ),
    c("R2", "the same, k 225", lambda: 0.8421 * factor(18.5, 25, 225), 0.864579),
    c("R3", "factor 20 to 25 °C, k 235", lambda: factor(20, 25, 235), 1.019608),
    c("R4", "factor 25 to 75 °C, k 225", lambda: factor(25, 75, 225), 1.2),
    c("R6", "factor 25 to 115 °C, k 234.5", lambda: factor(25, 115, 234.5), 1.346821),
    *(
        Check("R8", f"copper, 25 to {to} °C", lambda to=to: factor(25, to, 234.5), f, 1e-3, COPPER)
        for to, f in ((40, 1.058), (75, 1.193), (100, 1.289), (150, 1.482), (200, 1.674))
    ),
    c(
        "R12",
        "rise, 1.000 to 1.300 Ω, 20/25 °C, k 235",
        lambda: w.temperature_rise(1.0, 1.3, 20, 25, 235),
        71.5,
    ),
    c("R14", "star 2.00/2.10/2.10: phase W", lambda: star(2), 1.1, 1e-9),
    c("R17", "delta from coils 3.0/3.0/3.3: coil W", lambda: delta(2), 3.3, 1e-9),
    c("R19", "unbalance 1.00/1.02/1.01, mean", lambda: w.unbalance(VALUES, "mean"), 0.990099),
    c("R19", "the same, span over mean", lambda: w.unbalance(VALUES, "span-mean"), 1.980198),
    c("R19", "the same, span over smallest", lambda: w.unbalance(VALUES, "span-min"), 2.0),
    c("R19", "the same, span over largest", lambda: w.unbalance(VALUES, "span-max"), 1.960784),
    Check(
        "R22", "460/467/450, mean", lambda: w.unbalance((460, 467, 450), "mean"), 1.9608, 5e-3, PAGE
    ),
    c("L1", "10 mH, 10 Ω, 1 kHz: |Z|", lambda: w.impedance(10e-3, 10, 1000).magnitude, 63.62265),
    c(
        "L2",
        "the same as parallel: Lp",
        lambda: w.series_parallel(10e-3, 10, 1000, "series").parallel_henries,
        10.253303e-3,
    ),
    Check(
        "L7",
        "GUM H.2: R 127.732, X 219.847: |Z|",
        lambda: w.impedance(219.847 / (2000 * math.pi), 127.732, 1000).magnitude,
        254.260,
        1e-3,
        "GUM H.2, memory and formula",
    ),
    Check(
        "I1",
        "200 MΩ at 20 °C, halving, to 40 °C",
        lambda: w.insulation_at_40(200e6, 20, "thermoplastic"),
        50e6,
        1,
        "public page (200 at 20 is 25 at 50 °C), and formula",
    ),
    Check(
        "I3",
        "15 MΩ at 70 °C, halving",
        lambda: w.insulation_at_40(15e6, 70, "thermoplastic"),
        120e6,
        1,
        "public page (factor 8)",
    ),
    c(
        "I5",
        "1000 MΩ at 20 °C, thermosetting",
        lambda: w.insulation_at_40(1e9, 20, "thermosetting"),
        762.227e6,
    ),
    Check(
        "I7",
        "least, 4.16 kV, before 1970",
        lambda: w.minimum_insulation(4160, "form", 1960),
        5.16e6,
        1,
        "public text of IEEE Std 43, and formula",
    ),
    c(
        "I10",
        "30/60/600 s = 120/180/450 MΩ: polarization index",
        lambda: w.polarization_index((30, 60, 600), (120e6, 180e6, 450e6)),
        2.5,
    ),
    c(
        "I10",
        "the same: 60 over 30 s",
        lambda: w.absorption_ratio((30, 60, 600), (120e6, 180e6, 450e6)),
        1.5,
    ),
    c(
        "P1",
        "10 mH, 100 nF, 40 Ω: damped ring",
        lambda: w.ring(10e-3, 100e-9, 40).hertz,
        5022.845,
    ),
    c("P3", "10 % inductance lost: ring moves by", lambda: w.frequency_shift(10), 5.4093, 1e-4),
    c(
        "P7",
        "area between two short waves",
        lambda: w.waveform_difference((0, 10, 5, -5, -2, 0), (0, 9, 5, -4, -2, 0)),
        9.0909,
        1e-4,
    ),
    Check(
        "P8",
        "area between 5000 and 5100 Hz",
        lambda: w.waveform_difference(wave(5000), wave(5100)),
        9.706,
        0.01,
    ),
    c(
        "P10",
        "impulse level, 6.6 kV",
        lambda: w.impulse_level(6600),
        31_400,
        1e-9,
        "IEC 60034-15 formula, memory, high",
    ),
    c(
        "P11",
        "surge unit, 4160 V, 3.5 pu",
        lambda: w.surge_unit(4160, per_unit=3.5),
        11_888.2,
        1e-5,
        "IEEE 522 formula, memory, high",
    ),
    c(
        "P13",
        "power-frequency level, 460 V",
        lambda: w.power_frequency_level(460),
        1920,
        1e-9,
        "public page of a handbook table",
    ),
    c(
        "-",
        "120 µs against 105 µs",
        lambda: w.unbalance((120e-6, 120e-6, 105e-6), "span-max"),
        12.5,
        1e-9,
    ),
    Check(
        "G1",
        "GUM 4.3.7 voltmeter: u",
        lambda: w.rectangular(
            w.accuracy_limits(
                0.928571, percent_of_reading=14e-4, percent_of_range=2e-4, full_range=1.0
            )
        ),
        8.66e-6,
        0.05e-6,
        "GUM 4.3.7, memory, and formula",
    ),
    Check(
        "G3",
        "certificate ±129 µΩ at 99 %",
        lambda: w.from_certificate(129e-6, 2.58),
        50e-6,
        0.1e-6,
        "GUM 4.3.4, memory, and formula",
    ),
    c(
        "G5",
        "0.02 % + 3 counts at 0.5000 Ω: u",
        lambda: w.rectangular(
            w.accuracy_limits(0.5, percent_of_reading=0.02, counts=3, resolution=1e-4)
        ),
        0.00023094,
        1e-4,
    ),
    c(
        "G10",
        "reversed current 2.05/−1.95 mV, 10 mA",
        lambda: w.reversed_current_resistance(2.05e-3, -1.95e-3, 10e-3).resistance,
        0.2,
        1e-9,
    ),
    Check(
        "G18",
        "509.7 against a lower 490, u 8.6",
        lambda: w.conformity(509.7, 490, "lower", 8.6),
        0.98901,
        1e-5,
        "JCGM 106 example, memory, and formula",
    ),
)


def main() -> int:
    """Print every check; give 1 if one does not hold."""
    failed = 0
    for check in CHECKS:
        holds = abs(check.value - check.expected) <= check.tolerance
        failed += not holds
        mark = "pass" if holds else "FAIL"
        print(
            f"{check.id:4} {check.what:50} {check.value:<14.8g} {check.expected:<12.8g} {mark}  {check.origin}"
        )
    print(f"{len(CHECKS) - failed} of {len(CHECKS)} hold")
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
