"""``benchtally doctor``: what is wrong with this host for this bench, and what to do about it."""

from dataclasses import asdict

import typer

from capture.cli.output import DONE, FAILED, ConfigOption, JsonOption, print_json, say


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def doctor(config: ConfigOption = None, as_json: JsonOption = False) -> int:
        """Look at this host: configuration, drivers, ports, disk, journal, clock, brokers, web.

        Nothing is sent to an instrument and no port is opened. Ends with 1 where something is
        wrong.
        """
        from capture.clock import SystemClock
        from capture.display import clean
        from capture.doctor.examine import examine

        any_wrong = False
        for found in examine(config, SystemClock()):
            any_wrong = any_wrong or found.level == "wrong"
            if as_json:
                print_json([asdict(found)])
            else:
                do = f"; {found.do}" if found.do else ""
                say(clean(f"{found.level:<5}  {found.what}: {found.says}{do}"))
        return FAILED if any_wrong else DONE
