"""The physical winding as a specimen: instruments measure it, the hand changes it.

A winding and its faults are written as texts, `key=value` and `name:key=value,...`; the names are
those of the dataclasses in `winding.py`, faults in small letters with hyphens.
"""

import dataclasses
import itertools
import math
from collections.abc import Callable, Mapping
from typing import Any, Literal, TypeVar, get_args, get_origin, get_type_hints

from simulators import winding as model
from simulators import winding_faults as wrong
from simulators.hand import Hand, RefusedError, number
from simulators.pulse import PulseInstrument
from simulators.settings import SettingsError, pairs
from simulators.specimen import Pair, PulseLaw, UnknownTerminalError, three
from simulators.winding import Winding

T = TypeVar("T")

_TERMINALS = {
    "star": ("U", "V", "W", "N"),
    "delta": ("U", "V", "W"),
    "open": ("U1", "U2", "V1", "V2", "W1", "W2"),
}
_PHASE_FIELDS = frozenset({"phase", "first", "second"})
_ABSOLUTE_ZERO = -273.15


class PhysicalSpecimen:
    """A winding behind the methods that instruments ask for.

    pulse: the pulse tester's circuit; its law is the one that is asked for.
    """

    def __init__(self, winding: Winding, pulse: PulseInstrument | None = None) -> None:
        self.winding = winding
        self._pulse = pulse if pulse is not None else PulseInstrument()
        # The winding is frozen, so one answer holds until it is exchanged for another.
        self._known: dict[tuple[object, ...], Any] = {}

    def terminals(self) -> tuple[str, ...]:
        """Return the names that the connection brings out."""
        return _TERMINALS[self.winding.connection]

    def pair_resistance(self, pair: Pair) -> float:
        """Return the direct-current resistance in Ohm."""
        name = self._name(pair)
        ohms: float = self._once(("resistance", name), lambda: self.winding.resistance(name))
        return ohms

    def pair_impedance(self, pair: Pair, hertz: float) -> complex:
        """Return the impedance in Ohm."""
        name = self._name(pair)
        found: complex = self._once(
            ("impedance", name, hertz), lambda: self.winding.impedance(name, hertz)
        )
        return found

    def insulation_ohms(self, seconds: float) -> float:
        """Return the resistance of all phases together to the frame in Ohm."""
        return self.winding.insulation_ohms(max(seconds, 0.1))

    def pulse_time(self, first: Pair, second: Pair, law: PulseLaw) -> tuple[float, float]:
        """Return what the pulse tester shows for each pair, in s."""
        tester = dataclasses.replace(self._pulse, law=law)

        def seconds(pair: Pair) -> float:
            name = self._name(pair)
            shown: float = self._once(
                ("pulse", name, law), lambda: tester.seconds(self.winding, name)
            )
            return shown

        return seconds(first), seconds(second)

    def change(self, winding: Winding) -> None:
        """Exchange the winding; raise ValueError when it cannot be computed."""
        _try_out(winding)
        self.winding = winding
        self._known.clear()

    def attach(self, hand: Hand) -> None:
        """Add the hand commands that change the winding."""
        hand.add("winding-fault", "winding-fault none | NAME[:key=value,...]", self._break)
        hand.add("temperature", "temperature CELSIUS", self._warm)
        hand.add("rotor", "rotor out | ELECTRICAL-DEGREES", self._turn)

    def _name(self, pair: Pair) -> str:
        for terminal in pair:
            if terminal not in self.terminals():
                raise UnknownTerminalError(
                    f"no terminal {terminal!r} here; there are {', '.join(self.terminals())}"
                )
        return "-".join(pair)

    def _once(self, key: tuple[object, ...], work: Callable[[], Any]) -> Any:
        if key not in self._known:
            self._known[key] = work()
        return self._known[key]

    def _break(self, rest: str, _now: float) -> str:
        if rest == "none":
            self.change(dataclasses.replace(self.winding, faults=()))
            return "the winding is sound"
        try:
            faults = (*self.winding.faults, read_fault(rest))
            self.change(dataclasses.replace(self.winding, faults=faults))
        except ValueError as error:
            raise RefusedError(str(error)) from None
        return f"{len(faults)} fault(s) in the winding"

    def _warm(self, rest: str, _now: float) -> str:
        celsius = number(rest)
        if celsius <= _ABSOLUTE_ZERO:
            raise RefusedError("below absolute zero")
        self.change(dataclasses.replace(self.winding, celsius=celsius))
        return f"the winding has {celsius:g} degrees Celsius"

    def _turn(self, rest: str, _now: float) -> str:
        if rest == "out":
            self.change(dataclasses.replace(self.winding, rotor=None))
            return "the rotor is out"
        rotor = self.winding.rotor if self.winding.rotor is not None else model.Rotor()
        rotor = dataclasses.replace(rotor, electrical_degrees=number(rest))
        self.change(dataclasses.replace(self.winding, rotor=rotor))
        return f"the rotor stands at {rotor.electrical_degrees:g} electrical degrees"


def read_winding(texts: Mapping[str, str], faults: list[str]) -> Winding:
    """Make a winding from texts such as `ohms=0.4`, `rotor.cage=0.9`, `insulation.farads=2e-8`.

    Raises SettingsError, naming what is wrong.
    """
    parts: dict[str, dict[str, str]] = {"": {}, "rotor": {}, "insulation": {}}
    for name, text in texts.items():
        part, _, inner = name.rpartition(".")
        if part not in parts:
            raise SettingsError(f"winding: unknown {name!r}")
        parts[part][inner] = text
    given = _values(Winding, parts[""], "winding")
    if parts["rotor"]:
        given["rotor"] = model.Rotor(**_values(model.Rotor, parts["rotor"], "rotor"))
    if parts["insulation"]:
        values = _values(model.Insulation, parts["insulation"], "insulation")
        given["insulation"] = model.Insulation(**values)
    winding = Winding(**given, faults=tuple(read_fault(text) for text in faults))
    try:
        _try_out(winding)
    except ValueError as error:
        raise SettingsError(str(error)) from None
    return winding


def read_fault(text: str) -> wrong.Fault:
    """Make a fault from `name:key=value,...`; raise SettingsError, naming what is wrong."""
    name, _, rest = text.partition(":")
    kind = wrong.NAMES.get(name)
    if kind is None:
        raise SettingsError(f"unknown winding fault {name!r}; there are: {', '.join(wrong.NAMES)}")
    given = _values(kind, pairs([item for item in rest.split(",") if item]), name)
    missing = [
        each.name
        for each in dataclasses.fields(kind)
        if each.default is dataclasses.MISSING and each.name not in given
    ]
    if missing:
        raise SettingsError(f"{name}: say {' and '.join(missing)}, as {name}:{missing[0]}=...")
    fault: wrong.Fault = kind(**given)
    return fault


def _values(kind: type[Any], texts: Mapping[str, str], what: str) -> dict[str, Any]:
    hints = get_type_hints(kind)
    simple = {name: hint for name, hint in hints.items() if _is_simple(hint)}
    for name in texts:
        if name not in simple:
            raise SettingsError(f"{what}: unknown {name!r}; there are: {', '.join(simple)}")
    return {name: _value(f"{what}: {name}", simple[name], text) for name, text in texts.items()}


def _is_simple(hint: Any) -> bool:
    return hint in {float, int, str, tuple[float, float, float]} or get_origin(hint) is Literal


def _value(what: str, hint: Any, text: str) -> Any:
    try:
        if hint is int:
            return int(text)
        if hint is float:
            return _finite(text)
        if hint == tuple[float, float, float]:
            return three(text)
    except ValueError:
        raise SettingsError(f"{what}={text}: not a number that fits") from None
    choices = get_args(hint) if get_origin(hint) is Literal else ()
    if what.rpartition(" ")[2] in _PHASE_FIELDS:
        choices, text = model.PHASES, text.upper()
    if choices and text not in choices:
        raise SettingsError(f"{what}={text}: choose one of {', '.join(choices)}")
    return text


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def _try_out(winding: Winding) -> None:
    """Raise ValueError when the winding's circuit cannot be solved."""
    for fault in winding.faults:
        # The model looks for coils to change; a fault of a coil that is not there would be none.
        if not 0 <= getattr(fault, "group", 0) < winding.groups:
            raise ValueError(f"group {getattr(fault, 'group', 0)}: 0 to {winding.groups - 1}")
        if not 0 <= getattr(fault, "path", 0) < winding.paths:
            raise ValueError(f"path {getattr(fault, 'path', 0)}: 0 to {winding.paths - 1}")
    terminals = _TERMINALS[winding.connection]
    try:
        found = [
            winding.impedance(f"{first}-{second}", hertz)
            for first, second in itertools.pairwise(terminals)
            for hertz in (0.0, 1000.0)
        ]
    except (ArithmeticError, LookupError, ValueError) as error:
        raise ValueError(f"such a winding cannot be computed: {error}") from None
    if any(each != each for each in found):  # noqa: PLR0124 - not a number is what is looked for
        raise ValueError("such a winding cannot be computed: its impedance is not a number")
