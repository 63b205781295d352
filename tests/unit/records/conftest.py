"""A bench with a job that is done: sixty readings, one superseded, keyed ones with a photo."""

import io
from math import cos, radians

import pytest
from PIL import Image, ImageDraw

from capture.clock import ManualClock
from capture.config import Config
from capture.jobs.keyed import KeyedValues, TypedValue
from capture.jobs.procedure import parse_procedure
from capture.jobs.service import Who
from capture.jobs.setup import make_desk
from capture.journal import JournalReader, Store
from capture.keying import Keying
from capture.model import ReadingDraft, Streamed, new_id
from capture.model.job import Discharged, Finished, JobConditions, Redone, SignedOff
from capture.model.machine import Nameplate
from capture.photo.store import EvidenceStore
from capture.records.keeper import RecordKeeper

PAIRS = ("U-V", "V-W", "W-U")
UNITS = {"resistance": "Ohm", "inductance": "H", "insulation_resistance": "Ohm"}
EQUIPMENT = {
    "ohm-1": {
        "description": "micro-ohmmeter, four-wire",
        "serial": "A 1043",
        "calibrated": "2026-03-02",
        "calibration_due": "2027-03-02",
        "certificate": "K-2026-118",
    },
    "lcr-1": {"description": "LCR meter", "serial": "L 77", "calibration_due": "2025-12-01"},
    "ins-1": {"description": "insulation tester", "serial": "INS-205"},
}


def procedure(angles, *, new_winding=False):
    """A procedure of resistance, inductance at so many rotor angles, insulation and pulses."""
    steps = [
        f"""[[steps]]
id = "resistance-{pair.lower()}"
title = "Resistance {pair}"
points = ["{pair}"]
quantity = "resistance"
take = {{ how = "settled" }}
"""
        for pair in PAIRS
    ]
    steps += [
        f"""[[steps]]
id = "inductance-{pair.lower()}-{angle}"
title = "Inductance {pair} at {angle}°"
points = ["{pair}"]
quantity = "inductance"
take = {{ how = "settled" }}
"""
        for angle in angles
        for pair in PAIRS
    ]
    head = "new_winding = true" if new_winding else ""
    return (
        """schema_version = 1
name = "fan-full"
title = "Extraction fan, after rewind"
NEW_WINDING
cautions = ["Isolate the machine, lock it off and tag it; prove it dead at the terminals."]
""".replace("NEW_WINDING", head)
        + "\n".join(steps)
        + """
[[steps]]
id = "insulation"
title = "Insulation of the whole winding to the frame"
cautions = ["The tester puts its voltage on the winding. Keep everybody away from all its ends."]
points = ["U+V+W-frame"]
quantity = "insulation_resistance"
energy = "test-voltage"
take = { how = "timed", at_s = [15, 30, 60, 600], within_s = 2 }
[[steps]]
id = "pulse"
title = "Pulse times, leads both ways"
points = ["U-V", "V-U", "V-W", "W-V", "W-U", "U-W"]
quantity = "pulse_time"
energy = "pulse"
take = { how = "keyed" }
conditions = { law = "period" }
"""
    )


class RecordBench:
    """A bench, its journal, and what people do on it."""

    def __init__(self, folder, **config):
        self.clock = ManualClock()
        self.config = Config(
            site="sawmill",
            bench="bench-1",
            journal={"path": "b.journal"},
            equipment=EQUIPMENT,
            limits={
                "resistance-unbalance-random": {"adopted": True, "source": "rule of the fan shop"}
            },
            **config,
        )
        self.config._folder = folder
        self.store = Store(self.config.journal_path)
        self.reader = JournalReader(self.config.journal_path)
        self.append = lambda batch, expecting=None: self.store.append(batch, expecting=expecting)
        self.evidence = EvidenceStore(self.config.evidence_path)
        self.photo = ""
        self.reopen_desk()

    def reopen_desk(self):
        """Take the configuration anew."""
        self.desk = make_desk(self.config, self.reader, self.append, self.clock)
        self.keeper = RecordKeeper(self.desk, self.append, self.config, self.clock)

    def close(self):
        self.reader.close()
        self.store.close()

    @property
    def path(self):
        return self.config.journal_path

    @staticmethod
    def who(name="technician"):
        return Who(name, new_id())

    def act(self, event):
        return self.desk.act(self.job, event, self.who(), self.state.last)

    @property
    def state(self):
        return self.desk.service.state(self.job)

    def store_reading(self, quantity, number, instrument, **members):
        self.clock.advance(1.0)
        digits = f"{number:.6g}"
        draft = ReadingDraft(
            **{
                "id": new_id(),
                "site": "sawmill",
                "bench": "bench-1",
                "instrument": instrument,
                "time": self.clock.utc(),
                "quantity": quantity,
                "unit": UNITS[quantity],
                "value": float(digits),
                "digits": digits,
                "shown_unit": UNITS[quantity],
                "status": "ok",
                "uncertainty": {"standard": number * 5e-4, "shared": 4e-4, "basis": "profile"},
                "source": Streamed(driver="simulated", driver_version="1", link="memory"),
                **members,
            }
        )
        self.append([draft])
        return draft.id

    def take(self, step, readings, **conditions):
        return self.desk.take(
            self.job,
            step,
            readings,
            self.who(),
            self.state.last,
            conditions=JobConditions(**conditions),
        )

    def do_job(
        self,
        *,
        angles=range(0, 180, 20),
        pulses=None,
        discharge=True,
        celsius=22.0,
        ohms=1.0,
        insulation=1.0,
        new_winding=False,
        machine="FAN-07",
    ):
        """Do a whole job up to its end; not signed off yet.

        ohms, insulation: by what the usual values are multiplied; no insulation is one above the
        tester's range. celsius: of the winding.
        """
        self._ohms, self._insulation_by = ohms, insulation
        plate = Nameplate(
            rated_volts=400,
            rated_watts=15000,
            rated_hertz=50,
            connection="star",
            winding="random",
            year=2004,
            thermal_class=155,
            zero_resistance_celsius=235,
            serial="B 4711",
            description="extraction fan of the planing hall",
        )
        self.desk.service.register(machine, plate, self.who("foreman"))
        self.job = new_id()
        self.desk.service.start(
            self.job,
            machine,
            parse_procedure(procedure(angles, new_winding=new_winding), "fan-full"),
            self.who(),
            JobConditions(
                state="as-left", rotor="in", winding_celsius=celsius, relative_humidity=48
            ),
        )
        self._resistances()
        for angle in angles:
            for place, pair in enumerate(PAIRS):
                self._inductance(pair, angle, place)
        self._insulation()
        if discharge:
            self.discharge()
            self._pulses(pulses)
        self.act(Finished())

    def sign_off(self, statement="as left; fit for use after the site's own checks"):
        self.act(SignedOff(statement=statement))

    def _resistances(self):
        first = self.store_reading("resistance", 0.991, "ohm-1")
        self.take("resistance-u-v", [first])
        self.act(Redone(step="resistance-u-v", reason="lead slipped"))
        for pair, ohms in zip(PAIRS, (0.8312, 0.8325, 0.8307), strict=True):
            step = f"resistance-{pair.lower()}"
            self.take(step, [self.store_reading("resistance", self._ohms * ohms, "ohm-1")])

    def _inductance(self, pair, angle, place):
        henries = 0.0623 * (1 + 0.06 * cos(2 * radians(angle) - radians(120) * place))
        group = new_id()
        common = {
            "group": group,
            "session": self.job,
            "conditions": {"frequency": {"value": 1000, "unit": "Hz"}},
        }
        ids = [
            self.store_reading("inductance", henries, "lcr-1", **common),
            self.store_reading("resistance", 0.83, "lcr-1", **common),
        ]
        self.take(f"inductance-{pair.lower()}-{angle}", ids, rotor_degrees=float(angle))

    def _insulation(self):
        series = new_id()
        over = {"value": None, "digits": "> 5.5", "shown_unit": "GOhm", "status": "above-range",
                "uncertainty": None, "bound": {"side": "above", "value": 5.5e9}}  # fmt: skip
        ids = [
            self.store_reading(
                "insulation_resistance",
                (self._insulation_by or 1.0) * ohms,
                "ins-1",
                series={"id": series, "elapsed": at},
                conditions={"test_voltage": {"value": 500, "unit": "V"}},
                **({} if self._insulation_by else over),
            )
            for at, ohms in ((15, 2.1e9), (30, 2.9e9), (60, 3.8e9), (600, 9.2e9))
        ]
        self.take("insulation", ids)

    def discharge(self):
        self.clock.advance(4 * 600 + 5)
        self.act(Discharged(step="insulation"))

    def _pulses(self, pulses):
        evidence = self.evidence.add(display("112.6 us"))
        self.photo = evidence.sha256
        keying = Keying(
            site="sawmill",
            bench="bench-1",
            instrument="pulse-tester",
            quantity="",
            operator="technician",
            time=self.clock.utc(),
            second_operator="foreman",
            evidence=(evidence,),
        )
        six = pulses or ("112.6 µs", "112.4 µs", "121.7 µs", "121.9 µs", "112.9 µs", "112.8 µs")
        values = [TypedValue(id=new_id(), typed=text, again=text) for text in six]
        keyed = KeyedValues(keying=keying, values=values, confirmed=True)
        self.desk.key(self.job, "pulse", keyed, self.who(), self.state.last)


def display(text):
    """A photo of a display."""
    image = Image.new("RGB", (640, 360), "#20302c")
    ImageDraw.Draw(image).text((120, 120), text, fill="#b8f2c8", font_size=90)
    out = io.BytesIO()
    image.save(out, "JPEG")
    return out.getvalue()


@pytest.fixture
def bench(tmp_path):
    """A bench with a journal of its own."""
    made = RecordBench(tmp_path)
    yield made
    made.close()


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """A bench with a whole job, signed off, and its record; tests of a module share it."""
    made = RecordBench(tmp_path_factory.mktemp("bench"))
    made.do_job(angles=range(0, 180, 30))
    made.sign_off()
    made.record = made.keeper.make(made.job, "foreman")
    yield made
    made.close()


@pytest.fixture(scope="module")
def years(tmp_path_factory):
    """A machine's jobs over six years, at the temperatures of their days; tests share them.

    The first is before the winding was renewed. Then resistance stays, insulation halves a year.
    """
    made = RecordBench(tmp_path_factory.mktemp("years"))
    made.jobs = []
    for year, celsius in enumerate((20.0, 24.0, 17.0, 31.0, 22.0, 26.5)):
        warm = (235 + celsius) / (235 + 22.0)
        old = 1.3 if year == 0 else 1.0
        made.do_job(
            angles=(),
            celsius=celsius,
            ohms=old * warm,
            insulation=0.5**year,
            new_winding=year == 1,
        )
        made.sign_off()
        made.jobs.append(made.job)
        made.clock.advance(365.25 * 86400)
    yield made
    made.close()
