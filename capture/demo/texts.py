"""What the demonstration writes and says: its configuration, its procedure, its cautions."""

CONFIG = """\
# Written by `benchtally demo`. Two instruments on one bench, and the pages.
site = "{site}"
bench = "{bench}"

[journal]
path = "sawmill.journal"

[broker]
host = "127.0.0.1"
port = {broker_port}
version = "{broker_version}"

# The pages and the HTTP API, for this computer only.
[web]
port = {web_port}

[jobs]
longest_time_constant_s = 0.5   # of this small winding; a large machine needs the default of 30

# A resistance meter that speaks SCPI. It is asked FETCh? only: that starts nothing.
[instruments.ohm-meter]
driver = "scpi-meter"
[instruments.ohm-meter.link]
kind = "serial"
port = "{ohm_port}"
baud = 9600
[instruments.ohm-meter.options]
quantity = "resistance"
interval_s = 0.2
measures_every_s = 0.2          # how long one measurement takes: hands-free capture needs it

# An insulation tester that prints time, volts and ohms while a test runs, and listens to nobody.
[instruments.insulation-tester]
driver = "ascii-meter"
[instruments.insulation-tester.link]
kind = "serial"
port = "{insulation_port}"
[instruments.insulation-tester.options]
profile = "insulation-series"

# What stands in records of the instruments; the pulse tester's display is only read off.
[equipment.ohm-meter]
description = "resistance meter, four-wire (simulated)"
serial = "SIM-1"
calibration_due = 2099-12-31
[equipment.insulation-tester]
description = "insulation tester (simulated)"
serial = "SIM-2"
calibration_due = 2099-12-31
[equipment.pulse-tester]
description = "pulse tester (imagined)"
serial = "SIM-3"
"""
#: The procedure of the demonstration: three built-in ones, one after the other.
PROCEDURE = """\
schema_version = 1
name = "fan-check"
title = "Check of an extraction fan"
include = ["three-pair-resistance", "insulation-one-minute", "pulse-six-readings"]
"""
PLATE = (
    "--rated-volts 400 --rated-watts 15000 --connection star --winding random --year 2004 "
    "--thermal-class 155"
)
#: Pulse times as a display shows them, in its order: three pairs, both directions.
PULSE_BLOCK = """\
U-V  112.6 µs
V-U  112.4 µs
V-W  121.7 µs
W-V  121.9 µs
W-U  112.9 µs
U-W  112.8 µs
"""
BEFORE_TOUCHING = (
    "Before a lead touches the winding: isolate the machine and lock it off, prove it dead at the",
    "terminals, discharge the winding; on a dusty fan clear the dust first and block the impeller.",
)
BEFORE_INSULATION = (
    "Before the insulation test: nobody near the machine, drives and electronics disconnected.",
    "The tester puts its voltage on the winding when a person starts it; Benchtally only reads.",
)
AFTER_INSULATION = (
    "After it: discharge the winding for at least four times as long as the voltage was applied",
    "before anything is touched.",
)
BEFORE_PULSE = (
    "Before the pulse comparison: the same cautions; pulses stay on until the person ends them.",
    "The instrument shows six times and sends none; they are read off and keyed as one block.",
)
NO_CHARGE = "simulated winding: no charge to wait for"
NO_SAFETY_DEVICE = (
    "Local codes and licensed practice decide; this software is not a safety device.",
)
