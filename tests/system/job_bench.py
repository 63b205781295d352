"""A whole bench for jobs: four instruments, a daemon, and a person with a tablet."""

from rig import Rig
from tablet import Tablet

PAIRS = ("U-V", "V-W", "W-U")
SIX = ("112.6 µs", "112.4 µs", "121.7 µs", "121.9 µs", "112.9 µs", "112.8 µs")
PLATE = {
    "rated_volts": 400,
    "rated_watts": 15000,
    "connection": "star",
    "winding": "random",
    "year": 2004,
    "thermal_class": 155,
}
_WEB = "[web]\nport = 0\n[jobs]\nlongest_time_constant_s = 0.5\n"


class Bench:
    """Four instruments, a daemon, and a person with a tablet."""

    def __init__(self, rig, broker):
        self.rig = rig
        self.broker = broker
        self.ohm = rig.simulate(
            "scpi-resistance", "--tcp", 0, "-o", "rate=20", "-o", "source_ohms=50"
        )
        self.lcr = rig.simulate("scpi-lcr", "--tcp", 0, "-o", "rate=20")
        self.insulation = rig.simulate(
            "insulation-tester", "--tcp", 0, "-o", "speed=30", "-o", "rate=1", "-o", "duration=75"
        )
        self.daemon = None
        self.tablet = None

    def start(self):
        self.rig.configure(
            self.broker.port,
            self._scpi("ohm-meter", "scpi-meter", self.ohm, quantity="resistance"),
            self._scpi("lcr-bridge", "scpi-lcr", self.lcr),
            self.rig.instrument(
                "insulation-tester",
                "ascii-meter",
                {"kind": "tcp", **_place(self.insulation)},
                {"profile": "insulation-series"},
            ),
            more=_WEB,
        )
        self.daemon = self.rig.daemon()
        self.tablet = self.another("technician")

    def port(self):
        return int(self.daemon.wait_for("web.started")["url"].rpartition(":")[2])

    def another(self, operator):
        """Give somebody else a tablet on the same job."""
        made = Tablet(self.port(), operator)
        made.job = None if self.tablet is None else self.tablet.job
        return self.rig.own(made)

    def measure(self, instrument, quantity, pair):
        """Touch, let the reading be taken by itself, lift the leads again."""
        step = f"{quantity}-{pair.lower()}"
        self.tablet.wait_watch("the leads are off")
        instrument.hand(f"pair {pair}")
        taken = self.tablet.wait_taken(step)
        instrument.hand("lift")
        return taken

    @staticmethod
    def _scpi(name, driver, simulator, **options):
        options = {"interval_s": 0.05, "measures_every_s": 0.05, **options}
        return Rig.instrument(name, driver, {"kind": "tcp", **_place(simulator)}, options)


def _place(simulator):
    return {"host": "127.0.0.1", "port": int(simulator.ready["tcp"].rpartition(":")[2])}
