"""``benchtally check``: everything that can be found wrong without opening anything."""

from typing import Any

import typer

from capture.cli.output import DONE, FAILED, ConfigOption, JsonOption, print_json
from capture.display import console, table

_TLS_PORT = 8883  # secure-mqtt, IANA's registry of ports


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def check(config: ConfigOption = None, as_json: JsonOption = False) -> int:
        """Check a configuration: keys, drivers, options, profiles, messages, ports.

        Nothing is opened and nothing is sent: opening a port moves its control lines, which can
        disturb an instrument.
        """
        from capture.config import load_config
        from capture.doctor.bench import daemon_of
        from capture.instruments import build_instruments
        from capture.model.names import BROKER
        from capture.plugins import DriverRegistry

        settings = load_config(config)
        registry = DriverRegistry.load()
        built = {each.id: each for each in build_instruments(settings, registry)}
        daemon = daemon_of(settings.journal_path)
        rows: list[dict[str, Any]] = [
            {"what": f"instrument {name}", **_verdict(instrument.link, built[name], daemon)}
            for name, instrument in settings.instruments.items()
        ]
        rows.append({"what": "journal", **_journal(settings)})
        if settings.web is not None:
            rows.append({"what": "web", **_web(settings)})
        for name in settings.publishers:
            what = name if name == BROKER else f"broker {name}"
            rows.append({"what": what, **_broker(settings, name)})
        if as_json:
            print_json(rows)
        else:
            made = [(row["what"], "ok" if row["ok"] else "fault", row["says"]) for row in rows]
            console().print(table(("what", "is", "says"), made))
        return DONE if all(row["ok"] for row in rows) else FAILED


def _verdict(given: Any, instrument: Any, daemon: int | None) -> dict[str, Any]:
    """Judge an instrument's port; that this bench's own daemon has it open is as it should be."""
    from capture.config import SerialSettings
    from capture.instruments import with_defaults
    from capture.links import make_link
    from capture.links.ports import port_fault

    profile = instrument.profile
    link = with_defaults(given, None if profile is None else profile.link)
    if not isinstance(link, SerialSettings):
        return {"ok": True, "says": f"{make_link(link).description}, not tried"}
    fault = port_fault(link.port)
    says = f"{link.port}, {link.baud} baud"
    if (link.data_bits, link.parity) != (8, "none"):
        says += f", {link.data_bits} data bits, parity {link.parity}"
    if fault is not None and daemon is not None and fault.endswith(f"(process {daemon})"):
        return {"ok": True, "says": f"{says}, in use by this bench's daemon (process {daemon})"}
    return {"ok": fault is None, "says": fault or says}


def _broker(settings: Any, name: str) -> dict[str, Any]:
    from capture.errors import CaptureError
    from capture.model.names import BROKER
    from capture.publish import PublisherSettings
    from capture.publish.secrets import Credentials

    broker = settings.publishers[name]
    where = f"{broker.host}:{broker.port}"
    try:
        secrets = Credentials(PublisherSettings.of(settings, name)).read()
    except CaptureError as error:
        return {"ok": False, "says": str(error)}
    says = f"{where}{', TLS' if secrets.context else ''}, not tried"
    if secrets.context is None and broker.port == _TLS_PORT:
        section = "broker" if name == BROKER else f"brokers.{name}"
        says += f"; without TLS, though {_TLS_PORT} is its port: add [{section}.tls], empty or not"
    return {"ok": True, "says": says}


def _web(settings: Any) -> dict[str, Any]:
    """Judge a certificate and whether somebody is registered, where these are needed."""
    from capture.errors import CaptureError
    from capture.extras import require_extra

    web = settings.web
    says = f"{web.host}, port {web.port}"
    try:
        require_extra("web", "web")
        from capture.access.file import AccessFile
        from capture.access.operators import Operators
        from capture.web.tls import Tls

        if web.tls_certificate is not None:
            Tls(settings.folder / web.tls_certificate, settings.folder / web.tls_key)
        anybody = False
        if settings.access_path.exists():
            file = AccessFile(settings.access_path)
            anybody = Operators(file).any()
            file.close()
    except CaptureError as error:
        return {"ok": False, "says": str(error)}
    if web.for_others and not anybody:
        return {"ok": False, "says": f"{says}; register somebody: benchtally operator add NAME"}
    if web.plain_on_network:
        says += ", without TLS: whoever can listen there can take over sessions"
    return {"ok": True, "says": says}


def _journal(settings: Any) -> dict[str, Any]:
    from capture.errors import JournalError
    from capture.journal import JournalReader

    path = settings.journal_path
    if not path.exists():
        return {"ok": True, "says": f"{path}, not there yet: `run` will make it"}
    try:
        reader = JournalReader(path)
        says = f"{path}, {reader.last_n()} entries"
        reader.close()
    except JournalError as error:
        return {"ok": False, "says": str(error)}
    return {"ok": True, "says": says}
