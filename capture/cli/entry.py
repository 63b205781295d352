"""Options and steps that ``key`` and ``tag`` share."""

from typing import Annotated

import typer

from capture.errors import InputError
from capture.model.testpoint import Direction, TestPoint

OperatorOption = Annotated[
    str,
    typer.Option(envvar="BENCHTALLY_OPERATOR", help="Who read or says it; a role or a name."),
]
PointOption = Annotated[
    str | None, typer.Option("--point", help="Test point: U-V, V-U, U1-U2, U+V+W-frame …")
]
DirectionOption = Annotated[
    Direction | None, typer.Option(help="Which way round the leads sit on the pair.")
]
NoteOption = Annotated[str | None, typer.Option(help="A remark that is stored with it.")]


def read_point(text: str | None, direction: Direction | None) -> TestPoint | None:
    """Read a test point and a direction as given on the command line.

    Raises:
        InputError: not a test point, a direction without one, or the two contradict each other.
    """
    if text is None:
        if direction is not None:
            raise InputError("--direction belongs to a test point; give --point as well")
        return None
    point = TestPoint.parse(text)
    return point if direction is None else point.towards(direction)
