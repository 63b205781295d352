"""How the byte path to an instrument is opened: one section a kind of link."""

import re
from typing import Annotated, Literal

from pydantic import Field, field_validator

from capture.config.section import Host, Section


class _LineSettings(Section):
    """How a serial line is set, wherever its port is."""

    baud: int = Field(9600, ge=50, le=4_000_000)
    """Bits a second."""
    data_bits: Literal[5, 6, 7, 8] = 8
    """Bits of a character."""
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    """Parity bit of a character."""
    stop_bits: float = 1
    """1, 1.5 or 2; where a system knows no 1.5, it sends 2, which every receiver takes."""
    flow: Literal["none", "xon-xoff", "rts-cts", "dsr-dtr"] = "none"
    """How the line is told to wait."""
    dtr: bool | None = None
    """Level to set on opening; opto-isolated cables draw their supply from DTR and RTS."""
    rts: bool | None = None
    """Level to set on opening, as for dtr; what the system does if not given."""
    settle_s: float = Field(0.0, ge=0, le=2)
    """Seconds to wait after setting the lines before a byte is believed."""
    quiet_s: float = Field(0.1, ge=0.01, le=0.25)
    """Silence after which a drained port counts as quiet."""

    @field_validator("stop_bits")
    @classmethod
    def _stop_bits_exist(cls, count: float) -> float:
        if count not in (1, 1.5, 2):
            raise ValueError(f"found {count}, expected 1, 1.5 or 2")
        return count


class SerialSettings(_LineSettings):
    """How a serial port is opened."""

    kind: Literal["serial"] = "serial"
    """Tells this kind of link from the others."""
    port: str = Field(min_length=1)
    """A path (/dev/ttyUSB0, /dev/serial/by-id/…, COM3), or a USB identity that stays the same in
    any socket (usb:VID:PID:SERIAL; usb:VID:PID where the adapter has no serial number)."""


class Rfc2217Settings(_LineSettings):
    """A serial port of another computer or of a converter that speaks RFC 2217."""

    kind: Literal["rfc2217"] = "rfc2217"
    """Tells this kind of link from the others."""
    host: str = Field(min_length=1, max_length=255, pattern=r"^[A-Za-z0-9_.:%-]+$")
    """Name or address of the computer or converter."""
    port: int = Field(2217, ge=1, le=65535)
    """Each converter has its own; no port is reserved for RFC 2217."""
    flow: Literal["none", "xon-xoff", "rts-cts"] = "none"
    """How the line is told to wait."""
    negotiation_s: float = Field(3.0, gt=0, le=30)
    """How long the converter may take to agree to a setting."""
    lines_unanswered: bool = False
    """For converters that do not confirm DTR, RTS and flow control: set them and go on."""
    keepalive_s: int = Field(10, ge=1, le=3600)
    """Idle seconds after which the host asks whether the converter is still there."""


class TcpSettings(Section):
    """Where to connect."""

    kind: Literal["tcp"] = "tcp"
    """Tells this kind of link from the others."""
    host: Host
    """Name or address of the instrument or converter."""
    port: int = Field(5025, ge=1, le=65535)
    """SCPI instruments listen on 5025."""
    connect_timeout_s: float = Field(3.0, gt=0, le=30)
    """Seconds that connecting may take."""
    keepalive_s: int = Field(10, ge=1, le=3600)
    """Idle seconds after which the host asks whether the instrument is still there."""


class UnixSettings(Section):
    """A stream socket of a program on this host that speaks for an instrument."""

    kind: Literal["unix"] = "unix"
    """Tells this kind of link from the others."""
    path: str = Field(min_length=1, max_length=107)
    """Where the socket lies."""
    connect_timeout_s: float = Field(3.0, gt=0, le=30)
    """Seconds that connecting may take."""


#: usb:VID:PID, with the serial number and the interface where they are needed to tell apart.
USB_IDENTITY = (
    r"usb:(?P<vendor>[0-9a-f]{4}):(?P<product>[0-9a-f]{4})"
    r"(?::(?P<serial>.*?))?(?::(?P<interface>[0-9]{1,3}))?"
)


class UsbtmcSettings(Section):
    """A USB test and measurement device."""

    kind: Literal["usbtmc"] = "usbtmc"
    """Tells this kind of link from the others."""
    device: str
    """usb:VID:PID:SERIAL, with :INTERFACE at the end where a device has several; it is found in
    any socket. Or /dev/usbtmcN, to go through Linux' own driver."""
    io_timeout_s: float = Field(1.0, ge=0.1, le=10)
    """How long the device may take to accept a message or to answer a control request."""
    trailing_line_feed: bool = True
    """End every message that is sent with a line feed; some devices wait for one."""
    ren: Literal["yes", "no", "auto"] = "auto"
    """Remote enable. It may lock the front panel, so auto sets it only for a device that has not
    answered anything without it."""
    message_end: Literal["eom", "line-feed"] = "eom"
    """What ends an answer: the EOM bit, or, for devices that set it wrongly, a line feed."""
    request_bytes: int = Field(16384, ge=8, le=1_048_576)
    """Most bytes that are asked for at a time; some devices take no more than 63."""
    wait_for_mav: bool = False
    """Ask for an answer only when the status byte says that there is one; for devices that hang
    when they are asked too early."""
    clear_on_open: bool = True
    """Clear the device's buffers on opening: an answer left from before is nobody's."""

    @field_validator("device")
    @classmethod
    def _names_a_device(cls, device: str) -> str:
        if device.startswith("/") or re.fullmatch(USB_IDENTITY, device, re.IGNORECASE):
            return device
        raise ValueError(
            f"found {device!r}, expected usb:VID:PID:SERIAL (four hexadecimal digits each for VID "
            "and PID) or a path like /dev/usbtmc0"
        )


LinkSettings = Annotated[
    SerialSettings | Rfc2217Settings | TcpSettings | UnixSettings | UsbtmcSettings,
    Field(discriminator="kind"),
]
