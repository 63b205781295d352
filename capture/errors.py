"""Every failure that the core reports, as one tree.

CaptureError
├── ConfigError        a configuration file or value that cannot be used; one line per fault
├── InputError         something a person typed or handed in; says the accepted forms
│   └── NotThereError  the machine, job, step, reading or photo that was named is not there
├── PluginError        a driver package that cannot be loaded; names package and distribution
├── LinkError          (also OSError) a byte path that cannot be opened or was lost
│   ├── LinkOpenError  absent, busy or forbidden port; refused connection
│   ├── LinkLost       the device or the peer went away while in use
│   └── LinkTimeout    a write that the device would not take
├── DriverError        a driver broke its contract: a bug in the driver, never in the instrument
├── PolicyError        a driver wanted to send a message that nobody enabled for that instrument
├── JournalError       the journal cannot be opened, read or written
│   ├── JournalFull    no room left on the disk; the batch was rolled back whole
│   └── JournalDamaged SQLite finds the file malformed, or no database at all
├── NotAllowedError    whoever acts has not the role that the site asks for
├── AccessError        the file of operators and sessions cannot be opened, read or written
├── PublishError       the broker cannot be reached or refused us
└── HistorianError     the historian's database cannot be reached, or is not as it must be

A message says what, where and what to do, on one line, because it is shown to a person as it is.
Foreign exceptions are translated at the edge that meets them, with ``from``.
"""


class CaptureError(Exception):
    """Base of all errors the core raises on purpose; its text is one line for a person."""


class ConfigError(CaptureError):
    """A configuration that cannot be used. ``faults`` holds one line per fault found."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("; ".join(faults))
        self.faults = faults


class InputError(CaptureError):
    """What a person handed in cannot be taken; says why and which forms are accepted."""


class NotThereError(InputError):
    """What was named is not there; says how to find what is."""


class NotAllowedError(CaptureError):
    """Whoever acts has not the role that the site asks for; says which roles have it."""


class PluginError(CaptureError):
    """A driver package that cannot be loaded or breaks the rules of registration."""


class LinkError(CaptureError, OSError):
    """A byte path failed. Raised by links only, whatever the layer below raised."""


class LinkOpenError(LinkError):
    """The path could not be opened: absent, busy, forbidden or refused."""


class LineRefused(LinkOpenError):
    """A serial port is there and does not take the settings of its line."""


class LinkLost(LinkError):
    """The path was open and is gone: cable pulled, peer closed, device reset."""


class LinkTimeout(LinkError):
    """The device did not take what was written in time."""


class DriverError(CaptureError):
    """A driver raised or returned what its contract forbids. A bug in that driver."""


class PolicyError(CaptureError):
    """A message that is not on the instrument's list of allowed messages was held back."""


class JournalError(CaptureError):
    """The journal cannot be opened, read or written."""


class JournalFull(JournalError):
    """The disk has no room left. Nothing of the batch was stored."""


class JournalDamaged(JournalError):
    """SQLite finds the journal's file malformed, or no database at all."""

    @property
    def found(self) -> str:
        """What SQLite itself said."""
        return " ".join(str(self.__cause__ or self).split()) or "malformed"


class AccessError(CaptureError):
    """The file of operators and sessions cannot be opened, read or written."""


class PublishError(CaptureError):
    """The broker cannot be reached, or refused us."""


class HistorianError(CaptureError):
    """The historian's database cannot be reached, or is not as it must be."""
