"""How often a sound winding is called suspicious: `python -P tests/bench/false_alarms.py`.

    python -P tests/bench/false_alarms.py [windings a row] [--seed N] [--only TEXT]

Sound windings are simulated whose phases differ by so much, and read with noise. Each row says the
connection, what was read, the law of the pulse times and whether the judge was told it, how much the
phases differ, and the share that was suspected. As `assumed`: the phases differ as the judge takes it;
`concentric`: as those of such a winding, and it is told; `wider`: more than it takes. Exit 1 where one
of the first two is suspected more often than chance allows; of the third nothing is promised. The last
full run is kept in false_alarms.txt.
"""

import argparse
import sys
from dataclasses import dataclass, replace
from fractions import Fraction
from math import comb
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from confusion import LAWS, SETS, evidence_of, hash_of, say, sound_winding, table_key

from capture.winding import CONCENTRIC_SPREAD, Spread, suspect
from capture.winding.structural import FALSE_ALARM

# How the phases differ, and how the judge takes it that they do.
DIFFER = {
    "assumed": (Spread(), Spread()),
    "concentric": (CONCENTRIC_SPREAD, CONCENTRIC_SPREAD),
    "wider": (Spread(resistance=0.01, inductance=0.03), Spread()),
}
CHANCE = Fraction(1, 10_000)  # that a judge who keeps the promise is called one who breaks it


@dataclass(frozen=True, slots=True)
class Row:
    """One kind of sound windings, and what the judge is given of them."""

    connection: str
    evidence: str
    law: str
    told: bool
    differ: str = "assumed"

    def __str__(self):
        law = f"{self.law} ({'told' if self.told else 'not told'})"
        return f"{self.connection:6} {self.evidence:14} {law:26} {self.differ}"


def rows():
    """Give the rows: pulse times alone by every law, told and not, then all that can be read."""
    for differ in DIFFER:
        for connection in ("star", "delta", "open"):
            for told in (False, True):
                for law in LAWS:
                    yield Row(connection, "pulse", law, told, differ)
            for evidence in ("R + pulse", "R + L + pulse"):
                yield Row(connection, evidence, "period", told=True, differ=differ)


def alarms(row, *, count, seed):
    """Give how many of so many sound windings are called suspicious."""
    differ, taken = DIFFER[row.differ]
    spread = {"resistance": differ.resistance, "inductance": differ.inductance}
    read = []
    for number in range(count):
        rng = np.random.default_rng([seed, number, hash_of(str(row))])
        winding = sound_winding(rng, row.connection, rotor=False, spread=spread)
        names = SETS[row.evidence]
        evidence = evidence_of(rng, winding, names, row.law, row.connection, "out", spoiled=False)
        law = row.law if row.told else "unknown"
        read.append(replace(evidence, law=law, spread=taken))
    if row.told:
        read.sort(key=table_key)  # like windings in a row: the judge keeps few tables
    return sum(suspect(evidence, advise=False).detected for evidence in read)


def most(count, share=FALSE_ALARM, chance=CHANCE):
    """Give the most alarms that chance allows: more have less than this chance (binomial, exact)."""
    share = Fraction(share).limit_denominator(10**6)
    left = Fraction(1)
    for number in range(count + 1):
        left -= comb(count, number) * share**number * (1 - share) ** (count - number)
        if left < chance:
            return number
    return count


def main():
    """Print the table; exit 1 when a promise is not kept."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("count", nargs="?", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="rows that hold this text")
    options = parser.parse_args()
    bound = most(options.count)
    say(f"seed {options.seed}, {options.count} windings a row; promised {100 * FALSE_ALARM:g} %,")
    say(f"so {bound} at most but for a chance of {float(CHANCE):g}")
    kept = True
    for row in rows():
        if options.only not in str(row):
            continue
        found = alarms(row, count=options.count, seed=options.seed)
        word = "kept" if found <= bound else "BROKEN"
        if row.differ == "wider":
            word = "nothing promised"
        kept &= word != "BROKEN"
        say(f"{row!s:62}{found:6} of {options.count}{100 * found / options.count:8.2f} %  {word}")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
