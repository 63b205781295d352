"""Two test leads: on which terminals they sit, and since when."""

from dataclasses import dataclass

from simulators.hand import Hand, RefusedError
from simulators.specimen import Pair, Specimen


@dataclass(slots=True)
class Leads:
    """The leads' place on a specimen. `pair` None means that they hang in the air."""

    specimen: Specimen
    pair: Pair | None = None
    moved_at: float = float("-inf")

    def attach(self, hand: Hand) -> None:
        """Add the hand commands that move the leads."""
        hand.add("pair", "pair FIRST-SECOND", self._put)
        hand.add("lift", "lift", self._lift)

    def put(self, text: str, now: float) -> None:
        """Put the leads on a pair written FIRST-SECOND; raise RefusedError for another text."""
        first, dash, second = text.partition("-")
        known = self.specimen.terminals()
        if not dash or first == second or first not in known or second not in known:
            raise RefusedError(
                f"pair {text!r}: write two different terminals as U-V; there are {', '.join(known)}"
            )
        self.pair = (first, second)
        self.moved_at = now

    def _put(self, rest: str, now: float) -> str:
        self.put(rest.upper(), now)
        return f"leads on {rest.upper()}"

    def _lift(self, _rest: str, now: float) -> str:
        self.pair = None
        self.moved_at = now
        return "leads lifted"
