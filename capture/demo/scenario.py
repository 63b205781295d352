"""The scenario: an extraction fan of a sawmill comes to the bench, and its winding is measured.

Everything is real but the instruments: ports, daemon, journal, broker, commands. Each stage checks
that it happened, and the first that did not ends the demonstration with its reason.
"""

import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any
from uuid import UUID

from rich.rule import Rule

from capture.clock import SystemClock
from capture.config import load_config
from capture.demo.broker import Broker, start_broker
from capture.demo.children import DaemonProcess, DemoError, SimulatedInstrument, command
from capture.demo.kept_port import KeptPort
from capture.demo.live import LiveTable
from capture.demo.texts import (
    AFTER_INSULATION,
    BEFORE_INSULATION,
    BEFORE_PULSE,
    BEFORE_TOUCHING,
    CONFIG,
    NO_CHARGE,
    NO_SAFETY_DEVICE,
    PLATE,
    PROCEDURE,
    PULSE_BLOCK,
)
from capture.display import console as make_console
from capture.display import table
from capture.jobs.desk import Desk
from capture.jobs.service import Who
from capture.jobs.setup import make_desk
from capture.jobs.state import JobState, StepStatus
from capture.journal import Entry, Expectation, JournalReader, Store, Stored
from capture.model import new_id
from capture.model.job import Overridden, RampedDown
from capture.publish import Topics

SITE, BENCH, MACHINE = "sawmill", "bench-1", "fan-07"
_UNDER_VOLTAGE = 70.0  # seconds, of the tester's 75
_PATIENCE = 40.0  # seconds that a stage may take on a slow machine; three when it works
_WIDTH = 120  # without a terminal, wide enough for the live table


class Demo:
    """One run of the scenario."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder.absolute()
        self._console = make_console(_WIDTH)
        self._closing: list[Any] = []
        self._daemon: DaemonProcess | None = None
        self._instruments: list[SimulatedInstrument] = []
        self._web_port = 0

    def run(self, *, once: bool) -> None:
        """Run every stage; then end, or stay until Ctrl-C.

        Raises:
            CaptureError: a stage did not happen; says which and why.
        """
        try:
            live, ohm, insulation = self._start()
            self._begin_job()
            self._measure_resistance(live, ohm)
            self._test_insulation(live, insulation)
            self._key_pulse_times(live)
            self._judge()
            self._sign_off()
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
        pages = KeptPort()
        self._closing.append(pages.close)
        self._web_port = pages.number
        ohm = self._simulate("scpi-resistance", "ohm-meter.port", "rate=10")
        insulation = self._simulate(
            "insulation-tester", "insulation-tester.port", "speed=30", "duration=75"
        )
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

    def _begin_job(self) -> None:
        self._stage("A job: the machine, a procedure of five steps")
        self._say((*BEFORE_TOUCHING, *NO_SAFETY_DEVICE))
        with self._desk() as desk:
            known = {each.machine for each in desk.service.machines()}
        verb = "set" if MACHINE in known else "add"  # an earlier demonstration in this folder
        self._act(f"machine {verb} {MACHINE} {PLATE}")
        procedure = self._folder / "fan-check.toml"
        procedure.write_text(PROCEDURE, "utf-8")
        self._act(f"job start {MACHINE} {procedure} --rotor in --winding-celsius 21")
        reader = JournalReader(self._folder / "sawmill.journal")
        self._job = UUID(reader.newest_by_subject("job")[0].subject)
        reader.close()
        self._pass_what_an_earlier_one_left()

    def _pass_what_an_earlier_one_left(self) -> None:
        """Let this demonstration go on where one before it in the folder owes a discharge."""
        with self._desk() as desk:
            state = desk.service.state(self._job)
            view = desk.view(state)
            steps = view["steps"]
            held = [step["id"] for step in steps if any(k["job"] for k in step["locks"])]
            for step in held:
                event = Overridden(
                    step=step, lock="discharge", reason=NO_CHARGE, up_to=view["up_to"]
                )
                who = Who("technician", new_id())
                state = desk.act(self._job, event, who, state.last)
        if held:
            self._say((f"Passed for every step of this job ({NO_CHARGE}).",))

    def _measure_resistance(self, live: LiveTable, ohm: SimulatedInstrument) -> None:
        self._stage("Winding resistance: taken by itself once it stands still, three pairs")
        live.print_heading()
        for pair in ("U-V", "V-W", "W-U"):
            step = f"resistance-{pair.lower()}"
            before = live.count()
            live.wait_for("open leads", _is_open(before, live), 8)
            ohm.hand(f"pair {pair}")
            self._say((f"  leads on {pair}",))
            self._wait_taken(step)
            self._say((f"  {step} is taken; current ramped down to zero, leads off",))
            ohm.hand("lift")
            self._ramped_down(step)
        live.quiet = True

    def _test_insulation(self, live: LiveTable, insulation: SimulatedInstrument) -> None:
        self._stage("Insulation resistance: taken 15, 30 and 60 s after the voltage was reached")
        self._say(BEFORE_INSULATION)
        self._say(("  (simulated thirty times as fast)",))
        insulation.hand("press")
        live.wait_for("an insulation reading", _is_insulation("ok"), _PATIENCE)
        self._wait_taken("insulation")
        insulation.hand("lift")
        self._say(("  insulation is taken", *AFTER_INSULATION))
        # What the tester went on for is written down once it is silent.
        self._wait(
            "the whole time under voltage",
            lambda: self._state().applications[-1].seconds > _UNDER_VOLTAGE,
        )
        self._act(
            "job override last pulse discharge",
            "--reason",
            NO_CHARGE,
        )

    def _key_pulse_times(self, live: LiveTable) -> None:
        self._stage("Pulse comparison: six times keyed as a block")
        self._say(BEFORE_PULSE)
        self._act(
            "key pulse_time --job last --block --law period --instrument pulse-tester",
            given=PULSE_BLOCK,
        )
        for line in PULSE_BLOCK.splitlines():
            first, second = line.split()[0].split("-")
            live.wait_for(
                f"the keyed time of {first}-{second}", _is_keyed(first, second), _PATIENCE
            )

    def _judge(self) -> None:
        self._stage("What the readings say")
        self._act("job finish last")
        shown = self._command("job show last")
        self._console.print(shown.rstrip(), markup=False)
        if "pulse deviation" not in shown or "resistance unbalance" not in shown:
            raise DemoError("the job was not judged")

    def _sign_off(self) -> None:
        self._stage("The record: signed off, drawn, verified")
        self._act("job sign-off last", "--statement", "a demonstration; nobody tested a machine")
        self._act(f"record last --out {self._folder / 'record.pdf'}")
        self._record = self._folder / "record.pdf"
        self._say((self._command(f"record verify {self._record}").rstrip(),))

    def _prove_delivery(self, live: LiveTable) -> None:
        self._stage("Delivery")
        reader = JournalReader(self._folder / "sawmill.journal")
        last = reader.last_n()
        first = self._first_n
        ids = {str(row.id) for row in _rows(reader, first, last) if row.kind == "reading"}
        reader.close()
        for id_ in ids:
            live.wait_for(f"reading {id_}", _has_id(id_), _PATIENCE)
        self._say((f"{len(ids)} readings in the journal, {len(ids)} at the subscriber.",))

    def _say_where(self) -> None:
        self._stage("Look further")
        command_, config = _near(Path(sys.argv[0])), _near(self._config)
        self._say(
            (
                f"journal   {_near(self._folder / 'sawmill.journal')}",
                f"list it   {command_} readings --config {config}",
                f"as JSON   {command_} readings --json --config {config}",
                f"record    {_near(self._record)}",
                f"traffic   {command_} follow --config {config}",
                f"log       {_near(self._folder / 'daemon.log')}",
                f"pages     http://127.0.0.1:{self._web_port}/jobs/{self._job}",
            )
        )

    def _stay(self, ohm: SimulatedInstrument) -> None:
        address = f"http://127.0.0.1:{self._web_port}/"
        self._say(("", f"The daemon goes on. Open {address} in a browser; Ctrl-C ends it.", ""))
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
            CONFIG.format(
                site=SITE,
                bench=BENCH,
                broker_port=broker.port,
                broker_version=broker.version,
                web_port=self._web_port,
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

    def _command(self, words: str, *more: str, given: str = "") -> str:
        return command(words, self._config, *more, given=given)

    def _act(self, words: str, *more: str, given: str = "") -> None:
        """Show a command, run it as the technician, and show what it says first."""
        typed = " ".join([words, *(f'"{each}"' if " " in each else each for each in more)])
        self._say((f"$ benchtally {typed.replace(str(self._folder), _near(self._folder))}",))
        printed = self._command(words, *more, "--operator", "technician", given=given)
        self._console.print(printed.rstrip(), markup=False)

    @contextmanager
    def _desk(self) -> Iterator[Desk]:
        """Give a desk beside the daemon, as a command has it."""
        path = self._folder / "sawmill.journal"
        with closing(Store(path)) as store, closing(JournalReader(path)) as reader:

            def append(entries: Sequence[Entry], expecting: Expectation | None) -> list[Stored]:
                return store.append(entries, expecting=expecting)

            yield make_desk(load_config(self._config), reader, append, SystemClock())

    def _ramped_down(self, step: str) -> None:
        with self._desk() as desk:
            seen = desk.service.state(self._job).last
            desk.act(self._job, RampedDown(step=step), Who("technician", new_id()), seen)

    def _state(self) -> JobState:
        with self._desk() as desk:
            return desk.service.state(self._job)

    def _wait_taken(self, step: str) -> None:
        self._wait(
            f"the reading of {step}", lambda: self._state().steps[step].status is StepStatus.TAKEN
        )

    def _wait(self, what: str, condition: Callable[[], object]) -> None:
        never = threading.Event()
        end = time.monotonic() + _PATIENCE
        while not condition():
            if time.monotonic() > end:
                raise DemoError(f"{what} did not come within {_PATIENCE:g} s")
            never.wait(0.1)


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


def _rows(reader: JournalReader, after: int, last: int) -> list[Any]:
    rows = []
    while after < last:
        page = reader.after(after, 500)
        if not page:
            break
        rows += page
        after = page[-1].n
    return rows
