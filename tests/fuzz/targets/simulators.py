"""What a client sends to a simulated instrument, and what is typed at its bench.

`benchtally simulate` serves them on a port of this computer, whoever connects: no bytes may break
one, make it keep more and more, or answer without an end, and each hand command is answered in one
line.
"""

import math

from choices import Choices, cut

from simulators import catalogue
from simulators.faults import Damaged
from simulators.instrument import MessageBased

MUTATIONS = 300
_KINDS = tuple(catalogue.KINDS)
_ASKED = (
    b"*IDN?\nFETC?\n",
    b"*CLS;*ESE 255;*SRE 32;:SYST:ERR?;:FETCh?\n",
    b"FUNC:IMP LSRS;:FREQ 1000;:FORM ASC;:FETC?\nAPER MED,4;APER?\n",
    b"INIT;*OPC?\n*TRG\nREAD?\n:STAT:QUES:ENAB 65535;:STAT:OPER?\n",
    b"\x02\x03\x06\x15?\r\n",
)
_HAND = (
    "help", "pair U-V", "lift", "press", "touch", "live 400", "breakdown", "pairs U-V V-W", "pulse",
    "function LSRS", "frequency 1000", "level 0.5", "status 2", "phase U 0.5", "store", "dump",
    "clock 2026-01-05T08:00:00", "erase", "value 12.5", "show OL", "over", "hold", "run", "start",
    "count", "stop", "display", "power-cycle", "fault drop:share=0.5", "fault none", "freeze", "thaw",
)  # fmt: skip
_LONGEST = 200_000  # bytes said at once; at most 2.55 s have passed since the last


def seeds():
    """Give what drivers ask, to each kind of instrument, and each hand command."""
    for kind in range(len(_KINDS)):
        for asked in _ASKED:
            yield bytes((kind, 3, 40)) + asked
        yield bytes((kind, 5, 10)) + b"\n".join(b"\x01" + each.encode() for each in _HAND)


def target(data):
    """Serve one instrument: lines that begin with a byte 1 are the hand's, the others the host's."""
    choices = Choices(data)
    instrument = Damaged(catalogue.make(choices.of(_KINDS), {"seed": "1"}), [], 1)
    seed, step = choices.byte(), choices.byte() / 100
    now = 0.0
    for line in choices.rest().split(b"\n"):
        if line[:1] == b"\x01":
            answer = instrument.command(line[1:].decode("utf-8", "replace"), now)
            assert answer.startswith(("ok: ", "no: ")), answer
            continue
        for piece in cut(line + b"\n", seed):
            now += step
            for said in (instrument.received(piece, now), instrument.spoken(now)):
                assert len(said) <= _LONGEST
            due = instrument.wake_at()
            assert due is None or not math.isnan(due)
    if isinstance(instrument, MessageBased):
        assert 0 <= instrument.status_byte(message_available=False) < 256
        instrument.clear_bus()
