"""A loss keyed beside an inductance: a frame as a bridge sends it, judged and asked about alike."""

import math
from dataclasses import replace

import pytest
from seen_at_the_desk import tag_of

from capture.errors import InputError
from capture.jobs.keyed import TypedLoss
from capture.jobs.plausible import DoubtError
from capture.jobs.remembered import remembered
from capture.model import new_id
from capture.model.machine import Nameplate

SETTINGS = {"frequency": "1 kHz"}
PAIRS = ("u-v", "v-w", "w-u")
BLOCK = """
schema_version = 1
name = "inductance-block"
title = "Inductance"
[[steps]]
id = "all"
title = "Inductance"
points = ["U-V", "V-W", "W-U"]
quantity = "inductance"
energy = "none"
take = { how = "keyed" }
"""


@pytest.fixture
def coils(bench):
    bench.begin("three-pair-inductance", plate=Nameplate(winding="random"), rotor="out")
    return bench


def frame(bench, *values, loss_as="", settings=SETTINGS, **more):
    """Give inductances with their losses, as typed."""
    keyed = bench.typed([henries for henries, _ in values], settings=settings, **more)
    typed = [
        replace(each, loss=None if loss is None else TypedLoss(new_id(), loss))
        for each, (_, loss) in zip(keyed.values, values, strict=True)
    ]
    return replace(keyed, values=typed, loss_as=loss_as)


def bodies(bench, step):
    held = bench.service.readings_of(bench.state)
    return [held[each] for each in bench.step(step).readings]


def test_a_keyed_frame_is_like_one_that_a_bridge_sends(coils):
    """Both readings share a group and the conditions; the loss says the model."""
    coils.key("inductance-u-v", frame(coils, ("62.1 mH", "Rs 29.1 Ω")))
    henries, ohms = bodies(coils, "inductance-u-v")
    assert (henries["quantity"], ohms["quantity"]) == ("inductance", "resistance")
    assert henries["group"] == ohms["group"]
    conditions = {"frequency": {"value": 1000.0, "unit": "Hz"}, "model": "series"}
    assert henries["conditions"] == ohms["conditions"] == conditions
    assert (ohms["value"], ohms["unit"]) == (29.1, "Ohm")
    assert ohms["source"]["typed"] == "Rs 29.1 Ω"
    tag = tag_of(coils, coils.step("inductance-u-v").readings[1])
    assert (tag["machine"], tag["test_point"]["pair"]) == ("fan-07", "U-V")


#: One coil of 62.1 mH at 1 kHz with Q 13.4: X = 390.2 Ω, Rs = X/Q, θ = atan Q (textbook).
_X = 2 * math.pi * 1000 * 62.1e-3


@pytest.mark.parametrize(
    "loss",
    ["Q 13.4", "D 0.074627", f"Rs {_X / 13.4:.3f} Ω", f"θ {math.degrees(math.atan(13.4)):.4f}°"],
)
def test_whatever_shows_the_loss_the_angles_are_the_same(coils, loss):
    """Two pairs alike and a third of Q 10: its angle is 0.99° less than that of Q 13.4."""
    for pair in PAIRS:
        typed = loss if pair != "w-u" else "Q 10"
        settings = {**SETTINGS, "model": "series"}
        values = frame(coils, ("62.1 mH", typed), settings=settings)
        coils.key(f"inductance-{pair}", values)
    now = coils.desk.now(coils.job)
    (angle,) = [each for each in now.results if each.name.startswith("phase angle")]
    less = math.degrees(math.atan(13.4) - math.atan(10))
    assert angle.value == pytest.approx(2 / 3 * less, rel=1e-3)
    assert not [each for each in now.notes if "no loss beside" in each]
    assert now.suspicion is not None


def test_a_loss_without_an_angle_of_an_inductance_tells_nothing(coils):
    for pair in PAIRS:
        keyed = frame(coils, ("62.1 mH", "θ 95°"))
        coils.key(f"inductance-{pair}", replace(keyed, confirmed=True))
    assert any("no loss beside" in each for each in coils.desk.now(coils.job).notes)


def test_a_block_of_pairs_has_a_frame_a_pair(bench):
    bench.begin(BLOCK, plate=Nameplate(winding="random"), rotor="out")
    values = [(f"62.{n} mH", f"{13 + n}") for n in range(3)]
    bench.key("all", frame(bench, *values, loss_as="Q"))
    found = bodies(bench, "all")
    assert [each["quantity"] for each in found] == 3 * ["inductance"] + 3 * ["quality_factor"]
    groups = [each["group"] for each in found]
    assert groups[:3] == groups[3:]
    assert len(set(groups)) == 3
    (step,) = bench.desk.view(bench.state)["steps"]
    assert [each["point"] for each in step["values"]] == 2 * ["U-V", "V-W", "W-U"]
    assert not bench.desk.now(bench.job).uncomputed


def test_a_block_without_losses_is_taken_as_before(bench):
    bench.begin(BLOCK, plate=Nameplate(winding="random"))
    bench.key("all", frame(bench, *[("62.1 mH", None)] * 3))
    assert len({each["group"] for each in bodies(bench, "all")}) == 1


@pytest.mark.parametrize(
    ("loss", "more", "why"),
    [
        ("13.4", {}, "U-V: '13.4' does not say which loss it is"),
        ("Q 13.4.2", {}, "U-V: the loss: '13.4.2' goes on like a number"),
        ("Rs 29.1", {}, "U-V: the loss: '29.1' has no unit"),
        ("Q 13.4 mΩ", {}, "the loss: '13.4 mΩ' is in Ohm, but quality_factor is in 1"),
        ("Rs 29 Ω", {"settings": {**SETTINGS, "model": "parallel"}}, "is of the series model"),
    ],
)
def test_a_loss_that_cannot_be_taken_stores_nothing(coils, loss, more, why):
    with pytest.raises(InputError, match=why):
        coils.key("inductance-u-v", frame(coils, ("62.1 mH", loss), **more))
    assert coils.count("reading") == 0


def test_a_loss_stands_beside_an_inductance_alone(bench):
    bench.begin("three-pair-resistance", plate=Nameplate(winding="random"))
    with pytest.raises(InputError, match="not beside resistance"):
        bench.key("resistance-u-v", frame(bench, ("842.1 mΩ", "Q 3"), settings={}))


def test_the_same_keying_handed_in_again_stores_nothing_twice(coils):
    keyed, who, seen = frame(coils, ("62.1 mH", "Q 13.4")), coils.who(), coils.state.last
    once = coils.key("inductance-u-v", keyed, who, seen)
    assert coils.key("inductance-u-v", keyed, who, seen) == once
    assert coils.count("reading") == 2


def test_a_second_person_keys_the_loss_too_or_only_the_inductance(coils):
    keyed = frame(coils, ("62.1 mH", "Q 13.4"), again=["62.1 mH"], second="foreman")
    coils.key("inductance-u-v", keyed)
    assert [each["source"]["times"] for each in bodies(coils, "inductance-u-v")] == [2, 1]
    keyed = frame(coils, ("62.3 mH", "Q 13.4"), again=["62.3 mH"], second="foreman")
    (value,) = keyed.values
    differs = replace(keyed, values=[replace(value, loss=replace(value.loss, again="Q 13.1"))])
    with pytest.raises(InputError, match=r"'13\.4' and '13\.1' differ"):
        coils.key("inductance-v-w", differs)


# ── doubts ───────────────────────────────────────────────────────────────────────────────────


def asked(bench, step, keyed):
    with pytest.raises(DoubtError) as error:
        bench.key(step, keyed)
    return [doubt.words for doubt in error.value.doubts]


@pytest.mark.parametrize(
    ("loss", "words"),
    [
        ("Q 0.0746", "U-V Q 0.0746: windings mostly have a Q of 0.1 to 100"),
        ("D 134", "that is a Q of 0.00746"),
        ("Rs 29.1 mΩ", "that is a Q of 1.34e+04"),
        ("Rs 29.1 kΩ", "that is a Q of 0.0134"),
        ("θ -85.7°", "an angle between 0 and 90°"),
        ("Q 0", "more than zero is expected"),
    ],
)
def test_a_loss_that_no_winding_has_is_asked_about(coils, loss, words):
    (doubt,) = asked(coils, "inductance-u-v", frame(coils, ("62.1 mH", loss)))
    assert words in doubt


def test_a_loss_far_from_the_other_pairs_is_asked_about(coils):
    coils.key("inductance-u-v", frame(coils, ("62.1 mH", "Q 13.4")))
    (doubt,) = asked(coils, "inductance-v-w", frame(coils, ("62.1 mH", "Q 1.34")))
    assert doubt == "V-W Q 1.34: the other pairs have a Q of 13.4"
    coils.key("inductance-v-w", frame(coils, ("62.1 mH", "D 0.075")))


def test_alternating_current_loses_no_less_than_direct_current(bench):
    bench.begin("incoming-inspection", plate=Nameplate(winding="random"))
    for pair in PAIRS:
        bench.key(f"resistance-{pair}", ["8.42 Ω"])
        bench.ramped_down(f"resistance-{pair}")
    (doubt,) = asked(bench, "inductance-u-v", frame(bench, ("62.1 mH", "Rs 5.9 Ω")))
    assert "with direct current this pair reads 8.42 Ω" in doubt


def test_ohms_of_a_bridge_are_no_earlier_ohms_of_a_winding(coils):
    coils.key("inductance-u-v", frame(coils, ("62.1 mH", "Rs 29.1 Ω")))
    coils.job = new_id()
    coils.begin("three-pair-resistance", plate=Nameplate(winding="random"))
    coils.key("resistance-u-v", ["842.1 mΩ"])


# ── what is remembered ───────────────────────────────────────────────────────────────────────


def offered(bench, step):
    return remembered(bench.state, step, bench.service.readings_of(bench.state).get)


def test_what_was_keyed_at_one_pair_is_offered_at_the_next(coils):
    assert offered(coils, "inductance-u-v") == {}
    coils.key("inductance-u-v", frame(coils, ("62.1 mH", "Rs 29100 mΩ")))
    assert offered(coils, "inductance-v-w") == {
        "step": "inductance-u-v",
        "frequency": "1 kHz",
        "model": "series",
        "unit": "mH",
        "instrument": "pulse-1",
        "loss": "Rs mΩ",
    }
    coils.key("inductance-v-w", frame(coils, ("62.1 mH", "Q 13"), settings={"frequency": "120"}))
    found = offered(coils, "inductance-w-u")
    assert (found["step"], found["frequency"]) == ("inductance-v-w", "120 Hz")
    assert found["loss"] == "Q"
    steps = coils.desk.view(coils.state)["steps"]
    assert [bool(each["remembered"]) for each in steps] == [False, False, True]


def test_of_what_a_bridge_sent_its_frequency_is_offered_and_not_its_name(coils):
    coils.take("inductance-u-v", coils.pair("U-V", henries=62.3e-3, ohms=29.1))
    found = offered(coils, "inductance-v-w")
    assert "instrument" not in found
    assert "unit" not in found
