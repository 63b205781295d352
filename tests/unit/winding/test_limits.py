"""The shipped limits: honest about their origin, overridable with reason."""

import pytest

from capture.winding import (
    InductanceReading,
    MissingReadingError,
    UnknownChoiceError,
    absorption_ratio,
    inductance_balance,
    insulation_at_40,
    load_limits,
    polarization_index,
    pulse_comparison,
    temperature_rise,
    unbalance,
    waveform_difference,
)

CONFIDENCES = {
    "confirmed",
    "public text",
    "second-hand",
    "memory, high",
    "memory, medium",
    "memory, low",
}


def test_every_limit_says_where_it_comes_from():
    for limit in load_limits().values():
        assert limit.source
        assert limit.applies_to
        assert limit.confidence in CONFIDENCES
        assert limit.confirmed == (limit.confidence == "confirmed")


def test_no_shipped_limit_binds():
    """No copy of any standard was at hand, so none may give a verdict by itself."""
    assert [limit.id for limit in load_limits().values() if limit.binding] == []


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("resistance-unbalance-random", 2),  # ANSI/EASA AR100-2020, second-hand
        ("resistance-unbalance-form", 1),  # same
        ("polarization-index-105", 1.5),  # public texts quoting IEEE Std 43-2013
        ("polarization-index-155", 2.0),  # same
        ("temperature-rise-130", 80),  # a maker's manual quoting IEC 60034-1
        ("temperature-rise-155", 105),  # same
    ],
)
def test_shipped_values(name, value):
    assert load_limits()[name].value == value


def formulae():
    """Name the formulae that the computations put into their results, by computing them."""
    pairs = {"U-V": 1.0, "V-W": 1.0, "W-U": 1.0}
    bridge = {name: InductanceReading(henries=1.0, ohms=1.0, hertz=50.0) for name in pairs}
    times, ohms = [15, 30, 60, 600], [1e9] * 4
    results = [
        unbalance(pairs, "mean"),
        inductance_balance(bridge, "mean").inductance,
        pulse_comparison(pairs, "period", "span-max").deviation,
        waveform_difference([1.0], [1.0]),
        polarization_index(times, ohms),
        absorption_ratio(times, ohms),
        absorption_ratio(times, ohms, early=15),
        insulation_at_40(1e9, 20, "thermoplastic"),
        temperature_rise(1.0, 1.2, 20, 25, 235),
    ]
    return {result.formula: result.unit for result in results}


def test_every_limit_belongs_to_a_formula_and_its_unit():
    known = formulae()
    for limit in load_limits().values():
        assert known[limit.formula] == limit.unit, limit.id


def test_machine_over_site_over_shipped():
    name = "resistance-unbalance-random"
    site = {name: {"value": 1.5, "source": "site rule", "adopted": True}}
    machine = {name: {"value": 3.0, "source": "concentric winding", "adopted": True}}
    assert load_limits(site=site)[name].value == 1.5
    limit = load_limits(site=site, machine=machine)[name]
    assert (limit.value, limit.source, limit.adopted_by) == (3.0, "concentric winding", "machine")
    assert limit.binding
    assert limit.confidence == "as stated by the machine"


def test_a_changed_value_is_information_until_adopted():
    name = "pulse-deviation"
    limit = load_limits(site={name: {"value": 8.0, "source": "site rule"}})[name]
    assert not limit.binding


def test_a_changed_value_needs_a_source():
    with pytest.raises(MissingReadingError, match="source of pulse-deviation"):
        load_limits(site={"pulse-deviation": {"value": 8.0}})


def test_unknown_overrides_are_named():
    with pytest.raises(UnknownChoiceError, match="site 'pulse-devation'"):
        load_limits(site={"pulse-devation": {"adopted": True}})
    with pytest.raises(UnknownChoiceError, match="pulse-deviation: field"):
        load_limits(machine={"pulse-deviation": {"confirmed": True}})


def test_shipped_limits_are_not_changed_by_overrides():
    load_limits(site={"pulse-deviation": {"adopted": True}})
    assert not load_limits()["pulse-deviation"].adopted
