"""``benchtally key``: readings that an instrument shows and does not send."""

import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

from capture.cli.bench import SeenOption, id_beside, look_before_writing, read_id
from capture.cli.entry import DirectionOption, NoteOption, OperatorOption, PointOption, read_point
from capture.cli.key_job import Asked, key_in_job, part_loss, photos
from capture.cli.output import DONE, ConfigOption, JsonOption, print_json, say
from capture.display import console, table
from capture.errors import InputError

_ORDER = "U-V,V-U,V-W,W-V,W-U,U-W"
_JOB_ONLY = "--step, --shown-deviation, --second-operator, --again, --applied and --seen"
_MODELS = ("series", "parallel")
_LAWS = ("period", "time-constant", "rise", "unknown")


def register(app: typer.Typer) -> None:
    """Add the command."""

    # A value may begin with a dash: `---`, `-1.2 °C`.
    @app.command(context_settings={"ignore_unknown_options": True})
    def key(
        operator: OperatorOption,
        quantity: Annotated[str, typer.Argument(help="What it is of: resistance, pulse_time …")],
        value: Annotated[
            str | None, typer.Argument(help="Value with its unit as shown: '87.42 µs'.")
        ] = None,
        machine: Annotated[str | None, typer.Option(help="Machine, as on its label.")] = None,
        point: PointOption = None,
        direction: DirectionOption = None,
        note: NoteOption = None,
        instrument: Annotated[
            str, typer.Option(help="Instrument whose display it stood on.")
        ] = "keyed",
        unit: Annotated[str, typer.Option(help="Unit as shown, for values that have none.")] = "",
        law: Annotated[
            str | None,
            typer.Option(help=f"Law of a pulse time: {', '.join(_LAWS)} (unknown if not given)."),
        ] = None,
        frequency: Annotated[
            str | None,
            typer.Option(help="Frequency that a bridge measured at: '1 kHz'; hertz if no unit."),
        ] = None,
        loss: Annotated[
            str | None,
            typer.Option(help="What a bridge shows beside an inductance: 'Q 13.4', 'Rs 831 mΩ'."),
        ] = None,
        model: Annotated[
            str | None,
            typer.Option(help="Circuit model of an inductance: series or parallel (Ls, Lp)."),
        ] = None,
        decimal: Annotated[
            str, typer.Option(help="Decimal mark: point, comma, or auto (what is clear).")
        ] = "auto",
        block: Annotated[
            bool, typer.Option("--block", help="Several values at once, a line each, or prompted.")
        ] = False,
        order: Annotated[
            str | None,
            typer.Option(
                help="Test points of a block, in the instrument's order "
                f"({_ORDER}; in a job, those of the step)."
            ),
        ] = None,
        photo: Annotated[
            list[Path] | None,
            typer.Option(metavar="FILE", help="Photo of the display, kept as evidence."),
        ] = None,
        job: Annotated[
            str | None, typer.Option(help="Key it for this job: an id, its beginning, or last.")
        ] = None,
        step: Annotated[
            str | None, typer.Option(help="Step of the job (the one that is due).")
        ] = None,
        shown_deviation: Annotated[
            str | None,
            typer.Option(metavar="PERCENT", help="Deviation that the instrument shows itself."),
        ] = None,
        second_operator: Annotated[
            str | None, typer.Option(help="Who keys the same again; the two must agree.")
        ] = None,
        again: Annotated[
            str | None, typer.Option(help="The value as the second operator keyed it.")
        ] = None,
        confirm: Annotated[
            bool, typer.Option("--confirm", help="Odd values were looked at again; they stand so.")
        ] = False,
        applied: Annotated[
            float | None,
            typer.Option(metavar="SECONDS", help="For how long the test voltage was on."),
        ] = None,
        seen: SeenOption = None,
        reading_id: Annotated[
            str | None, typer.Option("--id", help="Id of what is keyed; the same id stores once.")
        ] = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Enter what an instrument shows but does not send, and say back what was understood.

        In a block each line is a test point and a value (`V-U 87.42 µs`, `U-V reverse 87.42 µs`),
        or all lines are values alone, in the order of --order. A block is stored whole or not at
        all. What is odd about a value, or a machine that is not registered, is asked about.
        Beside an inductance its loss may stand, by its name: Q, D, Rs, Rp or θ, by --loss or
        behind the value (`U-V 62.1 mH Q 13.4`).

        With --job a step of a job is keyed: all its values at once, or one. With a second
        operator, the second keying of a block stands below a line `again`.
        """
        from capture.clock import SystemClock
        from capture.config import load_config
        from capture.keying import Keying, Line, make_block

        if decimal not in ("auto", "point", "comma"):
            raise InputError(f"--decimal {decimal!r} is none of auto, point, comma")
        settings, clock = load_config(config), SystemClock()
        keying = Keying(
            site=settings.site,
            bench=settings.bench,
            instrument=instrument,
            quantity=quantity,
            operator=operator,
            time=clock.utc(),
            clock_synchronised=clock.synchronised(),
            machine=machine,
            note=note,
            conditions=_conditions(quantity, law, frequency, model, in_job=job is not None),
            mark=decimal,  # type: ignore[arg-type] # checked above
            unit=unit,
            evidence=photos(settings.evidence_path, photo or ()),
            second_operator=second_operator,
        )
        points = _order(order)
        if job is not None:
            if machine is not None or point is not None or direction is not None:
                raise InputError("--job knows the machine and the test points; leave them out")
            if block == (value is not None):
                raise InputError("give one value with its unit, as in '87.42 µs', or --block")
            asked = Asked(
                job, step, value, again, points, shown_deviation, confirm, applied, seen,
                reading_id, as_json, loss,
            )  # fmt: skip
            return key_in_job(config, keying, asked)
        given = (step, shown_deviation, second_operator, again, applied, seen)
        if any(each is not None for each in given):
            raise InputError(f"{_JOB_ONLY} belong to --job")
        if block:
            if any(each is not None for each in (value, point, reading_id, loss)):
                raise InputError("--block takes its values, test points and ids from its lines")
            lines: Sequence[Line] = _read_block(list(points) or _ORDER.split(","))
            drafts = make_block(keying, lines)
        else:
            if value is None:
                raise InputError("give the value with its unit, as in '87.42 µs', or --block")
            where = read_point(point, direction)
            drafts = _one(keying, value, loss, where, read_id(reading_id))
        look_before_writing(settings)
        again_ = reading_id is not None
        _look(settings.journal_path, drafts, again=again_, confirmed=confirm, as_json=as_json)
        stored = _append(settings, drafts)
        _say_back(drafts, stored, as_json=as_json)
        return DONE


def _one(keying: Any, value: str, loss: str | None, where: Any, id_: Any) -> list[Any]:
    """Make the draft of one value, and of the loss that stands beside it."""
    from capture.keying import make_reading, with_loss
    from capture.model import new_id

    typed, loss = part_loss(keying.quantity, value, loss)
    make = partial(make_reading, typed=typed, point=where, id_=id_)
    if loss is None:
        return [make(keying)]
    beside = None if id_ is None else id_beside(id_, 1)
    make = partial(make, group=id_ or new_id())
    return list(with_loss(keying, make, loss, id_=beside))


def _order(text: str | None) -> tuple[str, ...]:
    return () if text is None else tuple(each.strip() for each in text.split(","))


def _conditions(
    quantity: str, law: str | None, frequency: str | None, model: str | None, *, in_job: bool
) -> dict[str, str]:
    if frequency is not None:
        from capture.model.quantity import AT_A_FREQUENCY

        if quantity not in AT_A_FREQUENCY | {"resistance"}:
            raise InputError(f"--frequency belongs to what a bridge measures, not to {quantity}")
    at = {} if frequency is None else {"frequency": frequency}
    if model is not None:
        if quantity != "inductance":
            raise InputError(f"--model belongs to an inductance, not to {quantity}")
        if model not in _MODELS:
            raise InputError(f"--model {model!r} is none of {', '.join(_MODELS)}")
        at["model"] = model
    if law is not None and law not in _LAWS:
        raise InputError(f"--law {law!r} is none of {', '.join(_LAWS)}")
    if quantity != "pulse_time":
        if law is not None:
            raise InputError("--law belongs to the quantity pulse_time")
        return at
    if law is None and in_job:
        return {}  # the procedure says it
    return {"law": law or "unknown"}


def _read_block(order: list[str]) -> Any:
    """Read the block from standard input, or ask for each value where a person sits there."""
    from capture.keying import parse_block

    if not sys.stdin.isatty():
        return parse_block(sys.stdin.read(), order)
    say("One value with its unit for each test point, as the instrument shows it; empty ends.")
    rows = []
    for point in order:
        typed = typer.prompt(f"{point:>6}", default="", show_default=False)
        if not typed.strip():
            break
        rows.append(f"{point} {typed}")
    return parse_block("\n".join(rows))


def _look(
    journal: Path, drafts: Sequence[Any], *, again: bool, confirmed: bool, as_json: bool
) -> None:
    """Look at values before they are stored, as in a job: what is odd is asked about.

    again: their ids may have been stored before.
    """
    from capture.cli.asking import ask
    from capture.jobs.odd import odd_outside_a_job
    from capture.journal import JournalReader
    from capture.keying import refuse_other_use

    reader = JournalReader(journal) if journal.exists() else None
    try:
        if reader is not None and again:
            refuse_other_use(drafts, reader.entry)
        doubts = [] if confirmed else odd_outside_a_job(reader, drafts)
    finally:
        if reader is not None:
            reader.close()
    if doubts:
        ask(doubts, as_json=as_json)


def _append(settings: Any, drafts: Sequence[Any]) -> Any:
    from capture.journal import Store

    path = settings.journal_path
    path.parent.mkdir(parents=True, exist_ok=True)
    store = Store(path)
    try:
        return store.append(drafts)
    finally:
        store.close()


def _say_back(drafts: Sequence[Any], stored: Sequence[Any], *, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "id": str(draft.id),
                "stored": bool(place.n),
                "sequence": place.sequence,
                "quantity": draft.quantity,
                "value": draft.value,
                "unit": draft.unit,
                "status": str(draft.status),
            }
            for draft, place in zip(drafts, stored, strict=True)
        )
        return
    from capture.display import point_of

    rows = []
    for draft, place in zip(drafts, stored, strict=True):
        tag = None if draft.tag is None else draft.tag.model_dump()
        point = "" if tag is None else point_of(tag.get("test_point"))
        direction = ((tag and tag.get("test_point")) or {}).get("direction") or ""
        rows.append(
            (
                point,
                direction,
                draft.source.typed,
                understood(draft),
                f"no. {place.sequence}" if place.n else "was stored before",
                draft.id,
            )
        )
    first = drafts[0]
    machine = "no machine" if first.tag is None else first.tag.machine
    title = f"{first.quantity} of {machine}, keyed by {first.source.operator}"
    headings = ("point", "direction", "typed", "understood as", "stored", "id")
    console().print(table(headings, rows, title=title))


def understood(draft: Any) -> str:
    """Write what a value was taken for, in the base unit."""
    if draft.bound is not None:
        return f"{draft.status}, {draft.bound.side} {draft.bound.value:g} {draft.unit}"
    if draft.value is None:
        return str(draft.status)
    return f"{draft.value:.9g} {draft.unit}"
