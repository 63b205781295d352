"""Known answers: simulated windings with a known fault, and what `suspect` says of them.

Run as `python -P tests/bench/confusion.py [windings per hypothesis]`; 500 is the full form. For
each hypothesis, connection and set of evidence it prints the share of answers that are right,
`cannot tell`, not seen (the signal is below what a sound winding may show) and wrong, and then the
figures that the answers are held to. Seeds are fixed, one more is drawn afresh and printed. One
file, since it is loaded by its path, by a test as well.
"""

import argparse
import secrets
import sys
from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np

from capture.winding import Bounded, Evidence, InductanceReading, Measured, suspect
from capture.winding.evidence import ENDS, contrasts
from capture.winding.hypotheses import (
    BAD_READING,
    BALANCED,
    COIL_FAULTS,
    FEWER_TURNS,
    HIGH_JOINT,
    OPEN_PATH,
    OPEN_PHASE,
    PHASE_TO_PHASE,
    REVERSED,
    ROTOR,
    SHORTED_TURNS,
    TWO_FAULTS,
)
from capture.winding.likelihood import setting_of
from simulators.pulse import PulseInstrument
from simulators.winding import PAIRS, PHASES, Rotor, Winding
from simulators.winding_faults import (
    FewerTurns,
    HighJoint,
    OpenPath,
    OpenPhase,
    PhaseToPhase,
    ReversedGroup,
    ShortedTurns,
)

HERTZ = 1000.0
NOISE = {"resistance": 1e-3, "inductance": 2e-3, "loss": 1e-2, "pulse": 3e-3}
SPREAD = {"resistance": 0.0075, "inductance": 0.02}
LAWS = ("period", "time-constant", "rise")
SOURCE_OHMS = 0.5
DESIGNS = (
    {"ohms": 0.8, "henries": 8e-3, "turns": 96, "groups": 4},
    {"ohms": 2.0, "henries": 20e-3, "turns": 180, "groups": 6},
    {"ohms": 6.0, "henries": 40e-3, "turns": 240, "groups": 4},
)
FAULTS = (
    FEWER_TURNS,
    SHORTED_TURNS,
    HIGH_JOINT,
    OPEN_PHASE,
    OPEN_PATH,
    REVERSED,
    PHASE_TO_PHASE,
    BAD_READING,
)
SETS = {
    "pulse": ("pulse",),
    "R + pulse": ("resistance", "pulse"),
    "R + L + pulse": ("resistance", "inductance", "pulse"),
}
THREE_U = 3.0


@dataclass(slots=True)
class Tally:
    """Counts of answers, and of those that the promises are about."""

    answers: Counter = field(default_factory=Counter)
    strong: int = 0
    strong_seen: int = 0
    strong_coil: int = 0
    strong_coil_right: int = 0
    apart: int = 0
    apart_right: int = 0
    named_as: Counter = field(default_factory=Counter)

    def __iadd__(self, other):
        self.answers += other.answers
        self.named_as += other.named_as
        for name in ("strong", "strong_seen", "strong_coil", "strong_coil_right", "apart"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.apart_right += other.apart_right
        return self


def sound_winding(rng, connection, *, rotor, designs=DESIGNS, spread=SPREAD):
    design = designs[rng.integers(len(designs))]
    return Winding(
        **design,
        connection=connection,
        main_share=rng.uniform(0.2, 0.9),
        turns_exponent=rng.uniform(1.6, 2.6),
        loss_tangent=rng.uniform(0.02, 0.06),
        ohm_factors=tuple(1 + spread["resistance"] * rng.standard_normal(3)),
        henry_factors=tuple(1 + spread["inductance"] * rng.standard_normal(3)),
        rotor=rotor_of(rng) if rotor else None,
    )


def rotor_of(rng):
    return Rotor(
        electrical_degrees=rng.uniform(0, 360),
        iron=rng.uniform(1.2, 2.0),
        saliency=rng.uniform(0.02, 0.3),
        cage=rng.uniform(0.3, 0.8) if rng.random() < 0.5 else 0.0,
    )


def faulty(rng, winding, hypothesis):
    """Give the winding with a fault of some size, and the coil or pair it is in."""
    phase = PHASES[rng.integers(3)]
    coil_turns = winding.turns // winding.groups
    match hypothesis:
        case "fewer turns in one coil":
            share = rng.uniform(0.01, 0.9 / winding.groups)
            fault = FewerTurns(phase=phase, share=share)
        case "shorted turns":
            fault = ShortedTurns(
                phase=phase,
                turns=int(rng.integers(1, max(3, coil_turns // 3))),
                contact_ohms=winding.ohms / winding.turns * 10 ** rng.uniform(-2, 0.5),
                coupling=rng.uniform(0.4, 0.9),
            )
        case "high-resistance joint":
            fault = HighJoint(phase=phase, ohms=winding.ohms * 10 ** rng.uniform(-1.7, 0))
        case "open phase":
            fault = OpenPhase(phase=phase)
        case "open parallel path":
            paths = (2, 3, 4)[rng.integers(3)]
            winding = replace(winding, paths=paths)
            fault = OpenPath(phase=phase, path=int(rng.integers(paths)))
        case "reversed group or wrong connection":
            fault = ReversedGroup(phase=phase)
        case "phase-to-phase":
            first = int(rng.integers(3))
            phase = PAIRS[first]
            fault = PhaseToPhase(
                first=PHASES[first],
                second=PHASES[(first + 1) % 3],
                ohms=winding.ohms * 10 ** rng.uniform(-2, 1),
            )
        case _:
            return winding, ""
    return replace(winding, faults=(fault,)), phase


def doubly_faulty(rng, winding):
    """Give the winding with two different faults, each in a coil of its own, and their names."""
    names = rng.choice([FEWER_TURNS, SHORTED_TURNS, HIGH_JOINT, REVERSED], 2, replace=False)
    faults = []
    for name, phase in zip(names, rng.permutation(PHASES), strict=False):
        one, _ = faulty(rng, winding, name)
        faults.append(replace(one.faults[0], phase=str(phase)))
    return replace(winding, faults=tuple(faults)), tuple(str(name) for name in names)


def noisy(rng, value, relative):
    if not np.isfinite(value):
        return Bounded(bound=1e6)
    return Measured(value=value * (1 + relative * rng.standard_normal()), random=relative * value)


def evidence_of(rng, winding, names, law, connection, rotor, spoiled):
    """Read the winding with instruments that have noise; spoil one reading where asked."""
    pairs = ENDS if winding.connection == "open" else PAIRS
    gain = 1 + 0.002 * rng.standard_normal()
    resistance = {}
    inductance = {}
    pulse = {}
    if "resistance" in names:
        resistance = {
            pair: noisy(rng, gain * winding.resistance(pair), NOISE["resistance"]) for pair in pairs
        }
        # The bridge refuses an open pair just as the ohmmeter does.
    openly = any(isinstance(one, Bounded) for one in resistance.values())
    if "inductance" in names and not openly:
        for pair in pairs:
            henries, ohms = winding.inductance(pair, HERTZ)
            inductance[pair] = InductanceReading(
                henries=noisy(rng, henries, NOISE["inductance"]),
                ohms=noisy(rng, ohms, NOISE["loss"]),
                hertz=HERTZ,
                rotor=rotor,
            )
    if "pulse" in names:
        tester = PulseInstrument(law=law, ohms=SOURCE_OHMS, amperes_per_volt=0.002)
        pulse = {pair: noisy(rng, tester.seconds(winding, pair), NOISE["pulse"]) for pair in pairs}
    if spoiled:
        spoil(rng, [readings for readings in (resistance, inductance, pulse) if readings])
    return Evidence(
        connection=connection,
        resistance=resistance,
        inductance=inductance,
        pulse=pulse,
        law=law,
        source_ohms=SOURCE_OHMS,
        rotor=rotor,
    )


def spoil(rng, tables):
    readings = tables[rng.integers(len(tables))]
    pair = PAIRS[rng.integers(3)]
    factor = 10 ** rng.uniform(-1.5, -0.2)
    factor = 1 + factor if rng.random() < 0.8 else 1 - factor
    reading = readings[pair]
    if isinstance(reading, InductanceReading):
        wrong = replace(reading.henries, value=reading.henries.value * factor)
        readings[pair] = replace(reading, henries=wrong)
    else:
        readings[pair] = replace(reading, value=reading.value * factor)


def answer_of(found, hypothesis, place, connection):
    """Give the answer as right, cannot tell, not seen or wrong."""
    if hypothesis == BALANCED:
        return answer_about_sound(found)
    if found.statement == "balanced":
        return "not seen"
    if found.statement != "named":
        return "cannot tell"
    if hypothesis == TWO_FAULTS:
        return "right" if found.hypothesis in place else "wrong"
    coil_right = hypothesis not in COIL_FAULTS or found.coils.get(connection) == place
    return "right" if found.hypothesis == hypothesis and coil_right else "wrong"


def answer_about_sound(found):
    """Give the answer about a sound winding, where a rotor may be seen and turns left open."""
    if found.statement == "balanced" or found.hypothesis == ROTOR:
        return "right"
    return "cannot tell" if "rotor or turns" in found.words[0] else "wrong"


def score(tally, found, hypothesis, place, connection):
    """Count an answer, and whether it keeps what is promised where the signal is strong."""
    answer = answer_of(found, hypothesis, place, connection)
    tally.answers[answer] += 1
    if answer == "wrong":
        tally.named_as[found.hypothesis or found.statement] += 1
    if hypothesis in (BALANCED, TWO_FAULTS) or found.signal < THREE_U:
        return
    tally.strong += 1
    tally.strong_seen += found.detected
    if hypothesis in COIL_FAULTS:
        tally.strong_coil += 1
        tally.strong_coil_right += found.coils.get(connection) == place
    if found.apart >= THREE_U and found.statement != "no single cause":
        tally.apart += 1
        causes = [c for c in found.candidates if c.hypothesis not in (BALANCED, TWO_FAULTS)]
        tally.apart_right += causes[0].hypothesis == hypothesis


@dataclass(frozen=True, slots=True)
class Case:
    """One simulated winding: what is wrong with it, where, and what was read."""

    hypothesis: str
    place: str | tuple[str, ...]
    evidence: Evidence


def cases_of(hypothesis, view, *, count, seed):
    """Read so many windings of one hypothesis; the laws of the pulse take turns."""
    for number in range(count):
        rng = np.random.default_rng([seed, number, hash_of(hypothesis), hash_of(view.connection)])
        winding = sound_winding(
            rng, view.connection, rotor=view.rotor == "in", designs=view.designs
        )
        if hypothesis == TWO_FAULTS:
            winding, place = doubly_faulty(rng, winding)
        else:
            winding, place = faulty(rng, winding, hypothesis)
        yield Case(
            hypothesis=hypothesis,
            place=place,
            evidence=evidence_of(
                rng,
                winding,
                SETS[view.evidence],
                view.laws[number % len(view.laws)],
                view.connection if view.told else "unknown",
                view.rotor,
                hypothesis == BAD_READING,
            ),
        )


def table_key(evidence):
    """Give what the tables of the judge depend on, so that like cases are judged in a row."""
    readings = (*evidence.resistance.values(), *evidence.pulse.values())
    if any(isinstance(reading, Bounded) for reading in readings):
        return ""
    first = "star" if evidence.connection == "unknown" else evidence.connection
    return repr(setting_of(evidence, contrasts(evidence), first))


def run(view, *, count, seed, hypotheses=None):
    """Judge so many windings of each hypothesis; give a tally for each."""
    wanted = hypotheses or (BALANCED, *FAULTS, TWO_FAULTS)
    cases = [case for name in wanted for case in cases_of(name, view, count=count, seed=seed)]
    tallies = {name: Tally() for name in wanted}
    for case in sorted(cases, key=lambda case: table_key(case.evidence)):
        found = suspect(case.evidence, advise=False)
        score(tallies[case.hypothesis], found, case.hypothesis, case.place, view.connection)
    return tallies


def hash_of(text):
    """Give a number that is the same in every run, unlike hash()."""
    return int.from_bytes(text.encode()[:8], "big") % 2**31 + len(text)


@dataclass(frozen=True, slots=True)
class View:
    """What the judge is given: the connection, whether it is told, the rotor, the evidence.

    Fewer laws and designs need fewer tables, which is what takes time in a short run.
    """

    connection: str
    evidence: str
    told: bool = True
    rotor: str = "out"
    laws: tuple = LAWS
    designs: tuple = field(default=DESIGNS, hash=False)

    def __str__(self):
        told = "" if self.told else " (not told)"
        return f"{self.connection}{told}, rotor {self.rotor}, {self.evidence}"


def views_of(connection):
    """Give the views of one connection: three sets of evidence, told and not, and the rotor in."""
    for name in SETS:
        yield View(connection, name)
        yield View(connection, name, told=False)
    yield View(connection, "R + L + pulse", rotor="in")


def campaign(count, seed, views, report):
    """Run all views; give the tallies by (view, hypothesis)."""
    tallies = {}
    for view in views:
        found = run(view, count=count, seed=seed)
        tallies |= {(view, hypothesis): tally for hypothesis, tally in found.items()}
        report(f"\n{view}")
        report(f"  {'':36}{'right':>7}{'cannot':>8}{'unseen':>8}{'wrong':>7}   taken for")
        for hypothesis, tally in found.items():
            report(row(hypothesis, tally))
    return tallies


def row(hypothesis, tally):
    total = sum(tally.answers.values())
    shares = [
        f"{100 * tally.answers[name] / total:{width}.1f}"
        for name, width in (("right", 7), ("cannot tell", 8), ("not seen", 8), ("wrong", 7))
    ]
    taken = ", ".join(f"{name} {number}" for name, number in tally.named_as.most_common(3))
    return f"  {hypothesis:36}{''.join(shares)}   {taken}"


def summary(tallies):
    """Give the figures that the answers are held to, as (name, share, of how many, bound, met)."""
    total, healthy = Tally(), Tally()
    for (_, hypothesis), tally in tallies.items():
        if hypothesis == BALANCED:
            healthy += tally
        elif hypothesis != TWO_FAULTS:
            total += tally
    sound = sum(healthy.answers.values())
    wrong = total.answers["wrong"] + healthy.answers["wrong"]
    everything = sum(total.answers.values()) + sound
    least = [
        ("fault seen, signal of 3U or more", total.strong_seen, total.strong, 0.99),
        ("right coil, signal of 3U or more", total.strong_coil_right, total.strong_coil, 0.97),
        ("right class, hypotheses 3U apart", total.apart_right, total.apart, 0.95),
    ]
    most = [
        ("named but wrong, of all", wrong, everything, 0.01),
        ("sound but called faulty", healthy.answers["wrong"], sound, 0.002),
    ]
    return [
        *((name, part, whole, bound, part >= bound * whole) for name, part, whole, bound in least),
        *((name, part, whole, bound, part <= bound * whole) for name, part, whole, bound in most),
    ]


def say(line):
    """Write a line at once: a run takes long."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main():
    """Run the campaign for a fixed and a fresh seed; exit 1 when a figure is not met."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("count", nargs="?", type=int, default=500)
    parser.add_argument("--seed", type=int, action="append")
    parser.add_argument("--connection", choices=("star", "delta"), action="append")
    options = parser.parse_args()
    kept = True
    for seed in options.seed or (1, secrets.randbelow(2**31)):
        say(f"seed {seed}, {options.count} windings a hypothesis")
        views = [v for name in options.connection or ("star", "delta") for v in views_of(name)]
        say("")
        for name, part, whole, bound, met in summary(campaign(options.count, seed, views, say)):
            kept &= met
            share = 100 * part / max(whole, 1)
            word = "met" if met else "NOT met"
            say(f"  {name:36}{part:8} of {whole:<7}{share:8.2f} %, bound {100 * bound:g} %: {word}")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
