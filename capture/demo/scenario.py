"""The scenario: an extraction fan of a sawmill comes to the bench, and its winding is measured.

Everything is real but the instruments: ports, daemon, journal, broker, commands. Each stage checks
that it happened, and the first that did not ends the demonstration with its reason.
"""

import sys
import threading
from pathlib import Path
from typing import Any

from rich.rule import Rule

from capture.demo.broker import Broker, start_broker
from capture.demo.children import DaemonProcess, DemoError, SimulatedInstrument, command
from capture.demo.live import LiveTable
from capture.display import console as make_console
from capture.display import table
from capture.journal import JournalReader
from capture.publish import Topics

SITE, BENCH, MACHINE = "sawmill", "bench-1", "fan-07"

_WIDTH = 120  # without a terminal, wide enough for the live table

_CONFIG = """\
# Written by `benchtally demo`. Two instruments on one bench.
site = "{site}"
bench = "{bench}"

[journal]
path = "sawmill.journal"

[broker]
host = "127.0.0.1"
port = {broker_port}
version = "{broker_version}"

# A resistance meter that speaks SCPI. It is asked FETCh? only: that starts nothing.
[instruments.ohm-meter]
driver = "scpi-meter"
[instruments.ohm-meter.link]
kind = "serial"
port = "{ohm_port}"
baud = 9600
[instruments.ohm-meter.options]
quantity = "resistance"
interval_s = 0.4

# An insulation tester that prints a line a second and listens to nobody.
[instruments.insulation-tester]
driver = "ascii-meter"
[instruments.insulation-tester.link]
kind = "serial"
port = "{insulation_port}"
[instruments.insulation-tester.options]
profile = "insulation-lines"
"""

#: Pulse times as a display shows them, in its order: three pairs, both directions.
_PULSE_BLOCK = """\
U-V  112.6 µs
V-U  112.4 µs
V-W  121.7 µs
W-V  121.9 µs
W-U  112.9 µs
U-W  112.8 µs
"""

_BEFORE_TOUCHING = (
    "Before a lead touches the winding: isolate the machine and lock it off, prove it dead at the",
    "terminals, discharge the winding; on a dusty fan clear the dust first and block the impeller.",
)
_BEFORE_INSULATION = (
    "Before the insulation test: nobody near the machine, drives and electronics disconnected.",
    "The tester puts its voltage on the winding when a person starts it; Benchtally only reads.",
)
_AFTER_INSULATION = (
    "After it: discharge the winding for at least four times as long as the voltage was applied",
    "before anything is touched.",
)
_BEFORE_PULSE = (
    "Before the pulse comparison: the same cautions; pulses stay on until the person ends them.",
    "The instrument shows six times and sends none; they are read off and keyed as one block.",
)
_NO_SAFETY_DEVICE = (
    "Local codes and licensed practice decide; this software is not a safety device.",
)


class Demo:
    """One run of the scenario."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder.absolute()
        self._console = make_console(_WIDTH)
        self._closing: list[Any] = []
        self._daemon: DaemonProcess | None = None
        self._instruments: list[SimulatedInstrument] = []

    def run(self, *, once: bool) -> None:
        """Run every stage; then end, or stay until Ctrl-C.

        Raises:
            CaptureError: a stage did not happen; says which and why.
        """
        try:
            live, ohm, insulation = self._start()
            self._measure_resistance(live, ohm)
            self._test_insulation(live, insulation)
            self._key_pulse_times(live)
            self._compute()
            self._prove_delivery(live)
            self._say_where()
            if not once:
                self._stay(ohm)
        except DemoError as error:
            raise self._explained(error) from error
        finally:
            for close in reversed(self._closing):
                close()

    # ── stages ───────────────────────────────────────────────────────────────────────────────

    def _start(self) -> tuple[LiveTable, SimulatedInstrument, SimulatedInstrument]:
        self._stage("Start: two simulated instruments, a broker, the daemon")
        self._folder.mkdir(parents=True, exist_ok=True)
        ohm = self._simulate("scpi-resistance", "ohm-meter.port", "rate=10")
        insulation = self._simulate("talk-only", "insulation-tester.port", "rate=1")
        insulation.hand("hold")
        broker: Broker = start_broker(self._folder)
        self._closing.append(broker.stop)
        config = self._write_config(ohm, insulation, broker)
        self._console.print(table(("part", "where"), self._parts(ohm, insulation, broker)))
        self._say((f"{_near(config)}:",))
        self._console.print(config.read_text("utf-8"), style="dim")
        topics = Topics(SITE, BENCH)
        live = LiveTable(broker.port, f"{topics.root}/reading/#", self._console)
        self._closing.append(live.close)
        daemon = DaemonProcess(config, self._folder / "daemon.log")
        self._closing.append(daemon.stop)
        self._daemon = daemon
        return live, ohm, insulation

    def _measure_resistance(self, live: LiveTable, ohm: SimulatedInstrument) -> None:
        self._stage("Winding resistance: captured from the SCPI meter, three pairs")
        self._say((*_BEFORE_TOUCHING, *_NO_SAFETY_DEVICE))
        live.print_heading()
        for pair in ("U-V", "V-W", "W-U"):
            before = live.count()
            ohm.hand(f"pair {pair}")
            reading = self._settled(live, before, f"a settled resistance of {pair}")
            command(
                f"tag {reading['id']} --machine {MACHINE} --point {pair} --operator technician",
                self._config,
            )
            self._say((f"  reading {reading['id']} is tagged {MACHINE} {pair}; leads off",))
            before = live.count()
            ohm.hand("lift")
            live.wait_for("an open circuit after the leads were lifted", _is_open(before, live), 8)

    def _test_insulation(self, live: LiveTable, insulation: SimulatedInstrument) -> None:
        self._stage("Insulation resistance: lines of the talk-only meter")
        self._say(_BEFORE_INSULATION)
        live.print_heading()
        insulation.hand("run")
        first = live.wait_for("an insulation reading", _is_insulation("ok"), 8)
        insulation.hand("over")
        bound = live.wait_for("a reading above range", _is_insulation("above-range"), 8)
        insulation.hand("hold")
        if first["value"] is None or bound["value"] is not None or "bound" not in bound:
            raise DemoError("an insulation reading was not taken as shown")
        self._say(_AFTER_INSULATION)

    def _key_pulse_times(self, live: LiveTable) -> None:
        self._stage("Pulse comparison: six times keyed as a block")
        self._say(_BEFORE_PULSE)
        self._say(("$ benchtally key pulse_time --block --law period < six-lines:",))
        printed = command(
            f"key pulse_time --block --law period --machine {MACHINE} --operator technician "
            "--instrument pulse-tester",
            self._config,
            given=_PULSE_BLOCK,
        )
        self._console.print(printed.rstrip(), markup=False)
        live.print_heading()
        keyed = [line.split()[0] for line in _PULSE_BLOCK.splitlines()]
        for point in keyed:
            first, second = point.split("-")
            live.wait_for(f"the keyed time of {point}", _is_keyed(first, second), 8)

    def _compute(self) -> None:
        from capture.winding import unbalance

        self._stage("What the readings say")
        reader = JournalReader(self._folder / "sawmill.journal")
        try:
            readings = list(reader.readings(machine=MACHINE))
        finally:
            reader.close()
        ohms = _by_pair(readings, "resistance")
        times = _by_pair(readings, "pulse_time")
        resistance = {pair: values[-1] for pair, values in ohms.items()}
        pulse = {pair: sum(values[-2:]) / 2 for pair, values in times.items()}
        if set(resistance) != {"U-V", "V-W", "W-U"} or set(pulse) != set(resistance):
            raise DemoError(f"the journal holds {sorted(ohms)} and {sorted(times)} of {MACHINE}")
        by_mean = unbalance(resistance, "mean").value
        by_span = unbalance(pulse, "span-max").value
        rows = [
            (pair, f"{resistance[pair] * 1000:.2f} mOhm", f"{pulse[pair] * 1e6:.2f} µs")
            for pair in ("U-V", "V-W", "W-U")
        ]
        rows.append(("unbalance / deviation", f"{by_mean:.2f} %", f"{by_span:.2f} %"))
        headings = (MACHINE, "resistance", "pulse time, mean of both directions")
        self._console.print(table(headings, rows))
        self._say(
            (
                "Resistance: largest difference from the mean, over the mean.",
                "Pulse time: (largest - smallest) / largest, of the pair means.",
                "Information only: no limit has been adopted on this bench.",
            )
        )

    def _prove_delivery(self, live: LiveTable) -> None:
        self._stage("Delivery")
        reader = JournalReader(self._folder / "sawmill.journal")
        last = reader.last_n()
        first = self._first_n
        ids = {str(row.id) for row in _rows(reader, first, last) if row.kind == "reading"}
        reader.close()
        for id_ in ids:
            live.wait_for(f"reading {id_}", _has_id(id_), 8)
        self._say((f"{len(ids)} readings in the journal, {len(ids)} at the subscriber.",))

    def _say_where(self) -> None:
        self._stage("Look further")
        command_, config = _near(Path(sys.argv[0])), _near(self._config)
        self._say(
            (
                f"journal   {_near(self._folder / 'sawmill.journal')}",
                f"list it   {command_} readings --config {config}",
                f"as JSON   {command_} readings --json --config {config}",
                f"traffic   {command_} follow --config {config}",
                f"log       {_near(self._folder / 'daemon.log')}",
            )
        )

    def _stay(self, ohm: SimulatedInstrument) -> None:
        self._say(("", "The daemon goes on; Ctrl-C ends the demonstration.", ""))
        ohm.hand("pair U-V")
        forever = threading.Event()
        try:
            while self._daemon is not None and self._daemon.ended() is None:
                forever.wait(0.5)
        except KeyboardInterrupt:
            return
        raise DemoError("the daemon went away")

    # ── helpers ──────────────────────────────────────────────────────────────────────────────

    def _explained(self, error: DemoError) -> DemoError:
        """Name the part that ended on the way, if one did, and what the daemon last said."""
        for instrument in self._instruments:
            if instrument.ended() is not None:
                return DemoError(f"the simulated {instrument.kind} went away: {error}")
        if self._daemon is None or self._daemon.ended() is None:
            return error
        log = (self._folder / "daemon.log").read_text("utf-8", "replace").strip().splitlines()
        last = log[-1] if log else "it said nothing"
        return DemoError(f"the daemon ended with exit code {self._daemon.ended()}: {last}")

    def _stage(self, title: str) -> None:
        self._console.print(Rule(title, align="left", characters="-"))

    def _say(self, lines: tuple[str, ...]) -> None:
        for line in lines:
            self._console.print(line, soft_wrap=True)

    def _simulate(self, kind: str, link: str, *options: str) -> SimulatedInstrument:
        instrument = SimulatedInstrument(kind, self._folder / link, *options)
        self._closing.append(instrument.stop)
        self._instruments.append(instrument)
        return instrument

    def _write_config(
        self, ohm: SimulatedInstrument, insulation: SimulatedInstrument, broker: Broker
    ) -> Path:
        self._config = self._folder / "benchtally.toml"
        self._config.write_text(
            _CONFIG.format(
                site=SITE,
                bench=BENCH,
                broker_port=broker.port,
                broker_version=broker.version,
                ohm_port=ohm.port,
                insulation_port=insulation.port,
            ),
            "utf-8",
        )
        journal = self._folder / "sawmill.journal"
        self._first_n = 0
        if journal.exists():  # an earlier demonstration in the same folder: it goes on from there
            reader = JournalReader(journal)
            self._first_n = reader.last_n()
            reader.close()
        return self._config

    def _parts(
        self, ohm: SimulatedInstrument, insulation: SimulatedInstrument, broker: Broker
    ) -> list[tuple[str, str]]:
        return [
            ("resistance meter (SCPI)", _near(ohm.port)),
            ("insulation tester (talk-only)", _near(insulation.port)),
            (f"broker ({broker.name})", f"127.0.0.1:{broker.port}"),
            ("configuration", _near(self._config)),
        ]

    def _settled(self, live: LiveTable, before: int, what: str) -> dict[str, Any]:
        """Wait for two values in a row that agree within a thousandth; give the second."""

        def fits(reading: dict[str, Any]) -> bool:
            values = [
                each
                for each in live.readings[before:]
                if each["instrument"] == "ohm-meter" and each["status"] == "ok"
            ]
            at = next((i for i, each in enumerate(values) if each["id"] == reading["id"]), 0)
            if not at:
                return False
            one, two = values[at - 1]["value"], values[at]["value"]
            return bool(abs(two - one) <= 1e-3 * abs(one))

        return live.wait_for(what, fits, 8)


def _near(path: Path) -> str:
    """Write a path as it is typed from here."""
    here = Path.cwd()
    whole = path.absolute()
    return str(whole.relative_to(here)) if whole.is_relative_to(here) else str(whole)


def _is_insulation(status: str) -> Any:
    return lambda reading: (
        reading["instrument"] == "insulation-tester" and reading["status"] == status
    )


def _is_open(before: int, live: LiveTable) -> Any:
    return lambda reading: (
        reading in live.readings[before:]
        and reading["instrument"] == "ohm-meter"
        and reading["status"] == "above-range"
    )


def _is_keyed(first: str, second: str) -> Any:
    def fits(reading: dict[str, Any]) -> bool:
        point = (reading.get("tag") or {}).get("test_point") or {}
        return (
            reading["source"]["kind"] == "keyed"
            and point.get("first") == [first]
            and point.get("second") == [second]
        )

    return fits


def _has_id(id_: str) -> Any:
    return lambda reading: reading["id"] == id_


def _by_pair(readings: list[dict[str, Any]], quantity: str) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    for reading in readings:
        pair = (reading["tag"].get("test_point") or {}).get("pair")
        if reading["quantity"] == quantity and pair and reading["value"] is not None:
            found.setdefault(pair, []).append(reading["value"])
    return found


def _rows(reader: JournalReader, after: int, last: int) -> list[Any]:
    rows = []
    while after < last:
        page = reader.after(after, 500)
        if not page:
            break
        rows += page
        after = page[-1].n
    return rows
