"""``benchtally photo``: proposed readings from a photo of a display. Nothing is stored."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from capture.cli.output import DONE, ConfigOption, print_json
from capture.errors import ConfigError, InputError

if TYPE_CHECKING:
    from capture.driver.profile.display import Display
    from capture.jobs.procedure import Step
    from capture.photo.expect import Expectation


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def photo(
        file: Annotated[Path, typer.Argument(metavar="FILE", help="Photo: JPEG, PNG or WebP.")],
        step: Annotated[
            str | None, typer.Option(help="Step that the values are for; tells what to look for.")
        ] = None,
        job: Annotated[
            str | None, typer.Option(help="Job of the step: an id, its beginning, or last.")
        ] = None,
        procedure: Annotated[
            str | None, typer.Option(help="Procedure of the step, instead of a job.")
        ] = None,
        quantity: Annotated[
            str | None, typer.Option(help="What the values are of, without any step.")
        ] = None,
        point: Annotated[
            list[str] | None,
            typer.Option(help="With --quantity: a test point; several in the display's order."),
        ] = None,
        profile: Annotated[
            str | None,
            typer.Option(help="Profile of the instrument, a name or a .toml file: its [display]."),
        ] = None,
        keep: Annotated[
            bool, typer.Option("--keep", help="Keep the photo as evidence as well.")
        ] = False,
        config: ConfigOption = None,
    ) -> int:
        """Print what can be read off a photo of a display, as JSON. Stores no reading.

        Every proposal has its test point, the part of the photo it stood in, the confidence of
        each character, and its doubts. `benchtally key` takes what a person has confirmed.
        """
        from capture.cli.key_job import photos
        from capture.photo.worker import PhotoReader

        expected = _expected(step, job, procedure, quantity, point or [], config)
        display = _display(profile)
        data = read_file(file)
        with PhotoReader() as reader:
            try:
                proposals = reader.read(data, expected, display)
            except InputError as error:
                raise InputError(f"{file}: {error}") from error
        if keep:
            from capture.config import load_config

            photos(load_config(config).evidence_path, [file])
        print_json([proposals.model_dump(mode="json")])
        return DONE


def read_file(file: Path) -> bytes:
    """Read a photo, no more of it than is taken.

    Raises:
        InputError: it cannot be read.
    """
    from capture.photo.store import MOST_BYTES

    try:
        with file.open("rb") as opened:
            return opened.read(MOST_BYTES + 1)
    except OSError as error:
        raise InputError(f"{file}: cannot be read: {error.strerror}") from error


def _expected(
    step: str | None,
    job: str | None,
    procedure: str | None,
    quantity: str | None,
    points: list[str],
    config: Path | None,
) -> "Expectation":
    """Tell what is to be looked for: by a step, or by a quantity and test points."""
    from capture.model import TestPoint, unit_of
    from capture.photo.expect import Expectation

    if quantity is not None:
        if step is not None or job is not None or procedure is not None:
            raise InputError("--quantity stands alone; a step knows its quantity")
        unit_of(quantity)
        return Expectation(quantity, tuple(str(TestPoint.parse(each)) for each in points))
    if points:
        raise InputError("--point belongs to --quantity; a step knows its test points")
    if job is not None and procedure is not None:
        raise InputError("give either --job or --procedure")
    found = _of_procedure(procedure, step) if procedure else _of_job(job or "last", step, config)
    return Expectation(found.quantity, found.points)


def _of_procedure(name: str, step: str | None) -> "Step":
    from capture.jobs.procedure import load_procedure

    steps = {each.id: each for each in load_procedure(name).steps}
    if step not in steps:
        said = "give --step" if step is None else f"procedure {name} has no step {step!r}"
        raise InputError(f"{said}; there are {', '.join(steps)}")
    return steps[step]


def _of_job(name: str, step: str | None, config: Path | None) -> "Step":
    from capture.cli.bench import open_bench

    with open_bench(config, only_reads=True) as bench:
        state = bench.state(name)
        if step is not None:
            return state.step(step).step
        if state.current is None:
            raise InputError(f"job {state.job} has no open step; name one with --step")
        return state.current.step


def _display(name: str | None) -> "Display":
    """Give what a profile tells of its display.

    Raises:
        ConfigError: there is no such profile, it is faulty, or it tells nothing of a display.
    """
    from capture.driver.profile.display import Display
    from capture.plugins import named_profile

    if name is None:
        return Display()
    found = named_profile(name)
    if found.display is None:
        raise ConfigError([f"profile {name}: it has no [display], which says how it is laid out"])
    return found.display
