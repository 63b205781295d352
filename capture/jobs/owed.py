"""The discharge that a winding is owed after a test voltage, in one job or in several. Pure.

A winding stays charged whatever becomes of the job: whoever leaves a job, and begins another one on
the same machine, has the same winding before them.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from capture.jobs.state import DISCHARGE_FACTOR, JobState

# No voltage ends so long from now: the computer's clock was wrong then, and was set back since.
_SET_BACK = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Owed:
    """A discharge that is not over, or that nobody has confirmed.

    Attributes:
        job: where it is to be confirmed.
        step: of that job, which is to be named when it is confirmed.
        seconds: for how long the voltage was on.
        ended: when that voltage ended.
        until: how long the winding has to stay earthed; None where that time is over, or where
            nobody knows when it will be, since the clock was set back.
        newest: number in the journal of the newest voltage that is owed for.
    """

    job: UUID
    step: str
    seconds: float
    ended: datetime
    until: datetime | None
    newest: int

    def not_known(self, now: datetime) -> str:
        """Say, where the clock was set back, how long to wait all the same; else empty."""
        if not _set_back(self.ended, now):
            return ""
        return (
            " (this computer's clock was set back since, so nobody counts the time: keep the "
            f"winding earthed for at least {DISCHARGE_FACTOR * self.seconds:.0f} s from now)"
        )


def _set_back(ended: datetime, now: datetime) -> bool:
    return ended - now > _SET_BACK


def owed(state: JobState, now: datetime, step: str | None = None) -> Owed | None:
    """Give what a job's winding is owed, or that after one step only; None for nothing.

    Of several voltages, the one that asks for the longest wait counts: a short test after a long
    one takes nothing from what the long one has left.
    """
    asked = [each for each in state.applications if step in (None, each.step)]
    open_ = [
        each for each in asked if now < each.discharged_until and not _set_back(each.ended, now)
    ]
    missing = [each for each in asked if not each.discharged]
    if not open_ and not missing:
        return None
    newest = max(each.n for each in (*open_, *missing))
    if open_:
        longest = max(open_, key=lambda each: each.discharged_until)
        until = longest.discharged_until
        return Owed(state.job, longest.step, longest.seconds, longest.ended, until, newest)
    last = missing[-1]
    return Owed(state.job, last.step, last.seconds, last.ended, None, newest)


def owed_beside(state: JobState, beside: Iterable[JobState], now: datetime) -> list[Owed]:
    """List what other jobs of the same machine have left on it, the newest first.

    beside: any jobs; the job itself, and those of other machines, are passed over.
    """
    others = (each for each in beside if each.machine == state.machine and each.job != state.job)
    found = [each for each in (owed(other, now) for other in others) if each is not None]
    return sorted(found, key=lambda each: each.newest, reverse=True)


def words_beside(each: Owed, now: datetime) -> str:
    """Say what to do for the discharge that another job of the machine owes."""
    when = f"{each.ended:%Y-%m-%d %H:%M:%S} UTC"
    if each.until is not None:
        left = (each.until - now).total_seconds()
        return (
            f"discharge the winding: in job {each.job} of this machine, step {each.step}, voltage "
            f"was applied for {each.seconds:g} s until {when}; wait {left:.0f} s more with the "
            "winding earthed, prove it discharged, then confirm the discharge in that job"
        )
    return (
        f"earth the winding and prove it discharged, then confirm that in job {each.job} of this "
        f"machine: a voltage was on it until {when} (step {each.step}), and nobody has confirmed it"
        f"{each.not_known(now)}"
    )
