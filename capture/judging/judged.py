"""What a test set has given so far: results, each judged by the limits that hold for it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from capture.judging.gather import Gathered
from capture.judging.kinds import judged_as, phases_alike
from capture.model.testset import TestSet
from capture.winding import Limit, Result, Verdict, judge_either

PASSES = (Verdict.PASS, Verdict.CONDITIONAL_PASS)
FAILS = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL)
_SAY_WHICH = "say which it is"
_NO_MAKE = "concentric does not say which"
_NOT_ALIKE = (
    "concentric winding: its phases may differ by construction, so a difference between them fails "
    "nothing by itself; compare it with an earlier test of this winding"
)


@dataclass(frozen=True, slots=True)
class Named:
    """A result and what it is, in words."""

    name: str
    result: Result


class Judged:
    """Keeps what is computed quantity by quantity, with what it is computed from and held against.

    Attributes:
        results: in the order a person would read them.
        pulse_statement: what the pulse times show by themselves.
    """

    def __init__(self, test_set: TestSet, found: Gathered, limits: Mapping[str, Limit]) -> None:
        self.results: list[Named] = []
        self.pulse_statement = ""
        self.machine = test_set.machine
        self.kind = judged_as(test_set.machine.winding)
        self._alike = phases_alike(test_set.machine.winding)
        self.conditions = test_set.conditions
        self.rules = test_set.rules
        self.found = found
        self.limits = limits

    def add(
        self,
        name: str,
        result: Result,
        limits: Mapping[str, Limit] | None = None,
        ask: str | None = None,
    ) -> None:
        """Keep a result, judged by the one of the limits that holds, or by all that may.

        ask: what a person may do where they disagree; else what says more of the kind of winding.
        """
        if limits and result.judgement is None:
            strange = [each for each in limits.values() if each.formula != result.formula]
            if strange:
                more = tuple(_not_applied(each, result) for each in strange)
                result = replace(result, notes=(*result.notes, *more))
            else:
                judgement = judge_either(result, limits, self.rules.rule, ask=ask or self.ask)
                result = replace(result, judgement=judgement)
        self.results.append(Named(name, result))

    def add_difference(self, name: str, result: Result, limits: Mapping[str, Limit]) -> None:
        """Keep a difference between phases; it fails none whose phases are not built alike.

        A machine's own limit is made for it and holds as it stands.
        """
        self.add(name, result, limits)
        if self._alike or any(each.adopted_by == "machine" for each in limits.values()):
            return
        self.note(_NOT_ALIKE)
        result = self.results[-1].result
        judgement = result.judgement
        if judgement is None or judgement.verdict not in FAILS:
            return
        judgement = replace(
            judgement,
            verdict=Verdict.INCONCLUSIVE,
            reason=f"{judgement.verdict} if its phases were alike, and those of a concentric "
            "winding may differ by construction",
        )
        self.results[-1] = Named(name, replace(result, judgement=judgement))

    def limit(self, name: str) -> dict[str, Limit]:
        """Give a limit by its id; nothing where there is none."""
        return {name: self.limits[name]} if name in self.limits else {}

    @property
    def ask(self) -> str:
        """What a person may do where the kind decides: of a concentric one nothing can be said."""
        return _NO_MAKE if self.machine.winding == "concentric" else _SAY_WHICH

    def say_undecided(self, what: str, limits: Mapping[str, Limit]) -> None:
        """Say which limits of unlike kinds of winding something was held against, if several."""
        if len(limits) < 2:  # noqa: PLR2004 - one is the one that holds
            return
        held = f"{what} is held against the limits of {' and '.join(limits)}, and stays undecided"
        if self.machine.winding == "concentric":
            self.note(f"concentric does not say how coils are made: {held} between them")
        else:
            self.note(f"the kind of winding is not known: {held} between them; {_SAY_WHICH}")

    def note(self, words: str) -> None:
        """Note once what several results may have to say."""
        if words not in self.found.notes:
            self.found.notes.append(words)

    def ids(self, quantity: str) -> tuple[str, ...]:
        """Give the ids of the readings of a quantity, those that have one."""
        return tuple(id_ for id_ in self.found.inputs.get(quantity, ()) if id_)


def _not_applied(limit: Limit, result: Result) -> str:
    return f"limit {limit.id} is written for {limit.formula}, not for {result.formula}: not applied"
