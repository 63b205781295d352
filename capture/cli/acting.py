"""What all commands share that act in a job: who acts, in which job, and what was seen of it.

A command is written as a function of its `Act` and of what it takes besides. It gives the job as
it stands after it, and the words that tell what was written.
"""

import inspect
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from capture.cli.bench import (
    Bench,
    IdOption,
    JobArgument,
    SeenOption,
    open_bench,
)
from capture.cli.entry import OperatorOption
from capture.cli.output import DONE, ConfigOption, JsonOption, print_json, say
from capture.display import clean
from capture.errors import InputError

if TYPE_CHECKING:
    from capture.jobs.service import Who
    from capture.jobs.state import JobState

Written = tuple["JobState", str]


@dataclass
class Act:
    """Something that a person is about to do in a job.

    Attributes:
        bench: where, open for this command.
        job: the job, as it was named: its id, the beginning of its id, or ``last``.
        operator: who does it.
        seen: number of the last entry of the job that they have seen; None for the newest.
        id_: id of what is written, as it was given; None for a new one.
    """

    bench: Bench
    job: str
    operator: str
    seen: int | None
    id_: str | None

    @cached_property
    def state(self) -> "JobState":
        """The job as it stands before; the same one from the first look on, also of ``last``.

        Raises:
            InputError: the name is that of no job, or of several; says which there are.
        """
        return self.bench.state(self.job)

    @cached_property
    def who(self) -> "Who":
        """Who acts, with the id of what is written.

        Raises:
            InputError: the id that was given is none.
        """
        return self.bench.who(self.operator, self.id_)

    @property
    def expects(self) -> int:
        """The entry of the job that must be its last one, so that nothing is overwritten unseen."""
        return self.state.last if self.seen is None else self.seen

    def do(self, action: str, **members: Any) -> "JobState":
        """Write it; give the job as it stands then.

        Raises:
            InputError, LockedError, StaleError: see `JobService.act`; a lock says what to do.
        """
        state = self.state
        if members.get("step") is not None:
            state.step(members["step"])
        event = _event(action, members)
        who = self.who
        with self.bench.explained(state):
            return self.bench.desk.act(state.job, event, who, self.expects)


def acting(function: Callable[..., Written]) -> Callable[..., int]:
    """Make a command of a function that acts; what is the function's own stands between.

    Its help and its name are the function's. What the function takes by keyword only comes last.
    """

    def command(
        operator: OperatorOption,
        job: JobArgument,
        seen: SeenOption = None,
        id_: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
        **own: Any,
    ) -> int:
        with open_bench(config) as bench:
            state, words = function(Act(bench, job, operator, seen, id_), **own)
            return _tell(bench, state, words, as_json=as_json)

    who, which, *rest, _ = inspect.signature(command).parameters.values()
    _, *own = inspect.signature(function).parameters.values()
    last = [each for each in own if each.kind is inspect.Parameter.KEYWORD_ONLY]
    between = [each for each in own if each not in last]
    parameters = [who, which, *between, *rest, *last]
    command.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined] # read by inspect
    command.__annotations__ = {each.name: each.annotation for each in parameters}
    command.__name__, command.__doc__ = function.__name__, function.__doc__
    return command


def _tell(bench: Bench, state: "JobState", words: str, *, as_json: bool) -> int:
    """Say what was written, and how the job stands now."""
    from capture.cli.job_words import show_briefly

    view = bench.desk.view(state)
    if as_json:
        print_json([view])
        return DONE
    say(f"{clean(words)} (entry {state.last} of job {state.job})")
    show_briefly(view)
    return DONE


def _event(action: str, members: dict[str, Any]) -> Any:
    from pydantic import TypeAdapter, ValidationError

    from capture.faults import fault_lines
    from capture.model.job import Event

    adapter: TypeAdapter[Any] = TypeAdapter(Event)
    try:
        return adapter.validate_python({"action": action, **members})
    except ValidationError as error:
        raise InputError("; ".join(fault_lines(error)).replace(f"{action}.", "")) from error
