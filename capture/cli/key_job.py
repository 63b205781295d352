"""``benchtally key --job``: what stands on one display, keyed for a step of a job.

What is odd about it is asked about, never refused: a fault is unlikely, too.
"""

import sys
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from capture.cli.bench import Bench, id_beside, open_bench
from capture.cli.output import DONE, print_json, say
from capture.display import clean
from capture.errors import InputError

if TYPE_CHECKING:
    from capture.jobs.procedure import Step
    from capture.jobs.state import JobState
    from capture.keying import Keying, Line
    from capture.model import Evidence

_AGAIN = "again"
_LONGEST = 64_000  # characters of a block


@dataclass(frozen=True, slots=True)
class Asked:
    """What the command line said beside the display's own settings (`Keying`).

    Attributes:
        value, again: the one value, and the same as a second person typed it; None for a block.
        order: test points in the instrument's order, where that is not the step's.
        loss: what stood beside the one value, an inductance.
    """

    job: str
    step: str | None = None
    value: str | None = None
    again: str | None = None
    order: tuple[str, ...] = ()
    shown_deviation: str | None = None
    confirmed: bool = False
    applied: float | None = None
    seen: int | None = None
    id: str | None = None
    as_json: bool = False
    loss: str | None = None


def key_in_job(config: Path | None, keying: "Keying", asked: Asked) -> int:
    """Take keyed values for a step; ask about what is odd where a person sits there.

    Raises:
        InputError: a value cannot be taken, or two keyings differ; says which.
        CaptureError: a value is odd, nobody confirmed it and nobody can be asked.
    """
    with open_bench(config) as bench:
        state = bench.state(asked.job)
        who = bench.who(keying.operator, asked.id)
        step = _step(state, asked.step or _keyed_before(bench, who.id), keying.quantity)
        keying = _with_frequency(bench, state, step, keying, asked)
        values = _values(step, keying, asked, who.id)
        deviation = None
        if asked.shown_deviation is not None:
            deviation = _typed(id_beside(who.id, len(values) + 1), asked.shown_deviation)
        _write(bench, state, step.id, keying, asked, who, values, deviation)
        view = bench.desk.view(bench.state(str(state.job)))
    if asked.as_json:
        print_json([view])
    else:
        _say_back(view, step.id)
    return DONE


def photos(folder: Path, files: Sequence[Path]) -> "tuple[Evidence, ...]":
    """Keep photos of a display.

    Raises:
        InputError: a file cannot be read, or is no photo that is taken.
        MissingExtraError: the part that decodes photos is not installed.
    """
    from capture.photo.store import MOST_BYTES, EvidenceStore

    kept = []
    for file in files:
        try:
            with file.open("rb") as opened:
                data = opened.read(MOST_BYTES + 1)
        except OSError as error:
            raise InputError(f"{file}: cannot be read: {error.strerror}") from error
        try:
            kept.append(EvidenceStore(folder).add(data))
        except InputError as error:
            raise InputError(f"{file}: {error}") from error
    return tuple(kept)


def _keyed_before(bench: Bench, act: uuid.UUID) -> str | None:
    """Give the step that this act has keyed before; the one that is due now is another."""
    from capture.model.job import JobEntry, Taken

    row = bench.reader.entry(act)
    if row is None or row.kind != "job":
        return None
    event = JobEntry.model_validate_json(row.body).event
    return event.step if isinstance(event, Taken) else None


def _step(state: "JobState", name: str | None, quantity: str) -> "Step":
    """Give the step that is keyed: the one named, else the one that is due."""
    if name is not None:
        step = state.step(name).step
    elif state.current is not None:
        step = state.current.step
    else:
        raise InputError(f"job {state.job} has no open step; name one with --step")
    if step.quantity != quantity:
        raise InputError(f"step {step.id} takes {step.quantity}, not {quantity}")
    return step


def _values(step: "Step", keying: "Keying", asked: Asked, act: uuid.UUID) -> list[Any]:
    """Give the values as typed, in the order of the step's test points or times."""
    losses: list[str | None] = [None]
    if asked.value is not None:
        firsts, seconds, losses = [asked.value], [asked.again], [asked.loss]
    elif asked.loss is not None:
        raise InputError("in a block the loss stands behind its inductance: 'U-V 62.1 mH Q 13.4'")
    else:
        first, second = _read_block(step, keying, asked.order)
        firsts, seconds = first, list(second) if second else [None] * len(first)
        if len(seconds) != len(firsts):
            raise InputError(f"{len(firsts)} values were keyed, and {len(seconds)} of them again")
    losses = losses * len(firsts)
    return [
        _with_loss(keying.quantity, act, (place, len(firsts)), typed, again, loss)
        for place, (typed, again, loss) in enumerate(
            zip(firsts, seconds, losses, strict=True), start=1
        )
    ]


def _with_loss(
    quantity: str,
    act: uuid.UUID,
    places: tuple[int, int],
    typed: str,
    again: str | None,
    loss: str | None,
) -> Any:
    """Give one value as typed, with what stands beside it; ``places`` are its own and all."""
    from capture.jobs.keyed import TypedLoss

    place, count = places
    typed, loss = part_loss(quantity, typed, loss)
    second, loss_again = (None, None) if again is None else part_loss(quantity, again, None)
    value = replace(_typed(id_beside(act, place), typed), again=second)
    if loss is None:
        return value
    # Behind the values and the shown deviation, which pulse times alone have.
    id_ = id_beside(act, count + 1 + place)
    return replace(value, loss=TypedLoss(id_, loss, loss_again))


def part_loss(quantity: str, typed: str, loss: str | None) -> tuple[str, str | None]:
    """Part what was typed for an inductance from the loss behind it, or told beside it.

    Raises:
        InputError: it stands at both places.
    """
    from capture.model.loss import split_loss

    if quantity != "inductance":
        return typed, loss
    value, behind = split_loss(typed)
    if behind is not None and loss is not None:
        raise InputError(f"{typed.strip()!r} has its loss behind it; leave out --loss")
    return value, behind or loss


def _with_frequency(
    bench: Bench, state: "JobState", step: "Step", keying: "Keying", asked: Asked
) -> "Keying":
    """Take the frequency of the job's last step of the quantity where none is told, and say so."""
    from capture.jobs.remembered import remembered
    from capture.model.quantity import AT_A_FREQUENCY

    told = {**step.conditions, **keying.conditions}
    if keying.quantity not in AT_A_FREQUENCY or "frequency" in told:
        return keying
    held = bench.desk.service.readings_of(state)
    found = remembered(state, step.id, held.get)
    if "frequency" not in found:
        return keying
    if not asked.as_json:
        say(f"at {clean(found['frequency'])}, as {found['step']} (another one: --frequency)")
    return replace(keying, conditions={**keying.conditions, "frequency": found["frequency"]})


def _typed(id_: uuid.UUID, typed: str) -> Any:
    from capture.jobs.keyed import TypedValue

    return TypedValue(id_, typed)


def _read_block(
    step: "Step", keying: "Keying", order: Sequence[str]
) -> tuple[list[str], list[str] | None]:
    """Read a block from standard input, or ask for each value; twice with a second operator.

    From standard input the second keying stands below a line `again`.
    """
    places = _places(step, order)
    if sys.stdin.isatty():
        say("One value with its unit for each, as the instrument shows it.")
        first = _sorted(step, order, _prompted(places))
        if keying.second_operator is None:
            return first, None
        say(f"Now {clean(keying.second_operator)}, without a look at the first keying:")
        return first, _sorted(step, order, _prompted(places))
    text = sys.stdin.read(_LONGEST)
    lines = text.splitlines()
    marks = [number for number, line in enumerate(lines) if line.strip() == _AGAIN]
    if not marks:
        return _sorted(step, order, text), None
    return (
        _sorted(step, order, "\n".join(lines[: marks[0]])),
        _sorted(step, order, "\n".join(lines[marks[0] + 1 :])),
    )


def _places(step: "Step", order: Sequence[str]) -> list[str]:
    """Name what is asked for, in the order of the instrument."""
    if len(step.points) > 1:
        return list(order or step.points)
    if step.take.at_s:
        return [f"at {at:g} s" for at in step.take.at_s]
    return list(step.points)


def _prompted(places: Sequence[str]) -> str:
    width = max(len(place) for place in places)
    return "\n".join(typer.prompt(f"{place:>{width}}") for place in places)


def _sorted(step: "Step", order: Sequence[str], text: str) -> list[str]:
    """Give the values of a block in the order of the step."""
    from capture.keying import parse_block
    from capture.model import TestPoint

    if len(step.points) == 1:
        lines = parse_block(text)
        for line in lines:
            if line.point is not None and line.point != TestPoint.parse(step.points[0]):
                raise InputError(f"line {line.number}: step {step.id} is at {step.points[0]}")
        return [_whole(line) for line in lines]
    found = {str(line.point): _whole(line) for line in parse_block(text, order or step.points)}
    missing = [point for point in step.points if point not in found]
    foreign = [point for point in found if point not in step.points]
    if missing or foreign:
        wrong = f"{missing[0]} is missing" if missing else f"{foreign[0]} is none of them"
        raise InputError(f"step {step.id} is at {', '.join(step.points)}: {wrong}")
    return [found[point] for point in step.points]


def _whole(line: "Line") -> str:
    return line.typed if line.loss is None else f"{line.typed} {line.loss}"


def _write(
    bench: Bench,
    state: "JobState",
    step: str,
    keying: "Keying",
    asked: Asked,
    who: Any,
    values: Sequence[Any],
    deviation: Any,
) -> None:
    from capture.cli.asking import ask
    from capture.jobs.keyed import KeyedValues
    from capture.jobs.plausible import DoubtError

    def write(*, confirmed: bool) -> None:
        # Whoever typed for a minute rests on the job as it is when they are done.
        now = bench.state(str(state.job))
        with bench.explained(now):
            bench.desk.key(
                state.job,
                step,
                KeyedValues(keying, values, deviation, confirmed),
                who,
                now.last if asked.seen is None else asked.seen,
                applied_seconds=asked.applied,
            )

    try:
        write(confirmed=asked.confirmed)
    except DoubtError as error:
        ask(error.doubts, as_json=asked.as_json)
        write(confirmed=True)


def _say_back(view: dict[str, Any], step: str) -> None:
    from capture.cli.job_words import show_briefly, value_text

    taken = next(each for each in view["steps"] if each["id"] == step)
    for value in taken["values"]:
        # A loss beside an inductance is of the same point; what has no unit is as it was typed.
        bare = value["value"] is None or value["unit"] == "1"
        understood = "" if bare else f" = {value['value']:.9g} {value['unit']}"
        own = value.get("quantity") in (None, taken["quantity"])
        place = value["point"] if own else f"{value['point']} {value['quantity']}"
        say(clean(f"{place}: {value_text(value)}{understood}"))
    photographed = sorted({digest for value in taken["values"] for digest in value["photos"]})
    for digest in photographed:
        say(f"photo {digest}")
    say(f"{step} is keyed (entry {view['last']} of job {view['job']})")
    show_briefly(view)
