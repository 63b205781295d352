"""The edge node: which metrics it has, and the bytes of every message it sends. No network.

Source of all rules: Eclipse Sparkplug 3.0, chapters 4 to 6; the tests name each by its id.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from capture import __version__
from capture.publish.sparkplug.sample import GOOD, STALE, Sample
from capture.publish.sparkplug.schema import BOOLEAN, DOUBLE, INT32, INT64, STRING, Payload

NAMESPACE = "spBv1.0"
REBIRTH = "Node Control/Rebirth"
_BDSEQ = "bdSeq"
_SOFTWARE = "Properties/Software"
_SEQUENCE_NUMBERS = 256
_MOST_METRICS = 50
"""Metrics in one message; what does not fit goes into the next one."""


class EdgeNode:
    """One edge node with its devices, over all its connections."""

    def __init__(self, group: str, node: str) -> None:
        self._prefix, self._suffix = f"{NAMESPACE}/{group}/", f"/{node}"
        self._seq = 0
        self._newest: dict[str, dict[str, Sample]] = {}
        self._aliases: dict[tuple[str, str], int] = {}
        self.born: dict[str, frozenset[str]] = {}
        """Devices that are born on this connection, each with the metrics that its birth named."""

    # ── topics ───────────────────────────────────────────────────────────────────────────────

    def topic(self, kind: str, device: str = "") -> str:
        """Give the topic of a kind of message, such as NBIRTH or DDATA."""
        return f"{self._prefix}{kind}{self._suffix}" + (f"/{device}" if device else "")

    # ── what is known ────────────────────────────────────────────────────────────────────────

    def learn(self, samples: Iterable[Sample]) -> None:
        """Take note of values; the newest of each metric is what a birth tells."""
        for sample in samples:
            metrics = self._newest.setdefault(sample.device, {})
            known = metrics.get(sample.name)
            if known is None or known.time <= sample.time:
                metrics[sample.name] = sample
            self._aliases.setdefault((sample.device, sample.name), len(self._aliases) + 1)

    @property
    def devices(self) -> tuple[str, ...]:
        """All devices of which a value is known."""
        return tuple(self._newest)

    def is_kept_by_hand(self, device: str) -> bool:
        """Tell whether people enter values of the device, so that no instrument has to run."""
        return any(sample.by_hand for sample in self._newest.get(device, {}).values())

    def is_born(self, sample: Sample) -> bool:
        """Tell whether the birth in force names this metric."""
        return sample.name in self.born.get(sample.device, ())

    # ── messages ─────────────────────────────────────────────────────────────────────────────

    def nbirth(self, bdseq: int, now: int) -> bytes:
        """Write the node's birth; whatever was born before has to be born anew."""
        self._seq, self.born = 0, {}
        payload = self._payload(now)
        self._metric(payload, _BDSEQ, now, INT64).long_value = bdseq
        self._metric(payload, REBIRTH, now, BOOLEAN).boolean_value = False
        self._metric(payload, _SOFTWARE, now, STRING).string_value = f"benchtally {__version__}"
        return bytes(payload.SerializeToString())

    @staticmethod
    def ndeath(bdseq: int) -> bytes:
        """Write the node's death: the will, and the last word. It has no sequence number."""
        payload = Payload()
        metric = payload.metrics.add(name=_BDSEQ, datatype=INT64)
        metric.long_value = bdseq
        return bytes(payload.SerializeToString())

    def dbirth(self, device: str, now: int, *, alive: bool = True) -> bytes:
        """Write a device's birth with all its metrics and their newest values.

        One that is not ``alive`` is born for its history only: its values are stale.
        """
        payload = self._payload(now)
        in_time = sorted(self._newest[device].items(), key=lambda item: item[1].time)
        for name, sample in in_time:
            metric = self._metric(payload, name, sample.time, DOUBLE)
            metric.alias = self._aliases[device, name]
            _set_value(metric, sample)
            stale = sample.quality == GOOD and not alive
            _set_properties(metric, sample, STALE if stale else sample.quality, birth=True)
        self.born[device] = frozenset(self._newest[device])
        return bytes(payload.SerializeToString())

    def ddata(self, samples: Sequence[Sample], now: int, *, historical: bool) -> bytes:
        """Write values of one device, in order; its birth must have named their metrics."""
        payload = self._payload(now)
        for sample in samples:
            metric = payload.metrics.add(
                alias=self._aliases[sample.device, sample.name], timestamp=sample.time
            )
            if historical:
                metric.is_historical = True
            _set_value(metric, sample)
            _set_properties(metric, sample, sample.quality, birth=False)
        return bytes(payload.SerializeToString())

    def take_back(self) -> None:
        """Forget the last message: it was not sent, and its number goes to the next one."""
        self._seq = (self._seq - 1) % _SEQUENCE_NUMBERS

    def ddeath(self, device: str, now: int) -> bytes:
        """Write a device's death."""
        self.born.pop(device, None)
        return bytes(self._payload(now).SerializeToString())

    # ── parts ────────────────────────────────────────────────────────────────────────────────

    def _payload(self, now: int) -> Any:
        payload = Payload(timestamp=now, seq=self._seq)
        self._seq = (self._seq + 1) % _SEQUENCE_NUMBERS
        return payload

    @staticmethod
    def _metric(payload: Any, name: str, time: int, datatype: int) -> Any:
        return payload.metrics.add(name=name, timestamp=time, datatype=datatype)


def in_messages(samples: Iterable[Sample]) -> Iterator[list[Sample]]:
    """Cut values into messages: one device each, in order, no two of one metric at one time.

    Where the clock was set back, the next message begins: within one, time does not run backwards.
    """
    open_ones: dict[str, list[Sample]] = {}
    for sample in samples:
        message = open_ones.setdefault(sample.device, [])
        same = any(each.name == sample.name and each.time == sample.time for each in message)
        back = bool(message) and sample.time < message[-1].time
        if same or back or len(message) == _MOST_METRICS:
            yield message
            message = open_ones[sample.device] = []
        message.append(sample)
    yield from open_ones.values()


def asks_for_rebirth(data: bytes) -> bool:
    """Tell whether a command to the node asks for its births again.

    Raises:
        ValueError: it is no payload.
    """
    try:
        payload = Payload.FromString(data)
    except Exception as error:
        raise ValueError(f"no Sparkplug payload: {error}") from error
    return any(metric.name == REBIRTH and metric.boolean_value for metric in payload.metrics)


def _set_value(metric: Any, sample: Sample) -> None:
    if sample.value is None:
        metric.is_null = True
    else:
        metric.double_value = sample.value


def _set_properties(metric: Any, sample: Sample, quality: int, *, birth: bool) -> None:
    """Add the quality where it is not good or a birth tells all, the unit in births, and the rest.

    ``engUnit`` is a common name for the unit; the standard fixes none.
    """
    properties = metric.properties

    def add(key: str, kind: int) -> Any:
        properties.keys.append(key)
        return properties.values.add(type=kind)

    if birth or quality != GOOD:
        add("Quality", INT32).int_value = quality
    if birth:
        add("engUnit", STRING).string_value = sample.unit
    if sample.status != "ok":
        add("status", STRING).string_value = sample.status
    if sample.bound is not None:
        add("bound", DOUBLE).double_value = sample.bound
    add("reading", STRING).string_value = sample.reading
