"""From a test set to results with verdicts, and a named suspect or an honest "cannot tell"."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from capture.errors import InputError
from capture.judging.gather import Gathered, InsulationAt, gather
from capture.judging.kinds import (
    between_phases,
    insulation_limits,
    judged_as,
    phases_alike,
    resistance_limits,
)
from capture.judging.lacking import NoConditionError
from capture.judging.suspicion import READ_APART, pulse_note, suspicion_of
from capture.model.testset import TestSet
from capture.winding import (
    Asymmetry,
    Bounded,
    EitherConnection,
    InsulationIndices,
    Limit,
    Measured,
    MissingReadingError,
    Overall,
    Result,
    Suspicion,
    Verdict,
    WindingError,
    correct_resistance,
    inductance_balance,
    insulation_at_40,
    insulation_indices,
    judge_either,
    load_limits,
    open_phase,
    overall,
    phase_resistances,
    pulse_comparison,
    unbalance,
)

Overrides = Mapping[str, Mapping[str, object]]
_PASSES = (Verdict.PASS, Verdict.CONDITIONAL_PASS)
_FAILS = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL)
_SAY_WHICH = "say which it is"
_NO_MAKE = "concentric does not say which"
_NOT_ALIKE = (
    "concentric winding: its phases may differ by construction, so a difference between them fails "
    "nothing by itself; compare it with an earlier test of this winding"
)
_OF_THE_WHOLE = (
    "insulation was tested part by part, and limits are written for the whole winding: a part that "
    "is below the limit fails, one above it passes nothing"
)
_ROTOR_PAIRS = ("K-L", "L-M", "M-K")
_SMALL_ASYMMETRY = 1.0  # per cent; below, single readings cannot tell it from scatter


@dataclass(frozen=True, slots=True)
class Named:
    """A result and what it is, in words."""

    name: str
    result: Result


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything that can be said of a test set.

    Attributes:
        results: in the order a person would read them.
        suspicion: what is suspected, where the evidence allows the question.
        not_run: steps that belong to the test and have no readings.
        overall: the verdict over all; never a pass while steps are not run.
        notes: what was not used, and why.
    """

    results: tuple[Named, ...]
    suspicion: Suspicion | None
    not_run: tuple[str, ...]
    overall: Overall
    notes: tuple[str, ...]


def assess(test_set: TestSet, site_limits: Overrides | None = None) -> Assessment:
    """Compute and judge everything that the readings allow.

    Raises:
        InputError: a set that cannot be, or a limit that does not exist; says what and why.
    """
    try:
        return _assess(test_set, site_limits)
    except WindingError as error:
        raise InputError(str(error)) from error


def _assess(test_set: TestSet, site_limits: Overrides | None) -> Assessment:
    limits = load_limits(site=site_limits, machine=test_set.rules.limits)
    found = gather(test_set)
    bench = _Bench(test_set, found, limits)
    for part in (bench.resistance, bench.inductance, bench.insulation, bench.pulse):
        part()
    given = {
        "resistance": bool(found.resistance or found.resistance_elsewhere),
        "inductance": bool(found.inductance),
        "insulation": bool(found.insulation or found.insulation_at or found.insulation_by_phase),
        "pulse": bool(found.pulse),
    }
    not_run = tuple(step for step in test_set.steps if not given[step])
    suspicion = suspicion_of(test_set, found)
    found.notes += pulse_note(bench.pulse_statement, suspicion, apart=READ_APART in found.notes)
    return Assessment(
        results=tuple(bench.results),
        suspicion=suspicion,
        not_run=not_run,
        overall=_overall(bench.results, not_run, found),
        notes=tuple(found.notes),
    )


def _overall(results: list[Named], not_run: tuple[str, ...], found: Gathered) -> Overall:
    """Give the verdict over all; no pass while something was tested that no limit is known of."""
    whole = overall(
        {each.name: each.result.judgement for each in results if each.result.judgement}
        | dict.fromkeys(not_run)
    )
    insulation = [place for place, each in found.insulation_at.items() if not each.own]
    strange = {"insulation": insulation, "resistance": list(found.resistance_elsewhere)}
    said = [f"the {what} of {', '.join(places)}" for what, places in strange.items() if places]
    if whole.verdict not in _PASSES or not said:
        return whole
    reason = f"no limit for {' and '.join(said)}"
    return replace(whole, verdict=Verdict.INCONCLUSIVE, decided_by=(), reason=reason)


class _Bench:
    """Computes quantity by quantity."""

    def __init__(self, test_set: TestSet, found: Gathered, limits: Mapping[str, Limit]) -> None:
        self.results: list[Named] = []
        self.pulse_statement = ""
        self._machine = test_set.machine
        self._kind = judged_as(test_set.machine.winding)
        self._alike = phases_alike(test_set.machine.winding)
        self._conditions = test_set.conditions
        self._rules = test_set.rules
        self._found = found
        self._limits = limits

    def resistance(self) -> None:
        """Unbalance, phases, and each pair at the reference temperature."""
        readings = self._found.resistance
        self._rotor_resistance()
        if not readings:
            return
        if any(isinstance(each, Bounded) for each in readings.values()):
            if self._machine.connection != "open":
                uv, vw, wu = (_plain(each) for each in readings.values())
                self._found.notes.append(open_phase(uv, vw, wu).statement)
            return
        numbers = {pair: each for pair, each in readings.items() if isinstance(each, Measured)}
        limits = between_phases(resistance_limits(self._limits, self._kind), self._machine.winding)
        self._add_difference(
            f"resistance unbalance ({self._rules.resistance})",
            unbalance(numbers, self._rules.resistance, inputs=self._ids("resistance")),
            limits,
        )
        self._say_undecided("resistance unbalance", limits)
        self._phases(numbers)
        self._at_reference(numbers)

    def inductance(self) -> None:
        """Unbalance of inductance and angle."""
        readings = self._found.inductance
        if not readings:
            return
        balance = inductance_balance(readings, self._rules.inductance)
        limit = (
            "inductance-unbalance-rotor-in"
            if {each.rotor for each in readings.values()} == {"in"}
            else "inductance-unbalance"
        )
        inductance = replace(balance.inductance, inputs=self._ids("inductance"))
        self._add_difference(
            f"inductance unbalance ({self._rules.inductance})", inductance, self._limit(limit)
        )
        if balance.degrees is not None:
            self._add("phase angle, largest distance from the mean", balance.degrees)
        self._found.notes += balance.notes

    def insulation(self) -> None:
        """One-minute value at 40 °C against the least, and the ratios that mean something."""
        series, celsius = self._found.insulation, self._conditions.winding_celsius
        if not series and not self._found.insulation_at:
            return
        if celsius is None:
            raise NoConditionError(
                "insulation resistance cannot be brought to 40 °C: give ", "winding_celsius"
            )
        for place, each in self._found.insulation_at.items():
            self._insulation_at(place, each, celsius)
        if series:
            self._main_insulation(series, celsius)

    def pulse(self) -> None:
        """Deviation between the pairs; directions apart from it."""
        readings = self._found.pulse
        if not readings:
            return
        law = self._found.law
        comparison = pulse_comparison(
            readings,
            law,  # type: ignore[arg-type] # one of the laws, or refused there
            self._rules.pulse,
            self._found.pulse_rotor,
        )
        deviation = replace(comparison.deviation, inputs=self._ids("pulse"))
        self._add_difference(
            f"pulse deviation ({self._rules.pulse})", deviation, self._limit("pulse-deviation")
        )
        self.pulse_statement = comparison.statement
        self._found.notes += [*_directions(comparison.asymmetry), *comparison.notes]

    # ── parts ────────────────────────────────────────────────────────────────────────────────

    def _rotor_resistance(self) -> None:
        """Unbalance of a wound rotor's three pairs; no limit is known to be written for it."""
        found = self._found.resistance_elsewhere
        numbers = {pair: found[pair] for pair in _ROTOR_PAIRS if pair in found}
        known = {pair: each for pair, each in numbers.items() if isinstance(each, Measured)}
        if len(known) < len(_ROTOR_PAIRS):
            return
        ids = tuple(each for pair in _ROTOR_PAIRS for each in self._ids(pair)[-1:])
        result = unbalance(known, self._rules.resistance, inputs=ids)
        self._add(f"rotor resistance unbalance ({self._rules.resistance})", result)

    def _main_insulation(
        self, series: list[tuple[float | None, Measured | Bounded]], celsius: float
    ) -> None:
        timed = [(time, ohms) for time, ohms in series if time is not None]
        if len(timed) == len(series) and len(timed) > 1:
            self._insulation_series(timed, celsius)
            return
        for time, ohms in series:
            when = "" if time is None else f" after {time:g} s"
            at_40 = self._at_40(ohms, celsius)
            self._against_least(f"insulation resistance{when}, at 40 °C", at_40)

    def _at_40(self, ohms: Measured | Bounded, celsius: float) -> Result:
        number = ohms.bound if isinstance(ohms, Bounded) else ohms
        at_40 = insulation_at_40(number, celsius, self._machine.insulation)
        return replace(at_40, bound=ohms.side) if isinstance(ohms, Bounded) else at_40

    def _indices(
        self, timed: list[tuple[float, Measured | Bounded]], celsius: float
    ) -> InsulationIndices:
        return insulation_indices(
            [time for time, _ in timed],
            [each if isinstance(each, Bounded) else each.value for _, each in timed],
            celsius=celsius,
            insulation=self._machine.insulation,
            winding=self._machine.winding,
        )

    def _insulation_at(self, place: str, found: InsulationAt, celsius: float) -> None:
        """Bring what no limit is written for to 40 °C, and say why nothing judges it."""
        timed = [(time, ohms) for time, ohms in found.series if time is not None]
        values: list[tuple[float | None, Result]]
        if len(timed) == len(found.series) and len(timed) > 1:
            try:
                indices = self._indices(timed, celsius)
            except MissingReadingError as error:
                self._found.notes.append(f"insulation {place}: {error}")
                return
            values = [(60.0, indices.one_minute_at_40)]
        else:
            values = [(time, self._at_40(ohms, celsius)) for time, ohms in found.series]
        for time, at_40 in values:
            when = "" if time is None else f" after {time:g} s"
            result = replace(at_40, inputs=tuple(each for each in found.inputs if each))
            name = f"insulation resistance {place}{when}, at 40 °C"
            if found.own:
                self._part_against_least(name, result)
            else:
                self._add(name, result)
                self._note(f"insulation {place}: no limit; the machine's nameplate is not its own")

    def _phases(self, numbers: Mapping[str, Measured]) -> None:
        connection = self._machine.connection
        if connection == "open":
            return
        uv, vw, wu = numbers.values()
        solved = phase_resistances(uv, vw, wu, connection)
        ways = [solved.star, solved.delta] if isinstance(solved, EitherConnection) else [solved]
        for each in ways:
            for phase, result in each.results.items():
                self._add(f"resistance of phase {phase}, {each.connection}", result)

    def _at_reference(self, numbers: Mapping[str, Measured]) -> None:
        conditions, k = self._conditions, self._machine.zero_resistance_celsius
        if conditions.winding_celsius is None or conditions.reference_celsius is None:
            return
        if k is None:
            self._found.notes.append(
                "resistances are not brought to the reference temperature: the conductor's "
                "constant k (zero_resistance_celsius) is not given, and several values circulate"
            )
            return
        for pair, number in numbers.items():
            corrected = correct_resistance(
                number, conditions.winding_celsius, conditions.reference_celsius, k
            )
            self._add(f"resistance {pair} at {conditions.reference_celsius:g} °C", corrected)

    def _insulation_series(
        self, timed: list[tuple[float, Measured | Bounded]], celsius: float
    ) -> None:
        try:
            indices = self._indices(timed, celsius)
        except MissingReadingError as error:
            self._found.notes.append(f"insulation: {error}")
            return
        self._against_least("insulation resistance after 60 s, at 40 °C", indices.one_minute_at_40)
        if indices.polarization_index is not None:
            thermal = self._machine.thermal_class
            self._add(
                "polarization index",
                indices.polarization_index,
                self._limit(f"polarization-index-{thermal}"),
            )
            self._undecided_index()
        if indices.short_ratio is not None:
            self._add(
                "short absorption ratio", indices.short_ratio, self._limit("absorption-ratio")
            )
        self._found.notes += indices.notes

    def _against_least(self, name: str, at_40: Result) -> None:
        machine = self._machine
        result = replace(at_40, inputs=self._ids("insulation"))
        of_kinds = {
            kind: insulation_limits(self._limits, machine.rated_volts, kind, machine.year)
            for kind in (self._kind, "unknown")
        }
        limits = of_kinds[self._kind]
        if not limits:
            self._found.notes.append(f"{name}: no limit without the machine's rated_volts and year")
        self._add(name, result, limits)
        self._say_undecided("insulation resistance", limits)
        if self._kind == "random" and len(of_kinds["unknown"]) > 1:
            least = of_kinds["unknown"]["form-wound"].value
            self._note(
                f"judged as random-wound at {machine.rated_volts:g} V rated, which is uncommon: "
                f"were it form-wound, at least {least / 1e6:g} MΩ would be asked for"
            )

    def _part_against_least(self, name: str, result: Result) -> None:
        """Hold a part against the least of the whole, which reads less than any of its parts.

        A part that is below it fails; one that is above says nothing yet of the whole.
        """
        machine = self._machine
        limits = insulation_limits(self._limits, machine.rated_volts, self._kind, machine.year)
        self._add(name, result, limits)
        self._note(_OF_THE_WHOLE)
        result = self.results[-1].result
        judgement = result.judgement
        if judgement is not None and judgement.verdict in _PASSES:
            judgement = replace(
                judgement,
                verdict=Verdict.INCONCLUSIVE,
                reason="the limit is written for the whole winding, which reads less than a part",
            )
            self.results[-1] = Named(name, replace(result, judgement=judgement))

    def _add(self, name: str, result: Result, limits: Mapping[str, Limit] | None = None) -> None:
        """Keep a result, judged by the one of the limits that holds, or by all that may."""
        if limits and result.judgement is None:
            strange = [each for each in limits.values() if each.formula != result.formula]
            if strange:
                more = tuple(_not_applied(each, result) for each in strange)
                result = replace(result, notes=(*result.notes, *more))
            else:
                judgement = judge_either(result, limits, self._rules.rule, ask=self._ask)
                result = replace(result, judgement=judgement)
        self.results.append(Named(name, result))

    def _add_difference(self, name: str, result: Result, limits: Mapping[str, Limit]) -> None:
        """Keep a difference between phases; it fails none whose phases are not built alike.

        A machine's own limit is made for it and holds as it stands.
        """
        self._add(name, result, limits)
        if self._alike or any(each.adopted_by == "machine" for each in limits.values()):
            return
        self._note(_NOT_ALIKE)
        result = self.results[-1].result
        judgement = result.judgement
        if judgement is None or judgement.verdict not in _FAILS:
            return
        judgement = replace(
            judgement,
            verdict=Verdict.INCONCLUSIVE,
            reason=f"{judgement.verdict} if its phases were alike, and those of a concentric "
            "winding may differ by construction",
        )
        self.results[-1] = Named(name, replace(result, judgement=judgement))

    def _limit(self, name: str) -> dict[str, Limit]:
        """Give a limit by its id; nothing where there is none."""
        return {name: self._limits[name]} if name in self._limits else {}

    @property
    def _ask(self) -> str:
        """What a person may do where the kind decides: of a concentric one nothing can be said."""
        return _NO_MAKE if self._machine.winding == "concentric" else _SAY_WHICH

    def _say_undecided(self, what: str, limits: Mapping[str, Limit]) -> None:
        if len(limits) < 2:  # noqa: PLR2004 - one is the one that holds
            return
        held = f"{what} is held against the limits of {' and '.join(limits)}, and stays undecided"
        if self._machine.winding == "concentric":
            self._note(f"concentric does not say how coils are made: {held} between them")
        else:
            self._note(f"the kind of winding is not known: {held} between them; {_SAY_WHICH}")

    def _note(self, words: str) -> None:
        """Note once what several results may have to say."""
        if words not in self._found.notes:
            self._found.notes.append(words)

    def _undecided_index(self) -> None:
        """Let no polarization index fail that may not apply at all."""
        last = self.results[-1]
        judgement = last.result.judgement
        if self._kind != "unknown" or judgement is None:
            return
        if judgement.verdict in _FAILS:
            judgement = replace(
                judgement,
                verdict=Verdict.INCONCLUSIVE,
                reason=f"{judgement.verdict} if form-wound, {Verdict.NOT_APPLICABLE} if "
                f"random-wound: {self._ask}",
            )
            self.results[-1] = Named(last.name, replace(last.result, judgement=judgement))

    def _ids(self, quantity: str) -> tuple[str, ...]:
        return tuple(id_ for id_ in self._found.inputs.get(quantity, ()) if id_)


def _plain(reading: Measured | Bounded) -> float | Bounded:
    return reading if isinstance(reading, Bounded) else reading.value


def _not_applied(limit: Limit, result: Result) -> str:
    return f"limit {limit.id} is written for {limit.formula}, not for {result.formula}: not applied"


def _directions(asymmetry: Mapping[str, Asymmetry]) -> list[str]:
    """Say how the directions differ: pair by pair where that means something, else in one line."""
    if not asymmetry:
        return []
    largest = max(abs(each.per_cent) for each in asymmetry.values())
    if largest < _SMALL_ASYMMETRY and not any(each.significant for each in asymmetry.values()):
        return [f"leads swapped: the directions of a pair differ by {largest:.2f} % at most"]
    return [each.statement for each in asymmetry.values()]
