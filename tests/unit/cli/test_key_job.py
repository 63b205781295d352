"""``benchtally key --job``: what stands on a display, keyed for a step; on real journals."""

import json

import pytest
from PIL import Image

OPERATOR = ("--operator", "winder")
SIX = ("112.6 µs", "112.4 µs", "121.7 µs", "121.9 µs", "112.9 µs", "112.8 µs")
POINTS = ("U-V", "V-U", "V-W", "W-V", "W-U", "U-W")
BLOCK = "\n".join(SIX)
PULSE = ("pulse_time", "--block")


def typed(*values, points=POINTS):
    return "\n".join(f"{point} {value}" for point, value in zip(points, values, strict=True))


def values_of(jobs, step):
    return {each["point"]: each["value"] for each in jobs.step(step)["values"]}


@pytest.fixture
def pulse(jobs):
    """A pulse comparison whose insulation was looked at elsewhere."""
    jobs.start("pulse-six-readings")
    jobs.act("override", "pulse", "insulation", "--reason", "insulation was tested an hour ago")
    return jobs


# ── blocks and single values ─────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("text", [BLOCK, typed(*SIX)], ids=["in-order", "with-points"])
def test_a_block_is_keyed_in_the_order_of_the_step(pulse, text):
    said = pulse.key(*PULSE, given=text)
    assert "V-W: 121.7 µs = 0.0001217 s" in said
    assert "pulse is keyed" in said
    found = values_of(pulse, "pulse")
    assert list(found) == list(POINTS)
    assert found["W-V"] == pytest.approx(121.9e-6)
    readings = pulse.readings()
    assert len({each["group"] for each in readings}) == 1
    assert {each["source"]["operator"] for each in readings} == {"winder"}
    assert readings[0]["tag"]["job"] == pulse.look()["job"]
    assert readings[0]["tag"]["step"] == "pulse"
    assert readings[3]["tag"]["test_point"]["direction"] == "reverse"


def test_a_block_in_the_instruments_own_order_lands_where_it_belongs(pulse):
    order = POINTS[::-1]
    pulse.key(*PULSE, "--order", ",".join(order), given="\n".join(SIX[::-1]))
    assert values_of(pulse, "pulse")["U-V"] == pytest.approx(112.6e-6)
    # With test points beside the values, any order will do.
    pulse.act("redo", "pulse", "--reason", "to be keyed again")
    pulse.key(*PULSE, given=typed(*SIX[::-1], points=order))
    assert values_of(pulse, "pulse")["V-U"] == pytest.approx(112.4e-6)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("\n".join(SIX[:5]), "5 values for the 6 test points"),
        (typed(*SIX).replace("U-W", "U-N"), "U-W is missing"),
        (typed(*SIX[:5], points=POINTS[:5]), "U-W is missing"),
        (BLOCK.replace("121.7 µs", "121.7 mm"), "V-W: unit 'mm' is not known"),
        (BLOCK.replace("121.7 µs", "121.7 Ω"), "is in Ohm, but pulse_time is in s"),
        ("", "no values"),
    ],
)
def test_a_block_that_is_not_whole_is_refused_whole(pulse, text, reason):
    said = pulse.key(*PULSE, given=text, code=2)
    assert reason in said
    assert pulse.readings() == []
    assert pulse.step("pulse")["status"] == "open"


def test_a_single_value_is_keyed_for_the_step_that_is_due(jobs):
    jobs.start("three-pair-resistance")
    said = jobs.key("resistance", "842.1 mΩ")
    assert "U-V: 842.1 mΩ = 0.8421 Ohm" in said
    assert "ramp the meter's current down" in said
    jobs.act("ramped-down")
    jobs.key(
        "resistance", "0,8433", "--unit", "Ω", "--decimal", "comma", "--step", "resistance-w-u"
    )
    assert jobs.step("resistance-w-u")["values"][0]["value"] == 0.8433
    assert jobs.step("resistance-v-w")["status"] == "open"


def test_insulation_is_keyed_at_its_times_and_begins_the_wait_for_the_discharge(jobs):
    jobs.start("insulation-one-minute")
    jobs.key("insulation_resistance", "--block", given="512 MΩ\n700 MΩ\n>5.5 GΩ\n")
    values = jobs.step("insulation")["values"]
    assert [each["elapsed"] for each in values] == [15, 30, 60]
    assert (values[2]["status"], values[2]["bound"]["value"]) == ("above-range", 5.5e9)
    (after,) = jobs.step("insulation")["after"]
    assert after["name"] == "discharge"
    assert jobs.events()[-1]["event"] == {
        "action": "applied", "step": "insulation", "seconds": 60.0,
    }  # fmt: skip
    assert "at 60 s" in jobs.do("job", "show", "last")


def test_the_time_under_voltage_can_be_told(jobs):
    jobs.start("insulation-one-minute")
    jobs.key("insulation_resistance", "700 MΩ", "--applied", "90")
    assert jobs.events()[-1]["event"]["seconds"] == 90
    assert jobs.step("insulation")["values"][0]["elapsed"] == 60


def test_a_locked_step_cannot_be_keyed(jobs):
    jobs.start("after-rewind")
    said = jobs.key(*PULSE, "--step", "pulse", given=BLOCK, code=1)
    assert "step pulse is locked: take the insulation resistance first" in said
    assert jobs.readings() == []


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (("resistance", "1 Ω"), "step pulse takes pulse_time, not resistance"),
        (("pulse_time", "112.6 µs", "--block"), "give one value with its unit"),
        (("pulse_time",), "give one value with its unit"),
        (("pulse_time", "112.6 µs"), "takes 6 values at once, not 1"),
        (("pulse_time", "1 µs", "--machine", "FAN-07"), "leave them out"),
        (("pulse_time", "1 µs", "--point", "U-V"), "leave them out"),
        (("pulse_time", "1 µs", "--step", "pulses"), "the steps are pulse"),
        (("pulse_time", "1 µs", "--id", "x"), "no UUID"),
    ],
)
def test_what_does_not_fit_a_step_is_refused(pulse, arguments, reason):
    assert reason in pulse.key(*arguments, code=2)
    assert pulse.readings() == []


@pytest.mark.parametrize(
    "option",
    [("--step", "pulse"), ("--shown-deviation", "8"), ("--second-operator", "x"),
     ("--again", "1 µs"), ("--applied", "60"), ("--seen", "3")],
)  # fmt: skip
def test_what_belongs_to_a_job_is_refused_without_one(jobs, option):
    said = jobs.do("key", "pulse_time", "1 µs", *option, *OPERATOR, code=2)
    assert "belong to --job" in said


def test_the_law_of_the_procedure_holds_unless_another_is_given(pulse):
    pulse.key(*PULSE, "--law", "period", given=BLOCK)
    assert {each["conditions"]["law"] for each in pulse.readings()} == {"period"}
    pulse.act("redo", "pulse", "--reason", "to be keyed again")
    pulse.key(*PULSE, given=BLOCK)
    assert pulse.readings()[-1]["conditions"]["law"] == "unknown"


# ── doubts ───────────────────────────────────────────────────────────────────────────────────

SLIPPED = BLOCK.replace("121.7 µs", "121.7 ms")


def test_a_slipped_prefix_is_asked_about_and_not_stored(pulse):
    said = pulse.key(*PULSE, given=SLIPPED, code=1)
    assert "V-W 121.7 ms" in said
    assert "is 121.7 µs meant?" in said
    assert "add --confirm if it stands so" in said
    assert said.count("\n") == 1
    assert pulse.readings() == []


def test_what_was_looked_at_again_is_taken_as_it_stands(pulse):
    pulse.key(*PULSE, "--confirm", given=SLIPPED)
    assert values_of(pulse, "pulse")["V-W"] == pytest.approx(0.1217)


@pytest.mark.parametrize(("answer", "code"), [("y", 0), ("n", 1)])
def test_at_a_terminal_the_doubt_is_put_to_the_person(pulse, terminal, answer, code):
    slipped = [*SIX[:2], "121.7 ms", *SIX[3:], answer]
    said = pulse.key(*PULSE, given=terminal("\n".join(slipped) + "\n"), code=code)
    assert bool(pulse.readings()) == (code == 0)
    if code:
        assert "nothing is stored; key it again" in said
    else:
        assert "is 121.7 µs meant?" in said


def test_a_loss_and_the_frequency_that_the_job_remembers(jobs):
    """Told once, said back at the next pair, and another one where it is given."""
    jobs.start("three-pair-inductance")
    jobs.key("inductance", "62.1 mH", "--frequency", "1 kHz", "--loss", "Rs 29.1 Ω")
    said = jobs.key("inductance", "62.3 mH Rs 29.3 Ω")
    assert said.startswith("at 1 kHz, as inductance-u-v (another one: --frequency)")
    said = jobs.key("inductance", "--block", "--frequency", "120 Hz", given="62.2 mH Q 3.1")
    assert "at 1 kHz" not in said
    assert "\nW-U quality_factor: 3.1\n" in f"\n{said}"
    assert "quality_factor 3.1 " in " ".join(jobs.do("job", "show", "last").split())
    found = [each["conditions"]["frequency"]["value"] for each in jobs.readings()]
    assert found == [1000, 1000, 1000, 1000, 120, 120]
    quantities = [each["quantity"] for each in jobs.readings()]
    assert quantities == ["inductance", "resistance"] * 2 + ["inductance", "quality_factor"]


def test_a_second_person_keys_the_loss_behind_the_value(jobs):
    jobs.start("three-pair-inductance")
    second = ("--frequency", "1 kHz", "--second-operator", "foreman")
    said = jobs.key("inductance", "62.1 mH Q 13.4", "--again", "62.1 mH Q 13.1", *second, code=2)
    assert "'13.4' and '13.1' differ" in said
    jobs.key("inductance", "62.1 mH Q 13.4", "--again", "62.1 mH Q 13,4", *second)
    assert {each["source"]["times"] for each in jobs.readings()} == {2}


@pytest.mark.parametrize(("shown", "code"), [("7.9", 0), ("7.9 %", 0), ("-7.9 %", 0), ("9.7 %", 1)])
def test_the_deviation_that_the_instrument_shows_is_held_against_ours(pulse, shown, code):
    """(121.9 - 112.4) / 121.9 = 7.793 % of the six; of the pairs' means (121.8 - 112.5) / 121.8 = 7.64 %."""
    ours = "7.6" if code == 0 else shown
    said = pulse.key(
        *PULSE, "--shown-deviation", shown.replace("7.9", ours), given=BLOCK, code=code
    )
    if code:
        assert "the instrument shows a deviation of 9.7 %" in said
        assert pulse.readings() == []
    else:
        assert pulse.readings()[-1]["quantity"] == "pulse_deviation"


# ── a second person ──────────────────────────────────────────────────────────────────────────


def test_a_second_keying_that_agrees_is_told_with_the_values(pulse):
    second = ("--second-operator", "foreman")
    pulse.key(*PULSE, *second, given=f"{BLOCK}\nagain\n{BLOCK}\n")
    sources = [each["source"] for each in pulse.readings()]
    assert {(each["times"], each["second_operator"]) for each in sources} == {(2, "foreman")}
    assert "by winder and foreman" in " ".join(pulse.do("job", "show", "last").split())


@pytest.mark.parametrize(
    ("second", "text", "reason"),
    [
        ("foreman", BLOCK, "the second keying is missing"),
        ("foreman", f"{BLOCK}\nagain\n{BLOCK.replace('121.7', '127.1')}", "'127.1 µs' differ"),
        ("foreman", f"{BLOCK}\nagain\n{SIX[0]}", "1 values for the 6"),
        ("winder", f"{BLOCK}\nagain\n{BLOCK}", "by another person"),
    ],
)
def test_a_second_keying_that_does_not_agree_stores_nothing(pulse, second, text, reason):
    said = pulse.key(*PULSE, "--second-operator", second, given=text, code=2)
    assert reason in said
    assert pulse.readings() == []


def test_one_value_is_keyed_again_by_an_option(jobs):
    jobs.start("three-pair-resistance")
    who = ("--second-operator", "foreman", "--again")
    assert "differ" in jobs.key("resistance", "842.1 mΩ", *who, "824.1 mΩ", code=2)
    jobs.key("resistance", "842.1 mΩ", *who, "0.8421 Ω")
    assert jobs.readings()[0]["source"]["times"] == 2


def test_at_a_terminal_both_are_asked_one_after_the_other(pulse, terminal):
    text = "\n".join([*SIX, *SIX]) + "\n"
    said = pulse.key(*PULSE, "--second-operator", "foreman", given=terminal(text))
    assert "Now foreman, without a look at the first keying:" in said
    assert len(pulse.readings()) == 6


# ── photos ───────────────────────────────────────────────────────────────────────────────────


@pytest.fixture
def photo(tmp_path):
    path = tmp_path / "display.png"
    Image.effect_noise((64, 40), 40).save(path)
    return path


def test_a_photo_of_the_display_is_kept_with_every_value(pulse, photo):
    said = pulse.key(*PULSE, "--photo", photo, "--note", "display was dim", given=BLOCK)
    (digest,) = {each for value in pulse.step("pulse")["values"] for each in value["photos"]}
    assert f"photo {digest}" in said
    kept = pulse.journal.with_name("benchtally.journal.evidence")
    assert (kept / digest[:2] / f"{digest}.jpg").read_bytes()[:2] == b"\xff\xd8"
    assert {each["tag"]["note"] for each in pulse.readings()} == {"display was dim"}


def test_what_is_no_photo_is_refused_with_its_name(pulse, tmp_path):
    path = tmp_path / "display.jpg"
    said = pulse.key(*PULSE, "--photo", path, given=BLOCK, code=2)
    assert f"{path}: cannot be read" in said
    path.write_bytes(b"no photo")
    said = pulse.key(*PULSE, "--photo", path, given=BLOCK, code=2)
    assert f"{path}: not a photo that can be read" in said
    assert pulse.readings() == []


def test_a_photo_belongs_to_a_value_of_no_job_as_well(jobs, photo):
    jobs.do("key", "resistance", "842.1 mΩ", "--photo", photo, *OPERATOR)
    (reading,) = jobs.readings()
    assert reading["evidence"][0]["media_type"] == "image/jpeg"


# ── once ─────────────────────────────────────────────────────────────────────────────────────


def test_the_same_id_keys_once(pulse, some_id):
    seen = pulse.look()["last"]
    for _ in range(2):
        pulse.key(*PULSE, "--id", some_id, "--seen", seen, given=BLOCK)
    assert len(pulse.readings()) == 6
    assert [each["id"] for each in pulse.events()].count(str(some_id)) == 1
    said = pulse.key(*PULSE, "--id", some_id, "--step", "pulse", given=BLOCK)
    assert "pulse is keyed" in said
    assert "belongs to another entry" in pulse.act("note", "x", "--id", some_id, code=2)
    assert len(pulse.readings()) == 6


def test_keying_that_rests_on_an_old_look_is_refused(pulse):
    seen = pulse.look()["last"]
    pulse.act("note", "somebody else was here")
    assert "look again" in pulse.key(*PULSE, "--seen", seen, given=BLOCK, code=1)
    assert pulse.readings() == []


def test_the_whole_job_comes_back_in_json(pulse):
    found = json.loads(pulse.key(*PULSE, "--json", given=BLOCK))
    shown = pulse.look()
    assert {**found, "results": []} == {**shown, "results": []}
    names = [[each["name"] for each in view["results"]] for view in (found, shown)]
    assert names[0] == names[1] != []
    assert found["steps"][0]["how"] == "keyed"


def test_next_tells_how_much_is_keyed_at_once(jobs):
    jobs.start("pulse-six-readings")
    assert "benchtally key pulse_time --block --job " in jobs.do("job", "next", "last")
    jobs.start("insulation-one-minute")
    said = jobs.do("job", "next", "last")
    assert "keyed: benchtally key insulation_resistance VALUE --job " in said
    assert said.rstrip().endswith("--step insulation, or all of them --block")


def test_a_value_beyond_a_limit_that_nobody_adopted_is_told_at_once(jobs):
    """5 MΩ: IEEE Std 43-2013, 12.3 (public text). Nobody takes "information only" for all of it."""
    jobs.start("insulation-one-minute", "--winding-celsius", "40")
    said = jobs.key("insulation_resistance", "900 kΩ", "--confirm")
    name = "insulation resistance after 60 s, at 40 °C"
    assert f"Beyond a limit that is for information: {name}\n" in said
    shown = " ".join(jobs.do("job", "show", "last").split())
    assert "900 kΩ ≥ 5 MΩ information only, beyond the limit" in shown
    jobs.act("redo", "insulation", "--reason", "leads were damp")
    assert "Beyond a limit" not in jobs.do("job", "show", "last")
