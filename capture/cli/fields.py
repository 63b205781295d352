"""Options of a command that are the fields of a model: none is left out, and the model checks them.

The command takes them as ``**fields``; those that were not given are None.
"""

import inspect
import types
from collections.abc import Callable, Mapping
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

import typer

from capture.errors import InputError
from capture.model.fields import Model

Command = TypeVar("Command", bound=Callable[..., Any])

CONDITION_WORDS = {
    "state": "As found or as left.",
    "rotor": "Where the rotor is.",
    "rotor_degrees": "Angle of the rotor, mechanical degrees.",
    "measured_at": "Where the leads sit: at the terminals or through the cable.",
    "winding_celsius": "Temperature of the winding, °C.",
    "temperature_by": "How that was measured: contact thermometer, embedded detector …",
    "relative_humidity": "Relative humidity, %.",
    "range": "Range of the instrument.",
    "lead_zero": "When the leads were zeroed.",
    "reference_check": "When the reference was checked.",
}
NAMEPLATE_WORDS = {
    "rated_volts": "Rated voltage, V, line to line.",
    "rated_watts": "Rated power, W.",
    "rated_amperes": "Rated current, A.",
    "rated_hertz": "Rated frequency, Hz.",
    "rated_rpm": "Rated speed, turns a minute.",
    "rotor_volts": "Voltage between a wound rotor's slip rings, V, open and at standstill.",
    "excitation_volts": "Rated voltage of a separately excited field, V.",
    "poles": "Number of poles.",
    "connection": "How the phases are joined.",
    "winding": "Kind of winding; decides its limits.",
    "parallel_paths": "Parallel paths (circuits) of a phase.",
    "coils_per_group": "Coils in a group.",
    "thermal_class": "Thermal class of the insulation (130 is B, 155 F, 180 H).",
    "insulation": "Kind of insulation; decides the temperature correction.",
    "leads": "Number of leads brought out.",
    "conductor": "Material of the conductor.",
    "zero_resistance_celsius": "k of the conductor: copper 234.5 or 235, aluminium 225 or 228.",
    "year": "Year of manufacture.",
    "serial": "Serial number.",
    "order": "Order or work number.",
    "label": "Code on a label that a scanner reads.",
    "description": "What the machine is, in a line.",
}


def with_fields(model: type[Model], words: Mapping[str, str]) -> Callable[[Command], Command]:
    """Give a command one option for each field of a model, in place of its ``**fields``."""

    def decorate(command: Command) -> Command:
        signature = inspect.signature(command)
        own = [
            each
            for each in signature.parameters.values()
            if each.kind is not inspect.Parameter.VAR_KEYWORD
        ]
        made = [
            inspect.Parameter(
                name,
                inspect.Parameter.KEYWORD_ONLY,
                default=None,
                annotation=_option(field.annotation, words[name]),
            )
            for name, field in model.model_fields.items()
        ]
        command.__signature__ = signature.replace(  # type: ignore[attr-defined] # read by inspect
            parameters=[*own, *made]
        )
        command.__annotations__ |= {each.name: each.annotation for each in made}
        return command

    return decorate


def given(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Give the options that were given."""
    return {name: value for name, value in fields.items() if value is not None}


def checked(model: type[Model], fields: Mapping[str, Any], where: str = "") -> Any:
    """Make a model of what was given.

    Raises:
        InputError: a field cannot be taken, or there is none of that name; says which.
    """
    from pydantic import ValidationError

    from capture.faults import fault_lines

    before = f"{where}: " if where else ""
    unknown = sorted(set(fields) - set(model.model_fields))
    if unknown:
        known = ", ".join(model.model_fields)
        raise InputError(f"{before}{unknown[0]!r} is not known; there are {known}")
    try:
        return model.model_validate(dict(fields))
    except ValidationError as error:
        raise InputError(before + "; ".join(fault_lines(error))) from error


def _option(annotation: Any, words: str) -> Any:
    kind, choices = _plain(annotation)
    metavar = "|".join(str(each) for each in choices) or None
    return Annotated[kind | None, typer.Option(help=words, metavar=metavar)]


def _plain(annotation: Any) -> tuple[Any, tuple[Any, ...]]:
    """Give the plain type behind an annotation, and the values that alone may stand there."""
    origin = get_origin(annotation)
    if origin in (Union, types.UnionType):
        inner = [each for each in get_args(annotation) if each is not type(None)]
        return _plain(inner[0])
    if origin is Annotated:
        return _plain(get_args(annotation)[0])
    if origin is Literal:
        choices = get_args(annotation)
        return type(choices[0]), choices
    return annotation, ()
