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
        profiles: Annotated[
            bool, typer.Option("--profiles", help="List the profiles instead of the drivers.")
        ] = False,
    ) -> int:
        """List the drivers, where each comes from, and what could not be loaded.

        Profiles are those in the folders of BENCHTALLY_PROFILES, in the user's folder, in
        /etc/benchtally/profiles and built in; the first of a name is taken.
        """
        from capture.plugins import DriverRegistry

        registry = DriverRegistry.load()
        if profiles:
            return _list_profiles(registry.profile_packages, as_json=as_json)
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


def _list_profiles(packages: list[str], *, as_json: bool) -> int:
    """List all profiles; a faulty one is shown with its faults."""
    from capture.driver.profile import find_profiles

    found = find_profiles(packages)
    if as_json:
        print_json(
            {
                "name": each.name,
                "driver": each.profile.driver if each.profile else None,
                "summary": each.profile.summary if each.profile else None,
                "from": each.where,
                "hidden_by": each.hidden_by or None,
                "faults": each.faults,
            }
            for each in found
        )
        return DONE
    rows = []
    for each in found:
        says = each.profile.summary if each.profile else f"FAULTY: {'; '.join(each.faults)}"
        if each.hidden_by:
            says += f" (hidden by {each.hidden_by})"
        rows.append((each.name, each.profile.driver if each.profile else "?", each.where, says))
    console().print(table(("profile", "driver", "from", "what it is for"), rows))
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
