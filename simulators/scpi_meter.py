"""A SCPI meter: triggering, FETCh? and READ?, and the data format; subclasses say what it measures.

Theory of operation (SCPI-99 vol. 2 §3 and §12). A measurement takes 1/rate seconds. In free run
(INITiate:CONTinuous ON, the state after switching on, as on the bench) one follows the other and
`FETCh?` gives the latest complete one, so that the same one may be fetched twice. With CONTinuous
OFF (after *RST), `INITiate` starts one acquisition of SAMPle:COUNt measurements and `FETCh?` waits
for it. `READ?` always gives measurements that began after it.

Bit 8 of the OPERation event register (free for the designer's use) is latched by each completed
measurement: a host can see whether what it fetches is new.
"""

import math
import random
import struct
from abc import abstractmethod

from simulators.scpi import ScpiDevice
from simulators.scpi_answers import Answer, Parameters, Pending
from simulators.scpi_errors import ScpiError
from simulators.scpi_syntax import INFINITY, block, boolean, choice, expect, nr3, numeric

MEASURING = 1 << 4
NEW_DATA = 1 << 8
_MOST_SAMPLES = 100

Values = tuple[float | int, ...]
"""One measurement. Floats are answered as NR3, ints (status, bin) as NR1."""


class ScpiMeter(ScpiDevice):
    """A SCPI device with one measuring function.

    rate: measurements a second. digits: significant digits of NR3 answers.
    init_ignored: READ? in free run gives -213, as some instruments do.

    Raises ValueError for a rate that is not above 0.
    """

    def __init__(
        self,
        identity: str,
        *,
        rate: float,
        digits: int,
        seed: int,
        terminator: bytes = b"\n",
        init_ignored: bool = False,
    ) -> None:
        super().__init__(identity, terminator)
        if rate <= 0:
            raise ValueError(f"rate {rate:g}: a meter needs more than 0 measurements a second")
        self._period = 1.0 / rate
        self._seed = seed
        self._init_ignored = init_ignored
        self._default_digits = digits
        self._digits = digits
        self._format = "ASC"
        self._bits = 64
        self._swapped = False
        self._samples = 1
        self._continuous = True
        self._started: float | None = None
        self._counted = 0
        self._latest: list[Values] = []
        self._acquired_at: float | None = None
        self._add_headers()

    @abstractmethod
    def measure(self, started: float, finished: float, noise: random.Random) -> Values:
        """Return one measurement that took from `started` to `finished`, seconds; in base units."""

    # Instrument -----------------------------------------------------------------------------

    def received(self, data: bytes, now: float) -> bytes:
        """Take bytes; return what is answered at once."""
        self._advance(now)
        return super().received(data, now)

    def spoken(self, now: float) -> bytes:
        """Return answers that have become ready."""
        self._advance(now)
        return super().spoken(now)

    def command(self, line: str, now: float) -> str:
        """Do a hand command, after the measurements that were complete before it."""
        self._advance(now)
        return super().command(line, now)

    def reset(self, now: float) -> None:
        """Put the settings back; *RST ends the free run (SCPI-99 vol. 2 §12)."""
        super().reset(now)
        self._format, self._bits, self._swapped = "ASC", 64, False
        self._digits = self._default_digits
        self._samples = 1
        self._continuous = False
        self.restart(now)

    def powered_on(self, now: float) -> None:
        """Run freely, as on the bench."""
        super().powered_on(now)
        self._continuous = True
        self.restart(now)

    def clear_bus(self) -> None:
        """Forget input and output; the free run goes on."""
        super().clear_bus()
        if not self._continuous:
            self._acquired_at = None

    def busy_until(self, now: float) -> float:
        """Return when the acquisition that INITiate began is complete.

        In free run there is never an end, and *OPC? answers at once.
        """
        return now if self._acquired_at is None else max(now, self._acquired_at)

    def restart(self, now: float) -> None:
        """Drop the data, and begin anew when in free run."""
        self._latest = []
        self._acquired_at = None
        self._started = now

    # Measuring ------------------------------------------------------------------------------

    def _advance(self, now: float) -> None:
        """Complete the measurements that are due by now; only the latest is worked out."""
        if self._started is None:
            self._started = now
        if self._acquired_at is not None and now >= self._acquired_at:
            first = self._acquired_at - self._samples * self._period
            self._take(first, self._samples)
            # A free run goes on from here, so that READ? is never overtaken by an older one.
            self._started, self._acquired_at = self._acquired_at, None
        elif self._continuous and self._acquired_at is None:
            # The margin keeps a wake-up at exactly the end of a measurement from missing it.
            complete = math.floor((now - self._started) / self._period + 1e-6)
            if complete > 0:
                self._counted += complete - 1
                self._take(self._started + (complete - 1) * self._period, 1)
                self._started += complete * self._period
        measuring = self._continuous or self._acquired_at is not None
        self.operation.set_condition(MEASURING if measuring else 0)

    def _take(self, first: float, count: int) -> None:
        self._latest = []
        for index in range(count):
            started = first + index * self._period
            # Seeded by the measurement's number: the same however often somebody looks.
            noise = random.Random(f"{self._seed}:{self._counted}")  # noqa: S311 - noise, no secret
            self._counted += 1
            self._latest.append(self.measure(started, started + self._period, noise))
        self.operation.latch(NEW_DATA)

    def _initiate(self, now: float) -> None:
        self._latest = []
        self._acquired_at = now + self._samples * self._period

    # Headers --------------------------------------------------------------------------------

    def _add_headers(self) -> None:
        self.add("FETCh?", self._fetch)
        self.add("READ?", self._read)
        self.add("INITiate[:IMMediate]", self._initiate_command)
        self.add("INITiate:CONTinuous", self._set_continuous)
        self.add("INITiate:CONTinuous?", self._plain_query(lambda: str(int(self._continuous))))
        self.add("ABORt", self._abort)
        self.add("*TRG", self._trigger)
        self.add("SAMPle:COUNt", self._set_samples)
        self.add("SAMPle:COUNt?", self._plain_query(lambda: str(self._samples)))
        self.add("FORMat[:DATA]", self._set_format)
        self.add("FORMat[:DATA]?", self._plain_query(self._format_text))
        self.add("FORMat:BORDer", self._set_border)
        self.add("FORMat:BORDer?", self._plain_query(lambda: "SWAP" if self._swapped else "NORM"))
        self.hand.add("display", "display", lambda _rest, _now: self.display())

    def display(self) -> str:
        """Return what the instrument's display shows."""
        return ",".join(self._texts(self._latest)) if self._latest else "---"

    def _fetch(self, parameters: Parameters, now: float) -> Answer:
        expect(parameters, 0)
        if self._acquired_at is not None and now < self._acquired_at:
            return Pending(self._acquired_at, lambda later: self._fetch([], later))
        self._advance(now)
        if not self._latest:
            raise ScpiError(-230)
        return self._written(self._latest)

    def _read(self, parameters: Parameters, now: float) -> Answer:
        expect(parameters, 0)
        if self._continuous and self._init_ignored:
            raise ScpiError(-213)
        self._initiate(now)
        return self._fetch([], now)

    def _initiate_command(self, parameters: Parameters, now: float) -> None:
        expect(parameters, 0)
        if self._continuous or self._acquired_at is not None:
            raise ScpiError(-213)
        self._initiate(now)

    def _set_continuous(self, parameters: Parameters, now: float) -> None:
        expect(parameters, 1)
        self._continuous = boolean(parameters[0])
        self._acquired_at = None
        self._started = now

    def _abort(self, parameters: Parameters, now: float) -> None:
        expect(parameters, 0)
        if self._acquired_at is not None:
            self._latest = []
        self._acquired_at = None
        self._started = now

    def _trigger(self, parameters: Parameters, _now: float) -> None:
        expect(parameters, 0)
        # The trigger source is IMMediate: nothing waits for *TRG (-211).
        raise ScpiError(-211)

    def _set_samples(self, parameters: Parameters, now: float) -> None:
        expect(parameters, 1)
        self._samples = round(numeric(parameters[0], least=1, most=_MOST_SAMPLES, default=1))
        self.restart(now)

    def _set_format(self, parameters: Parameters, _now: float) -> None:
        expect(parameters, 1, 2)
        kind = choice(parameters[0], ("ASCii", "REAL"))
        if kind == "ASC":
            # 0 digits means that the instrument chooses (SCPI-99 vol. 2 §9.1).
            text = parameters[1] if len(parameters) > 1 else "0"
            digits = round(numeric(text, least=0, most=15, default=0))
            self._digits = digits or self._default_digits
        else:
            bits = parameters[1] if len(parameters) > 1 else "64"
            if bits not in {"32", "64"}:
                raise ScpiError(-224, bits[:40])
            self._bits = int(bits)
        self._format = kind

    def _format_text(self) -> str:
        return f"ASC,{self._digits}" if self._format == "ASC" else f"REAL,{self._bits}"

    def _set_border(self, parameters: Parameters, _now: float) -> None:
        expect(parameters, 1)
        self._swapped = choice(parameters[0], ("NORMal", "SWAPped")) == "SWAP"

    def _written(self, measurements: list[Values]) -> str | bytes:
        if self._format == "ASC":
            return ",".join(self._texts(measurements))
        numbers = [float(value) for values in measurements for value in values]
        if self._bits == 32:  # noqa: PLR2004 - the standard's own word for single precision
            numbers = [max(min(number, INFINITY), -INFINITY) for number in numbers]
        code = ("<" if self._swapped else ">") + ("f" if self._bits == 32 else "d") * len(numbers)  # noqa: PLR2004 - as above
        return block(struct.pack(code, *numbers))

    def _texts(self, measurements: list[Values]) -> list[str]:
        return [
            str(value) if isinstance(value, int) else nr3(value, self._digits)
            for values in measurements
            for value in values
        ]
