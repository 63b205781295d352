"""``benchtally drivers``: the drivers that are installed."""

import dataclasses
from typing import Annotated, Any

import typer

from capture.cli.output import DONE, JsonOption, complain, print_json
from capture.display import console, table


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def drivers(
        as_json: JsonOption = False,
        options: Annotated[
            bool, typer.Option("--options", help="Show each driver's options.")
        ] = False,
    ) -> int:
        """List the drivers, where each comes from, and what could not be loaded."""
        from capture.plugins import DriverRegistry

        registry = DriverRegistry.load()
        found = [
            {
                "id": driver.spec.id,
                "version": driver.version,
                "from": driver.distribution,
                "summary": driver.spec.summary,
                "options": _options(driver.spec.options),
            }
            for driver in sorted(registry.drivers.values(), key=lambda each: each.spec.id)
        ]
        if as_json:
            print_json(found)
        else:
            rows = [(d["id"], d["version"], d["from"], d["summary"]) for d in found]
            console().print(table(("driver", "version", "from", "what it is for"), rows))
            if options:
                for driver in found:
                    _print_options(driver)
        for failure in registry.failures:
            complain(f"{failure.name} of {failure.distribution} not loaded: {failure.reason}")
        return DONE


def _options(options: type[Any]) -> list[dict[str, Any]]:
    return [
        {
            "name": each.name,
            "default": None if _is_required(each) else _default(each),
            "required": _is_required(each),
            "help": each.metadata.get("help", ""),
        }
        for each in dataclasses.fields(options)
    ]


def _is_required(each: dataclasses.Field[Any]) -> bool:
    return each.default is dataclasses.MISSING and each.default_factory is dataclasses.MISSING


def _default(each: dataclasses.Field[Any]) -> Any:
    if each.default_factory is not dataclasses.MISSING:
        return each.default_factory()
    return each.default


def _print_options(driver: dict[str, Any]) -> None:
    rows = [
        (o["name"], "required" if o["required"] else repr(o["default"]), o["help"])
        for o in driver["options"]
    ]
    console().print(table(("option", "default", "what it does"), rows, title=driver["id"]))
