"""``benchtally machine``: what is tested, as its nameplate says, and what became of it."""

import itertools
import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.bench import Bench, IdOption, open_bench
from capture.cli.commands import Group
from capture.cli.entry import OperatorOption
from capture.cli.fields import NAMEPLATE_WORDS, checked, given, with_fields
from capture.cli.output import DONE, ConfigOption, JsonOption, complain, print_json, say
from capture.display import clean, console, table
from capture.errors import InputError, NotThereError
from capture.model.machine import Nameplate
from capture.settings_text import toml_table

if TYPE_CHECKING:
    from capture.model.machine import MachineEntry

MachineArgument = Annotated[str, typer.Argument(metavar="ID", help="Machine, as on its label.")]
FromOption = Annotated[
    Path | None,
    typer.Option("--from", metavar="FILE", help="Nameplate in TOML or JSON; options go before it."),
]
NoteOption = Annotated[str, typer.Option(help="A remark that is stored with it.")]
_UNITS = {
    "rated_volts": "V",
    "rated_watts": "W",
    "rated_amperes": "A",
    "rated_hertz": "Hz",
    "rated_rpm": "/min",
    "rotor_volts": "V",
    "excitation_volts": "V",
    "zero_resistance_celsius": "°C",
}
_WINDINGS = {
    "random": "random-wound",
    "form": "form-wound",
    "concentric": "concentric winding",
    "field": "field winding",
    "dc-armature": "DC armature",
    "unknown": "kind of winding not known",
}


def register(app: typer.Typer) -> None:
    """Add the commands."""
    machine = typer.Typer(
        cls=Group,
        help="Machines: their nameplates, and what was found at them.",
        no_args_is_help=True,
    )
    app.add_typer(machine, name="machine")
    _writing(machine)
    _looking(machine)
    _finding(machine)


def _writing(machine: typer.Typer) -> None:
    @machine.command()
    @with_fields(Nameplate, NAMEPLATE_WORDS)
    def add(
        operator: OperatorOption,
        id_: MachineArgument,
        file: FromOption = None,
        note: NoteOption = "",
        entry_id: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
        **fields: Any,
    ) -> int:
        """Register a machine with what is known of it; the rest may be said later."""
        plate = checked(Nameplate, {**_read(file), **given(fields)}, str(file or ""))
        with open_bench(config, make=True) as bench:
            who = bench.who(operator, entry_id)
            known = bench.reader.entry(who.id) is not None
            if not known and bench.desk.service.machine_history(id_):
                raise InputError(
                    f"machine {id_!r} is registered; `benchtally machine set` says anew what is "
                    "known of it"
                )
            bench.desk.service.check_new(id_, who)
            entry = bench.desk.service.register(id_, plate, who, note)
        if not as_json and "winding" not in plate.model_fields_set:
            complain(
                "note: nothing was said of the winding, so it is judged as random-wound and as "
                "form-wound, and stays undecided between their limits; say which it is: "
                f"benchtally machine set {id_!r} --winding random, or form"
            )
        return _tell(entry, "is registered", as_json=as_json)

    @machine.command("set")
    @with_fields(Nameplate, NAMEPLATE_WORDS)
    def set_(
        operator: OperatorOption,
        id_: MachineArgument,
        file: FromOption = None,
        unknown: Annotated[
            list[str] | None,
            typer.Option(metavar="FIELD", help="Say that this is not known after all."),
        ] = None,
        note: NoteOption = "",
        entry_id: IdOption = None,
        config: ConfigOption = None,
        as_json: JsonOption = False,
        **fields: Any,
    ) -> int:
        """Say anew what is known of a machine; what is not given stays as it was."""
        changed = {**_read(file), **given(fields)}
        forgotten = [name.replace("-", "_") for name in unknown or ()]
        for name in forgotten:
            if name not in Nameplate.model_fields:
                raise InputError(f"--unknown {name!r}: there are {', '.join(NAMEPLATE_WORDS)}")
        with open_bench(config) as bench:
            before = bench.desk.service.machine(id_).nameplate.model_dump(exclude_none=True)
            kept = {name: value for name, value in before.items() if name not in forgotten}
            plate = checked(Nameplate, {**kept, **changed}, str(file or ""))
            entry = bench.desk.service.register(id_, plate, bench.who(operator, entry_id), note)
        return _tell(entry, "is described anew", as_json=as_json)


def _looking(machine: typer.Typer) -> None:
    @machine.command("list")
    def list_(config: ConfigOption = None, as_json: JsonOption = False) -> int:
        """List every machine as it was last described, newest first."""
        with open_bench(config, only_reads=True) as bench:
            found = bench.desk.service.machines()
        if as_json:
            print_json(each.model_dump(mode="json") for each in found)
        elif not found:
            say("no machine is registered; `benchtally machine add` registers one")
        else:
            rows = [(each.machine, _brief(each.nameplate), _when(each), each.operator)
                    for each in found]  # fmt: skip
            headings = ("machine", "nameplate", "described (UTC)", "by")
            console().print(table(headings, rows))
        return DONE

    @machine.command()
    def show(id_: MachineArgument, config: ConfigOption = None, as_json: JsonOption = False) -> int:
        """Show a machine: its nameplate, every earlier description, its jobs and their verdicts."""
        with open_bench(config, only_reads=True) as bench:
            history = bench.desk.service.machine_history(id_)
            if not history:
                raise NotThereError(
                    f"machine {id_!r} is not registered; `benchtally machine add` registers it"
                )
            jobs = _jobs(bench, id_)
        if as_json:
            entry = history[-1].model_dump(mode="json")
            print_json(
                [{**entry, "history": [e.model_dump(mode="json") for e in history], "jobs": jobs}]
            )
        else:
            _show(history, jobs)
        return DONE


def _finding(machine: typer.Typer) -> None:
    @machine.command()
    def find(
        photo: Annotated[
            Path,
            typer.Option(metavar="FILE", help="Photo of its label: QR, Data Matrix, bar code."),
        ],
        config: ConfigOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Find the registered machine that the code on a label names."""
        from capture.cli.photo import read_file
        from capture.photo.labels import machine_of, names_of
        from capture.photo.worker import PhotoReader

        data = read_file(photo)
        with PhotoReader() as reader, open_bench(config, only_reads=True) as bench:
            try:
                codes = reader.codes(data)
            except InputError as error:
                raise InputError(f"{photo}: {error}") from error
            service = bench.desk.service
            entry = service.machine(machine_of(codes, names_of(service.machines())))
        return _tell(entry, "is named by the label", as_json=as_json)


def _read(file: Path | None) -> dict[str, Any]:
    """Read a nameplate from a file: TOML, or JSON where its name ends so."""
    if file is None:
        return {}
    try:
        text = file.read_text("utf-8")
        content = json.loads(text) if file.suffix.lower() == ".json" else toml_table(text)
    except OSError as error:
        raise InputError(f"{file}: cannot be read: {error.strerror}") from error
    except (ValueError, RecursionError) as error:  # both decoders' errors, and UTF-8's
        kind = "JSON" if file.suffix.lower() == ".json" else "TOML"
        raise InputError(f"{file}: not {kind}: {error}") from error
    if not isinstance(content, dict):
        raise InputError(f"{file}: expected the fields of a nameplate, as rated_volts = 400")
    return content


def _tell(entry: "MachineEntry", words: str, *, as_json: bool) -> int:
    if as_json:
        print_json([entry.model_dump(mode="json")])
    else:
        say(clean(f"machine {entry.machine} {words}: {_brief(entry.nameplate)}"))
    return DONE


def _jobs(bench: Bench, machine: str) -> list[dict[str, Any]]:
    """List a machine's jobs, the one that was worked on last first, each with its verdict."""
    from capture.jobs.view import summary

    found = []
    for state in bench.desk.service.jobs_of(machine):
        results = bench.desk.now(state.job)
        found.append({**summary(state), "verdict": results.verdict, "sentence": results.sentence})
    return found


def _show(history: "list[MachineEntry]", jobs: list[dict[str, Any]]) -> None:
    entry = history[-1]
    say(clean(f"machine {entry.machine}, as described {_when(entry)} UTC by {entry.operator}"))
    for name in Nameplate.model_fields:
        value = getattr(entry.nameplate, name)
        if value is None:
            continue
        unit = f" {_UNITS[name]}" if name in _UNITS else ""
        say(clean(f"  {name.replace('_', ' ')}: {_number(value)}{unit}"))
    if entry.note:
        say(f"  note: {clean(entry.note)}")
    for before, after in itertools.pairwise(history):
        say(clean(f"Changed {_when(after)} UTC by {after.operator}: {_changes(before, after)}"))
    if not jobs:
        say("No job was done on it.")
        return
    rows = [
        (
            each["job"],
            each["procedure"],
            each["status"],
            f"{each['done']} of {each['of']}",
            str(each["started"])[:16].replace("T", " "),
            each["verdict"],
        )
        for each in jobs
    ]
    headings = ("job", "procedure", "status", "steps", "started (UTC)", "verdict")
    console().print(table(headings, rows))
    for each in jobs:
        say(clean(f"{each['job']}: {each['sentence']}"))


def _changes(before: "MachineEntry", after: "MachineEntry") -> str:
    old = before.nameplate.model_dump(exclude_none=True)
    new = after.nameplate.model_dump(exclude_none=True)
    parts = [
        f"{name.replace('_', ' ')} {_number(old.get(name, 'unknown'))} → "
        f"{_number(new.get(name, 'unknown'))}"
        for name in Nameplate.model_fields
        if old.get(name) != new.get(name)
    ]
    if after.note:
        parts.append(f"note: {after.note}")
    return ", ".join(parts) or "nothing"


def _brief(plate: Nameplate) -> str:
    parts = [
        f"{_number(value)} {_UNITS[name]}"
        for name in ("rated_volts", "rated_watts", "rated_amperes", "rated_hertz", "rated_rpm")
        if (value := getattr(plate, name)) is not None
    ]
    if plate.poles is not None:
        parts.append(f"{plate.poles} poles")
    unknown = plate.connection == "unknown"
    parts.append("connection unknown" if unknown else plate.connection)
    return ", ".join([*parts, _WINDINGS[plate.winding]])


def _number(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _when(entry: "MachineEntry") -> str:
    return f"{entry.time:%Y-%m-%d %H:%M}"
