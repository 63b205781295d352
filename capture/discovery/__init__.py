"""What is plugged in, how to name it so that it is found again, and what it may be.

Looking (`listing`, `watch`) opens nothing and sends nothing. Asking (`probe`) does both, and only
when a person said so.
"""

from capture.discovery.candidates import Candidate
from capture.discovery.device import Device, Name, is_meant, write_as
from capture.discovery.listing import Listing, configured_paths, serial_devices, usb_devices
from capture.discovery.probe import Finding, Prober, link_table
from capture.discovery.proposal import Proposal, proposals
from capture.discovery.report import PortReport, report
from capture.discovery.watch import Change, Watcher

__all__ = [
    "Candidate",
    "Change",
    "Device",
    "Finding",
    "Listing",
    "Name",
    "PortReport",
    "Prober",
    "Proposal",
    "Watcher",
    "configured_paths",
    "is_meant",
    "link_table",
    "proposals",
    "report",
    "serial_devices",
    "usb_devices",
    "write_as",
]
