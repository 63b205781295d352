"""What pyusb and libusb raise, told apart and said in one line."""

import errno
from enum import Enum, auto

import usb.core

from capture.links.permission import USB_GROUP

#: Everything that pyusb lets through, from a missing libusb to an unplugged device.
FOREIGN: tuple[type[Exception], ...] = (
    usb.core.USBError,
    NotImplementedError,
    ValueError,
    IndexError,
    AttributeError,
    TypeError,
    OSError,
)


class Kind(Enum):
    """What a failed transfer means."""

    TIMEOUT = auto()
    STALL = auto()
    OVERFLOW = auto()
    FORBIDDEN = auto()
    BUSY = auto()
    UNSUPPORTED = auto()
    NO_BACKEND = auto()
    GONE = auto()


# Error numbers differ between systems, so they are compared by name; the codes behind them are
# libusb 1.0's own (enum libusb_error), the same everywhere.
_BY_NAME = {
    "ETIMEDOUT": Kind.TIMEOUT,
    "EPIPE": Kind.STALL,
    "EOVERFLOW": Kind.OVERFLOW,
    "EACCES": Kind.FORBIDDEN,
    "EPERM": Kind.FORBIDDEN,
    "EBUSY": Kind.BUSY,
    "ENOSYS": Kind.UNSUPPORTED,
}
_BY_CODE = {
    -7: Kind.TIMEOUT,
    -9: Kind.STALL,
    -8: Kind.OVERFLOW,
    -3: Kind.FORBIDDEN,
    -6: Kind.BUSY,
    -12: Kind.UNSUPPORTED,
}


def kind_of(error: Exception) -> Kind:
    """Tell what an exception of pyusb means; what is not known counts as a lost device."""
    if isinstance(error, usb.core.NoBackendError):
        return Kind.NO_BACKEND
    if isinstance(error, usb.core.USBTimeoutError):
        return Kind.TIMEOUT
    if isinstance(error, NotImplementedError):
        return Kind.UNSUPPORTED
    name = errno.errorcode.get(getattr(error, "errno", None) or 0, "")
    code = getattr(error, "backend_error_code", None)
    return _BY_NAME.get(name) or _BY_CODE.get(code or 0, Kind.GONE)


def explain(text: str, error: Exception) -> str:
    """Say why the device named ``text`` cannot be used, and what to do."""
    match kind_of(error):
        case Kind.NO_BACKEND:
            return (
                f"{text}: no USB library on this host; install libusb (Debian, Ubuntu: sudo apt "
                "install libusb-1.0-0), or use /dev/usbtmcN"
            )
        case Kind.FORBIDDEN:
            return forbidden(text)
        case Kind.BUSY:
            return (
                f"{text}: in use by another program or by the kernel's driver; end that program, "
                "or use /dev/usbtmcN instead of the USB identity"
            )
        case Kind.TIMEOUT:
            return f"{text}: does not answer; switch it off and on, or unplug it and plug it in"
        case _:
            return f"{text}: cannot be opened ({error}); check the cable and the supply"


def forbidden(text: str) -> str:
    """Say that this user may not open the device, with the udev rule that allows it."""
    _, vendor, product, *_ = text.split(":")
    return (
        f"{text}: no permission; put this line into /etc/udev/rules.d/70-benchtally.rules, then "
        f"unplug and plug in: {udev_rule(int(vendor, 16), int(product, 16))}"
    )


def udev_rule(vendor: int, product: int) -> str:
    """Write the udev rule that lets the person at this computer, and group plugdev, use it."""
    return (
        f'SUBSYSTEM=="usb", ATTR{{idVendor}}=="{vendor:04x}", ATTR{{idProduct}}=="{product:04x}", '
        f'MODE="0660", GROUP="{USB_GROUP}", TAG+="uaccess"'
    )
