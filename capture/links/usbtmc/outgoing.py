"""One message on its way out: sent whole, or taken back."""

from capture.links.usbtmc.codec import Tags, message_out
from capture.links.usbtmc.control import Control
from capture.links.usbtmc.pipes import Pipes, Stalled, TimedOut


def send(pipes: Pipes, control: Control, tags: Tags, data: bytes) -> bool:
    """Send ``data`` as one message; False where the device did not take all of it.

    What it took of a message that did not go out whole is aborted, so that the next one is whole.

    Raises:
        LinkLost: the device is gone. PipeFault: it does not react to the abort.
    """
    for attempt in ("first", "last"):
        tag = tags.next()
        transfer = message_out(tag, data)
        try:
            taken = pipes.bulk_out(transfer)
        except TimedOut:
            taken = 0
        except Stalled:
            # The device refused a transfer and waits for this; a second no is final.
            pipes.clear_halt_out()
            if attempt == "first":
                continue
            taken = 0
        if taken < len(transfer):
            control.abort_bulk_out(tag)
            return False
        break
    return True
