"""``benchtally ports``: what is plugged in, what comes and goes, and what it may be."""

import os
import sys
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from capture.cli.output import DONE, FAILED, JsonOption, complain, print_json, say
from capture.display import clean, console, table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.discovery import Candidate, Device, Finding, Listing, PortReport, Proposal


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def ports(
        as_json: JsonOption = False,
        watch: Annotated[
            bool,
            typer.Option("--watch", help="Go on, and say what comes and goes; Ctrl-C ends it."),
        ] = False,
        probe: Annotated[
            str | None,
            typer.Option(
                metavar="PORT",
                help="Find out what is at this port: listen, then ask *IDN?. May disturb it.",
            ),
        ] = None,
        yes: Annotated[
            bool, typer.Option("--yes", help="Probe without asking whether it may be disturbed.")
        ] = False,
    ) -> int:
        """List what is plugged in: where it is, and what to write in a configuration for it.

        Nothing is opened and nothing is sent, except with --probe. Pseudo-terminals are not listed.
        """
        from capture.discovery import Listing

        listing = Listing()
        if probe is not None:
            return _probe(probe, listing, as_json=as_json, yes=yes)
        _show(listing, as_json=as_json)
        return _watch(listing, as_json=as_json) if watch else DONE


# ── listing ──────────────────────────────────────────────────────────────────────────────────────


def _show(listing: "Listing", *, as_json: bool) -> None:
    from dataclasses import asdict

    from capture.discovery import report

    found = report(listing())
    if as_json:
        print_json(asdict(each) for each in found)
        return
    if found:
        rows = [
            (each.path, each.identity, each.description, each.location, _state(each))
            for each in found
        ]
        headings = ("port", "write as", "what it says of itself", "socket", "state")
        console().print(table(headings, rows))
        for each in found:
            for text in filter(None, (each.remark, each.hint)):
                say(f"{clean(each.path)}: {clean(text)}")
    else:
        say("no serial ports; plug in an adapter, or write a port's path in the configuration")
    if listing.without_usb:
        say(
            "USB test and measurement devices are not listed: install libusb "
            "(Debian: apt install libusb-1.0-0)"
        )


def _state(port: "PortReport") -> str:
    if port.holder:
        return f"in use by {port.holder}"
    return "free" if port.usable else "no permission"


def _watch(listing: "Listing", *, as_json: bool) -> int:
    try:
        _watch_on(listing, as_json=as_json)
    except KeyboardInterrupt:  # the ordinary end, also while the first look is prepared
        return DONE


def _watch_on(listing: "Listing", *, as_json: bool) -> NoReturn:
    import threading

    from capture.clock import SystemClock
    from capture.discovery import Change, Watcher
    from capture.discovery.watch import INTERVAL
    from capture.logs import configure_logs

    configure_logs("warning", "text")  # what changes is this command's output, and no log

    def tell(change: Change) -> None:
        for what, devices in (("vanished", change.vanished), ("appeared", change.appeared)):
            for device in devices:
                _tell(what, device, listing(), as_json=as_json)

    watcher = Watcher(listing, SystemClock(), tell)
    never = threading.Event()
    while True:
        watcher.look()
        never.wait(INTERVAL)


def _tell(what: str, device: "Device", devices: "list[Device]", *, as_json: bool) -> None:
    from capture.discovery import write_as
    from capture.discovery.listing import by_path

    name = write_as(device, devices, by_path)
    if as_json:
        print_json([{"event": what, "path": device.path, "identity": name.text}])
    else:
        text = f"{what}: {device.path}, write as {name.text}"
        say(clean(f"{text} ({name.remark})" if name.remark else text))


# ── probing ──────────────────────────────────────────────────────────────────────────────────────


def _probe(port: str, listing: "Listing", *, as_json: bool, yes: bool) -> int:
    from pydantic import TypeAdapter, ValidationError

    from capture.clock import SystemClock
    from capture.config import LinkSettings
    from capture.discovery import Prober, link_table, proposals
    from capture.discovery.probe import WARNING
    from capture.errors import InputError
    from capture.faults import fault_lines
    from capture.links import make_link
    from capture.links.ports import port_fault
    from capture.runtime import MessagePolicy

    devices = listing()
    link = link_table(port, devices)
    settings: Any = TypeAdapter(LinkSettings)
    try:
        settings.validate_python(link)
    except ValidationError as error:
        raise InputError("; ".join(fault_lines(error, prefix="port"))) from error
    # Whoever serves a pseudo-terminal has it open, too: that is no other program that reads it.
    served = os.path.realpath(port).startswith("/dev/pts/")
    fault = port_fault(port) if link["kind"] == "serial" and not served else None
    if fault is not None:
        complain(f"{clean(fault)}; nothing was opened")
        return FAILED
    if not yes and not _confirmed(port, WARNING):
        complain("nothing was opened and nothing was sent")
        return FAILED
    candidates = list(_candidates())
    prober = Prober(
        lambda table: make_link(settings.validate_python(table)),
        MessagePolicy(),  # no allow list: what a probe sends is what anybody may send
        SystemClock(),
        candidates,
    )
    finding = prober.probe(link)
    found = proposals(finding, candidates, _lasting_name(port, devices))
    _tell_finding(port, finding, found, as_json=as_json)
    return DONE if found else FAILED


def _confirmed(port: str, warning: str) -> bool:
    complain(warning)
    sys.stderr.write(f"probe {clean(port)} now? [y/N] ")
    sys.stderr.flush()
    return sys.stdin.readline().strip().lower() in ("y", "yes")


def _lasting_name(port: str, devices: "list[Device]") -> str:
    from capture.discovery import is_meant, write_as
    from capture.discovery.listing import by_path

    if port.startswith("/dev/serial/"):
        return port  # a name of the socket or of the adapter, chosen on purpose
    device = next((each for each in devices if is_meant(port, each)), None)
    return port if device is None else write_as(device, devices, by_path).text


def _candidates() -> "Iterator[Candidate]":
    """Give every driver with each of its profiles, and those that need none."""
    from functools import partial
    from pathlib import Path

    from capture.discovery import Candidate
    from capture.errors import ConfigError
    from capture.plugins import DriverRegistry, read_options

    for loaded in DriverRegistry.load().drivers.values():
        spec = loaded.spec
        for name in ("", *_profile_names(spec.profiles)):
            try:
                given = {"profile": name} if name else {}
                options = read_options(spec, given, spec.id, Path())
                messages = tuple(spec.messages(options))
                profile = spec.profile(options)
            except ConfigError:
                continue  # another driver's profile, a faulty one, or a driver that needs one
            yield Candidate(spec.id, name, profile, messages, partial(spec.create, options))


def _profile_names(package: str) -> list[str]:
    """List the profiles that a name can stand for: a person's own, and those built in."""
    from capture.driver.profile import built_in_profiles, search_path

    if not package:
        return []
    own = [path.stem for folder in search_path() for path in sorted(folder.glob("*.toml"))]
    return list(dict.fromkeys([*own, *built_in_profiles(package)]))


def _tell_finding(port: str, finding: "Finding", found: "list[Proposal]", *, as_json: bool) -> None:
    heard = b"".join(data for _, data in finding.heard)
    if as_json:
        proposed = [
            {"driver": each.driver, "profile": each.profile, "toml": each.toml("instrument-1")}
            for each in found
        ]
        print_json(
            [
                {
                    "port": port,
                    "identity": finding.identity,
                    "heard": heard.decode("latin-1"),
                    "asked": finding.asked,
                    "proposals": proposed,
                }
            ]
        )
        return
    if found:
        say(found[0].toml("instrument-1"))
        for each in found[1:]:
            profile = f", profile {each.profile}" if each.profile else ""
            say(f"# It might also be: driver {each.driver}{profile}")
    else:
        say(_nothing_fits(port, finding, heard))


def _nothing_fits(port: str, finding: "Finding", heard: bytes) -> str:
    where = f"{clean(port)} at {finding.link['baud']} baud" if "baud" in finding.link else port
    if finding.identity:
        return f"{where}: answered {clean(finding.identity)}, but no driver here can talk to it"
    if heard:
        return (
            f"{where}: says {heard[:80]!r} by itself, which no profile here reads; "
            "a profile in TOML can be written for it. Nothing was sent"
        )
    return (
        f"{clean(port)}: silent, and no answer to *IDN?; a meter that talks only when a key is "
        "pressed is heard when it is pressed during the probe"
    )
