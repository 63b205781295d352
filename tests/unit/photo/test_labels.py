"""Codes on labels are read, and select a machine that is registered, or say why not."""

import io
from datetime import UTC, datetime

import pytest
import zxingcpp
from PIL import Image

from capture.errors import InputError, NotThereError
from capture.model import new_id
from capture.model.machine import MachineEntry, Nameplate
from capture.model.photo import Crop, LabelCode
from capture.photo.labels import machine_of, names_of, read_codes
from capture.photo.store import reencoded

MACHINES = {"fan-07": "FAN-07", "fan-08": "FAN-08"}
FORMATS = {
    "qr": zxingcpp.BarcodeFormat.QRCode,
    "data-matrix": zxingcpp.BarcodeFormat.DataMatrix,
    "bar": zxingcpp.BarcodeFormat.Code128,
}


def label(text, kind, turned=0):
    """Photograph a label: a code on white, on a grey machine."""
    code = zxingcpp.create_barcode(text, FORMATS[kind])
    drawn = Image.fromarray(zxingcpp.write_barcode_to_image(code, scale=6)).convert("RGB")
    paper = Image.new("RGB", (drawn.width + 80, drawn.height + 80), "white")
    paper.paste(drawn, (40, 40))
    scene = Image.new("RGB", (paper.width + 300, paper.height + 300), (110, 115, 120))
    scene.paste(paper, (150, 150))
    scene = scene.rotate(turned, resample=Image.Resampling.BICUBIC, fillcolor=(110, 115, 120))
    out = io.BytesIO()
    scene.save(out, "JPEG", quality=80)
    return reencoded(out.getvalue())


def codes(*texts):
    crop = Crop(left=0, top=0, width=1, height=1)
    return [LabelCode(text=text, format="QR Code", crop=crop) for text in texts]


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("turned", [0, 12])
def test_a_code_is_read_where_it_stands(kind, turned):
    (code,) = read_codes(label("FAN-07", kind, turned))
    assert code.text == "FAN-07"
    assert code.crop.left > 100
    assert code.crop.top > 100
    assert machine_of([code], MACHINES) == "FAN-07"


def test_no_code_gives_none():
    out = io.BytesIO()
    Image.new("RGB", (300, 200), (90, 90, 90)).save(out, "JPEG")
    assert read_codes(out.getvalue()) == []


def test_nothing_that_a_terminal_would_obey_comes_out_of_a_code():
    (code,) = read_codes(label("FAN-07\x1b[31m\x1d", "qr"))
    assert code.text.isprintable()
    assert code.text.startswith("FAN-07")


@pytest.mark.parametrize(
    "text",
    ["FAN-07", "fan-07", "https://example.org/machines/FAN-07?from=label", "ID=FAN-07;V=400"],
)
def test_a_machine_is_named_by_the_text_or_a_part_of_it(text):
    assert machine_of(codes(text), MACHINES) == "FAN-07"


def test_a_code_that_is_the_machine_goes_before_one_that_mentions_another():
    assert machine_of(codes("spare of FAN-08", "FAN-07"), MACHINES) == "FAN-07"


def test_a_part_of_a_name_names_nothing():
    with pytest.raises(NotThereError, match="'FAN-077'"):
        machine_of(codes("FAN-077"), MACHINES)


def test_no_code_and_several_machines_say_what_to_do():
    with pytest.raises(NotThereError, match="go nearer"):
        machine_of([], MACHINES)
    with pytest.raises(InputError, match="photograph one label"):
        machine_of(codes("FAN-07", "FAN-08"), MACHINES)


def entry(machine, label=None):
    return MachineEntry(
        id=new_id(),
        site="sawmill",
        bench="bench-1",
        time=datetime(2026, 1, 5, 8, 0, tzinfo=UTC),
        operator="foreman",
        machine=machine,
        nameplate=Nameplate(label=label),
    )


def test_a_machine_is_named_by_what_its_nameplate_says_of_its_label():
    names = names_of([entry("FAN-07", "A-0042"), entry("FAN-08")])
    assert machine_of(codes("a-0042"), names) == "FAN-07"
    assert machine_of(codes("FAN-07"), names) == "FAN-07"


def test_what_two_machines_have_in_common_names_neither():
    names = names_of([entry("FAN-07", "A-0042"), entry("FAN-08", "A-0042")])
    with pytest.raises(NotThereError, match="A-0042"):
        machine_of(codes("A-0042"), names)
