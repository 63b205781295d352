"""A job of many equal steps in front of a simulated meter, for measurements of how it moves on."""

PAIRS = ("U-V", "V-W", "W-U")
_STEP = """\
[[steps]]
id = "r-{n}"
title = "Resistance {n}"
points = ["{pair}"]
quantity = "resistance"
"""


def set_up(rig, steps, rate):
    """Start broker, meter and daemon; give the daemon, the meter and the web server's port.

    The procedure is called ``many``.
    """
    text = 'schema_version = 1\nname = "many"\ntitle = "Many resistances"\n'
    text += "".join(_STEP.format(n=n, pair=PAIRS[n % 3]) for n in range(steps))
    (rig.folder / "many.toml").write_text(text, "utf-8")
    broker = rig.mosquitto()
    meter = rig.simulate(
        "scpi-resistance", "--tcp", 0, "-o", f"rate={rate:g}", "-o", "source_ohms=1"
    )
    place = {"host": "127.0.0.1", "port": int(meter.ready["tcp"].rpartition(":")[2])}
    interval = 1 / rate
    options = {"quantity": "resistance", "interval_s": interval, "measures_every_s": interval}
    rig.configure(
        broker.port,
        rig.instrument("ohm-meter", "scpi-meter", {"kind": "tcp", **place}, options),
        more="[web]\nport = 0\n[jobs]\nlongest_time_constant_s = 0.5\n",
    )
    daemon = rig.daemon(environment={"BENCHTALLY_PROCEDURES": str(rig.folder)})
    return daemon, meter, port_of(daemon)


def port_of(daemon):
    return int(daemon.wait_for("web.started")["url"].rpartition(":")[2])


def percentile(values, part):
    """Give the value that so many of them (0 to 1) do not exceed."""
    ranked = sorted(values)
    return ranked[max(0, round(part * len(ranked)) - 1)]
