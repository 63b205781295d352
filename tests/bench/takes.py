"""False and missed takes of the settling watch, by time constant, scatter and rate.

    python -P tests/bench/takes.py [RUNS]

RUNS (at least 200 for figures that mean something) is for each cell. Prints the first table for a
fixed seed and for one that is drawn afresh, and the second for the fixed one.

A display shows what a meter shows whose source is a voltage behind a resistance: R + (R + Rs)·x/(1
− x) with x = exp(−t/τ), with normal scatter, rounded to six digits. The reading's standard
uncertainty is u = 5e-4 of it; a take is *false* where the value taken stands off from R by more than
the expanded uncertainty 2u. It is *missed* where it comes later than five time constants (or, where
that is longer, than the time until the display is within u/3 of R), and then eight samples or three
seconds, and then the time that the scatter needs.

*The leads touch*: the display shows no value, then the approach from its beginning. The scatter
needs the time after which the slope of an approach of a hundredth of the value with the longest time
constant, 30 s, is six times its standard uncertainty. *In the middle*: the watch begins at a moment when what is left is anything
from 0.1 u to 1000 u (evenly in the logarithm) and has seen no touch; nothing but the slope excludes
a slow change, and the scatter needs the time after which the standard uncertainty of a slope, times
30 s, is a quarter of u/3; two time constants stand for the five.
"""

import argparse
import math
import secrets
import statistics
import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from capture.jobs.settling import Sample, SettleWatch

RELATIVE = 5e-4
OHMS, SOURCE = 0.8242, 0.05
U = RELATIVE * OHMS
LONGEST = 30.0
TAUS = (0.05, 0.3, 1.0, 3.0, 10.0, 30.0)
NOISES = (0.1, 0.3, 1.0)
RATES = (2.0, 10.0)
SEED = 20_261


def slope_time(noise, rate, wanted):
    """Give when the standard uncertainty of a slope from scatter, σ√12/(T√(rT)), is `wanted`."""
    return (noise * math.sqrt(12 / rate) / wanted) ** (2 / 3)


def shown(seconds, tau):
    """Give what the display tends to show so long after the touch."""
    x = np.exp(-seconds / tau)
    return OHMS + (OHMS + SOURCE) * x / (1 - x)


def run(tau, noise, rate, touched, rng):
    """Run one touch; give the error of the value taken in u, the time, and the time allowed."""
    watch = SettleWatch(RELATIVE, LONGEST)
    wait = max(5 * tau, tau * math.log(3 * (OHMS + SOURCE) / U)) + max(8 / rate, 3.0)
    if touched:
        begin = rng.uniform(0.05, 1.0) / rate
        allowed = wait + slope_time(noise, rate, 0.01 / RELATIVE / LONGEST / 6)
        watch.feed(Sample(0.0, None, status="above-range"))
        offset = 0.0
    else:
        left = 10 ** rng.uniform(-1, 3) * U
        begin = offset = tau * math.log1p((OHMS + SOURCE) / left)
        wait = max(2 * tau, tau * math.log(3 * left / U)) + max(8 / rate, 3.0)
        allowed = wait + slope_time(noise, rate, 1 / 12 / LONGEST)
    count = int((2 * allowed + 20) * rate)
    times = begin + (np.arange(count) + rng.uniform(-0.1, 0.1, count)) / rate
    times = np.maximum(times, begin)
    values = shown(times, tau) + rng.normal(0, noise * U, count)
    for second, value in zip(times, values, strict=True):
        decision = watch.feed(Sample(float(second), float(f"{value:.6g}")))
        if decision.settled:
            return (decision.value - OHMS) / U, second - offset, allowed
    return None, math.inf, allowed


def cell(job):
    """Run one cell of a table."""
    tau, noise, rate, touched, runs, seed = job
    rng = np.random.default_rng([seed, int(tau * 100), int(noise * 10), int(rate), touched])
    results = [run(tau, noise, rate, touched, rng) for _ in range(runs)]
    false = sum(error is not None and abs(error) > 2 for error, _, _ in results)
    missed = sum(seconds > allowed for _, seconds, allowed in results)
    worst = max((abs(error) for error, _, _ in results if error is not None), default=math.nan)
    times = [seconds for _, seconds, _ in results]
    allowed = statistics.median(each for _, _, each in results)
    return job, false, missed, worst, statistics.median(times), max(times), allowed


def table(pool, title, touched, runs, seed):
    """Print one table; give its counts of false and missed takes, and of runs."""
    jobs = [
        (tau, noise, rate, touched, runs, seed)
        for tau in TAUS
        for noise in NOISES
        for rate in RATES
    ]
    print(f"\n{title}; {runs} runs a cell, seed {seed}\n")
    print("  tau s  scatter/u  rate/s  false  missed  worst/u  median s  slowest s  allowed s")
    false = missed = 0
    for job, wrong, late, worst, median, slowest, allowed in pool.map(cell, jobs):
        tau, noise, rate = job[:3]
        print(
            f"{tau:7g}  {noise:9g}  {rate:6g}  {wrong:5d}  {late:6d}  {worst:7.2f}"
            f"  {median:8.1f}  {slowest:9.1f}  {allowed:9.1f}"
        )
        false, missed = false + wrong, missed + late
    total = runs * len(jobs)
    print(f"\n{false} false and {missed} missed of {total}")
    return false, missed, total


def main():
    """Print the tables; exit 1 where more than 1 of 1000 takes is false or 1 of 100 missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("runs", nargs="?", type=int, default=200)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    fresh = secrets.randbelow(10**6)
    bad = False
    with ProcessPoolExecutor(given.workers) as pool:
        for title, touched, seed in (
            ("The leads touch", True, SEED),
            ("The leads touch", True, fresh),
            ("In the middle, no touch seen", False, SEED),
        ):
            false, missed, total = table(pool, title, touched, given.runs, seed)
            bad |= false > total / 1000 or missed > total / 100
    sys.exit(bad)


if __name__ == "__main__":
    main()
