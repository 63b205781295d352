"""The drawn forms, read back by programs that share nothing with what drew them.

One file, since drawing takes its time and all tests read the same drawn record.
"""

import csv
import io
import json
import re
import subprocess
import tomllib
from datetime import timedelta
from importlib.resources import files
from xml.etree import ElementTree as ET

import pikepdf
import pytest
import zxingcpp
from PIL import Image

from capture.errors import InputError, NotThereError
from capture.judging import assess
from capture.model.testset import TestSet
from capture.model.trend import Trend, TrendPoint, TrendSlope
from capture.records.drawing import draw
from capture.records.forms import Wish, drawn, file_name
from capture.records.moving import trend_plots, words_of
from capture.records.pages import code_of, make_pages
from capture.records.plots import plots_of
from capture.records.texts import catalogue, languages
from capture.records.verify import record_text
from capture.winding import Evidence, pulse_comparison, suspect
from capture.winding.hypotheses import BALANCED, PRIOR, ROTOR, TWO_FAULTS

# ISO 19005-3 (PDF/A-3) as the PDF Association's public pages have it: an output intent, XMP that
# names part and conformance, embedded files with AFRelationship, fonts embedded, no scripts.
PDFA = "{http://www.aiim.org/pdfa/ns/id/}"


@pytest.fixture(scope="module")
def pdf_file(done, tmp_path_factory):
    path = tmp_path_factory.mktemp("pdf") / "record.pdf"
    path.write_bytes(drawn(done.record, Wish(), done.evidence.get))
    return path


@pytest.fixture(scope="module")
def pdf(pdf_file):
    with pikepdf.open(pdf_file) as opened:
        yield opened


@pytest.fixture(scope="module")
def words(pdf_file):
    """The text of the PDF, as poppler reads it, with any white space as one blank."""
    return read_text(pdf_file)


def read_text(path):
    told = subprocess.run(
        ["pdftotext", "-layout", path, "-"], check=True, capture_output=True, timeout=30
    )
    return " ".join(told.stdout.decode().split())


@pytest.fixture(scope="module")
def page(done):
    return drawn(done.record, Wish("html"), done.evidence.get).decode()


# ── PDF/A ────────────────────────────────────────────────────────────────────────────────────


def test_it_says_that_it_is_pdf_a_3_and_has_an_output_intent(pdf):
    xmp = ET.fromstring(pdf.Root.Metadata.read_bytes())
    found = {
        name.removeprefix(PDFA): value
        for node in xmp.iter()
        for name, value in (*node.attrib.items(), (node.tag, node.text or ""))
        if name.startswith(PDFA)
    }
    assert found == {"part": "3", "conformance": "A"}
    assert [str(each.S) for each in pdf.Root.OutputIntents] == ["/GTS_PDFA1"]
    assert "/DestOutputProfile" in pdf.Root.OutputIntents[0]
    assert not pdf.is_encrypted


def test_its_structure_is_told_and_its_pictures_have_words(pdf):
    assert pdf.Root.MarkInfo.Marked
    assert str(pdf.Root.Lang) == "en"
    figures = [
        each
        for each in pdf.objects
        if isinstance(each, pikepdf.Dictionary) and each.get("/S") == "/Figure"
    ]
    assert len(figures) >= 6
    assert all(str(each.get("/Alt", "")) for each in figures)


def test_all_fonts_are_embedded_and_nothing_acts(pdf):
    fonts = [
        each
        for each in pdf.objects
        if isinstance(each, pikepdf.Dictionary) and each.get("/Type") == "/FontDescriptor"
    ]
    assert fonts
    for each in fonts:
        assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(each.keys()), str(each.FontName)
    for each in pdf.objects:
        if isinstance(each, pikepdf.Dictionary):
            assert not {"/JS", "/JavaScript", "/AA", "/OpenAction", "/Launch"} & set(each.keys())


def test_the_record_is_attached_as_data_byte_by_byte(pdf, pdf_file, done):
    assert list(pdf.attachments) == ["record.json"]
    attached = pdf.attachments["record.json"]
    assert str(attached.obj.AFRelationship) == "/Data"
    assert attached.get_file().read_bytes() == done.record.text()
    assert attached.get_file().mime_type == "application/json"
    assert len(pdf.Root.AF) == 1
    assert record_text(pdf_file) == done.record.text()


def test_the_same_record_gives_the_same_bytes(done, pdf_file):
    assert drawn(done.record, Wish(), done.evidence.get) == pdf_file.read_bytes()


def test_its_pages_are_those_of_the_paper(done, pdf, tmp_path):
    # ISO 216: 210 mm × 297 mm; ANSI/ASME Y14.1: 8.5 in × 11 in; 72 points an inch.
    assert [float(x) for x in pdf.pages[0].mediabox] == pytest.approx(
        [0, 0, 595.28, 841.89], abs=0.01
    )
    path = tmp_path / "letter.pdf"
    path.write_bytes(drawn(done.record, Wish(paper="letter"), done.evidence.get))
    with pikepdf.open(path) as letter:
        assert [float(x) for x in letter.pages[0].mediabox] == [0, 0, 612, 792]


# ── its text ─────────────────────────────────────────────────────────────────────────────────


def test_the_pdf_says_what_the_record_holds(words, done):
    record = done.record
    assert record.sha256 in words
    assert record.journal.hash in words
    assert str(record.record) in words
    for each in record.instruments:
        for told in (each.name, each.serial, each.certificate):
            assert told is None or told in words
    for each in record.results:
        if each.judgement is not None:
            assert each.judgement.source in words
    for each in record.cautions:
        assert each in words
    for number, each in enumerate(record.readings, start=1):
        digits = re.escape(each.digits) if each.source.kind == "keyed" else r"[\d.]+"
        assert re.search(rf"\b{number} .{{0,40}}?{digits}", words), number
    assert words.count("KEYED by technician, again by foreman, photo P1") == 6
    assert "lead slipped" in words
    assert "Signed off by technician" in words


def test_the_verdict_is_not_a_bare_pass_where_something_is_to_be_looked_at(words):
    assert "Pass, with findings to be looked at" in words
    assert "The calibration was overdue when it was read: lcr-1." in words
    assert "licensed practice decide" in words
    assert "no safety device" in words


def test_the_page_and_the_pdf_say_the_same(page, words, done):
    sheet = make_pages(done.record, "en", done.evidence.get).sheet
    seen = " ".join(re.sub(r"<[^>]+>", " ", page.partition("<body>")[2]).split())
    seen = seen.replace("&#39;", "'").replace("&amp;", "&")
    for table in (sheet["results"], *sheet["readings"], sheet["gone"], sheet["instruments"]):
        for row in table["rows"]:
            assert " ".join(each for each in row if each) in seen
            for each in row:
                # poppler reads a cell of two lines piece by piece
                assert all(word in words for word in each.split())


@pytest.mark.parametrize("form", ["pdf", "html"])
def test_german_has_commas_its_own_days_and_no_english_of_ours(done, form, tmp_path):
    path = tmp_path / f"record.{form}"
    path.write_bytes(drawn(done.record, Wish(form, "de"), done.evidence.get))
    told = read_text(path) if form == "pdf" else path.read_text("utf-8").partition("<body>")[2]
    assert "831,2 mΩ" in told
    assert "Bestanden, mit Befunden, denen nachzugehen ist" in told
    assert "05.01.2026" in told
    assert "GETIPPT von technician" in told
    assert "befugte Fachleute" in told
    assert not re.search(r"\d\.\d+ m?[ΩHs]", told)


# ── the code ─────────────────────────────────────────────────────────────────────────────────


def test_the_code_is_read_back_off_the_printed_page(pdf_file, done, tmp_path):
    subprocess.run(
        ["pdftoppm", "-png", "-r", "150", "-f", "1", "-l", "1", pdf_file, tmp_path / "page"],
        check=True,
        timeout=30,
    )
    (picture,) = tmp_path.glob("page*.png")
    with Image.open(picture) as image:
        (found,) = zxingcpp.read_barcodes(image)
    assert found.text == code_of(done.record)
    assert str(done.record.record) in found.text
    assert done.record.sha256 in found.text


# ── plots ────────────────────────────────────────────────────────────────────────────────────


def test_each_plot_is_there_with_its_words(done):
    by_name = {each.name: each for each in plots_of(done.record, catalogue("en"))}
    assert list(by_name) == [
        "balance-resistance",
        "balance-inductance",
        "rotor",
        "insulation",
        "pulse",
    ]
    assert by_name["balance-resistance"].limits == (-2, 2)
    # 0.8312, 0.8325, 0.8307 against their mean 0.8314667 (computed)
    assert by_name["balance-resistance"].lines[0].y == pytest.approx(
        (-0.03207, 0.12428, -0.09221), abs=1e-5
    )
    assert [words for _, _, words in by_name["insulation"].marks] == [
        "60 s / 30 s = 1.31",
        "600 s / 60 s = 2.42",
    ]
    assert [line.label for line in by_name["rotor"].lines if not line.fit] == ["U-V", "V-W", "W-U"]
    # The fitted curve of the first pair goes through 62.3 mH · (1 ± 0.06), as the job was made.
    fit = next(line for line in by_name["rotor"].lines if line.fit)
    assert max(fit.y) == pytest.approx(62.3 * 1.06, rel=1e-4)


def test_an_insulation_curve_is_of_one_place(done):
    """Values of a rotor, or of one phase after another, are no curve with those of the whole."""
    text = catalogue("en")
    (whole,) = [each for each in plots_of(done.record, text) if each.name == "insulation"]
    others = tuple(
        each.model_copy(update={"point": "K+L+M-frame", "value": each.value / 100})
        for each in done.record.readings
        if each.point == "U+V+W-frame"
    )
    assert others
    both = done.record.model_copy(update={"readings": (*others, *done.record.readings)})
    (drawn_now,) = [each for each in plots_of(both, text) if each.name == "insulation"]
    assert drawn_now.lines == whole.lines
    assert drawn_now.marks == whole.marks
    assert "(U+V+W-frame)" in drawn_now.caption


def test_a_trend_is_drawn_with_what_it_says(done):
    at = done.record.time
    points = [
        TrendPoint(job=done.job, time=at - timedelta(days=365 * back), value=0.83 - 0.002 * back)
        for back in (2, 1, 0)
    ]
    trend = Trend(
        quantity="resistance",
        point="U-V",
        unit="Ohm",
        points=points,
        baseline=0.826,
        limit=0.85,
        side="upper",
        change_last_percent=0.24,
        change_baseline_percent=0.48,
        slope=TrendSlope(per_year=0.002, expanded=0.0004),
        direction="rising",
    )
    record = done.record.model_copy(update={"trends": (trend,)})
    (plot,) = trend_plots(record.trends, catalogue("de"))
    assert plot.name == "trend-1"
    assert "seit der letzten Prüfung +0,24 %, seit dem Bezug +0,48 %" in plot.caption
    assert "Steigung 2,00 ± 0,40 mΩ im Jahr" in plot.caption
    assert plot.ticks == ("06.01.2024", "05.01.2025", "05.01.2026")
    ET.fromstring(draw(plot, catalogue("de")))
    no_trend = trend.model_copy(update={"direction": "none"})
    assert words_of(no_trend, catalogue("en"))[-1] == "no trend"
    assert list(trend_plots([no_trend], catalogue("en"))) == []


# ── drafts, photos ───────────────────────────────────────────────────────────────────────────


def test_a_draft_says_so_on_every_page_and_has_no_line_to_sign(bench, tmp_path):
    bench.do_job(angles=(0,))
    draft = bench.keeper.shown(bench.job, "foreman")
    path = tmp_path / "draft.pdf"
    path.write_bytes(drawn(draft, Wish(), bench.evidence.get))
    told = read_text(path)
    with pikepdf.open(path) as pdf:
        assert told.count("Draft, not signed off") >= len(pdf.pages)
    assert "It is no certificate." in told
    assert "Signature" not in told
    assert "draft" in file_name(draft, "pdf")


def test_a_photo_that_is_gone_is_told_and_holds_nothing_up(done):
    def gone(digest):
        raise NotThereError(f"there is no photo {digest}")

    made = make_pages(done.record, "en", gone)
    assert "not in the evidence folder any more" in made.sheet["photos"][0]["caption"]
    assert drawn(done.record, Wish(), gone).startswith(b"%PDF")
    assert "not in the evidence folder" in drawn(done.record, Wish("html"), gone).decode()


def test_the_page_needs_nothing_else(page):
    assert "default-src 'none'" in page
    assert not re.search(r'(?:src|href)="(?!data:)', page)
    assert "<script" not in page
    assert page.count("data:image/jpeg;base64,") == 1


# ── hostile text ─────────────────────────────────────────────────────────────────────────────

HOSTILE = (
    '#panic("x") *bold* $x^2$ @ref <b>& \\n',
    "<script>alert(1)</script><img src=x onerror=alert(1)>",
    '=HYPERLINK("http://x.example","y")',
    "x" * 180,
    "{{ 7*7 }} {% raw %} %1 {version}",
)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_shown_as_it_is_and_nothing_else(done, text, tmp_path):
    record = done.record
    machine = record.machine.model_copy(
        update={"nameplate": record.machine.nameplate.model_copy(update={"serial": text})}
    )
    gone = record.readings[1].model_copy(update={"reason": text, "point": text})
    record = record.model_copy(
        update={
            "machine": machine,
            "readings": (record.readings[0], gone, *record.readings[2:]),
            "notes": (text,),
            "made_by": text,
        }
    )
    path = tmp_path / "hostile.pdf"
    path.write_bytes(drawn(record, Wish(), done.evidence.get))
    told = read_text(path)
    squeezed = "".join(told.split()).replace("\u200b", "")
    assert "".join(text.split()) in squeezed
    page = drawn(record, Wish("html"), done.evidence.get).decode()
    assert "<script>" not in page
    assert "onerror=alert(1)>" not in page
    rows = list(
        csv.reader(io.StringIO(drawn(record, Wish("csv"), done.evidence.get).decode("utf-8-sig")))
    )
    for row in rows:
        for cell in row:
            assert not cell.startswith(("=", "+", "@", "\t", "\r"))
            assert not cell.startswith("-") or float(cell) < 0


def noted(done, text):
    """Give the record with a note, a reason and a serial number that say this."""
    plate = done.record.machine.nameplate.model_copy(update={"serial": text})
    machine = done.record.machine.model_copy(update={"nameplate": plate})
    gone = done.record.readings[1].model_copy(update={"reason": text})
    readings = (done.record.readings[0], gone, *done.record.readings[2:])
    return done.record.model_copy(
        update={"machine": machine, "readings": readings, "notes": (text,), "made_by": text}
    )


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("hot 🔥 here", "hot [U+1F525] here"),
        ("工場", "[U+5DE5][U+5834]"),
        ("घिसा", "[U+0918][U+093F][U+0938][U+093E]"),
        ("Ω µ ° ± ≤ √ Ж Σ ß é ő ł", "Ω µ ° ± ≤ √ Ж Σ ß é ő ł"),
    ],
)
def test_a_character_that_no_font_has_keeps_no_record_from_being_drawn(done, text, told, tmp_path):
    """PDF/A has no place for it; its number is written, and the attached record has it."""
    record = noted(done, text)
    path = tmp_path / "odd.pdf"
    path.write_bytes(drawn(record, Wish(), done.evidence.get))
    assert told in read_text(path)
    assert json.loads(record_text(path))["notes"] == [text]


# ── the table, the catalogue ─────────────────────────────────────────────────────────────────


def test_the_table_has_a_line_for_each_reading_and_each_result(done):
    rows = list(
        csv.DictReader(
            io.StringIO(drawn(done.record, Wish("csv"), done.evidence.get).decode("utf-8-sig"))
        )
    )
    readings = [row for row in rows if row["what"] == "reading"]
    assert [row["id"] for row in readings] == [str(each.id) for each in done.record.readings]
    assert [float(row["value"]) for row in readings] == [
        each.value for each in done.record.readings
    ]
    assert {row["serial number"] for row in readings if row["instrument"] == "ohm-1"} == {"A 1043"}
    results = [row for row in rows if row["what"] == "result"]
    assert [float(row["value"]) for row in results] == [each.value for each in done.record.results]


def test_the_german_table_is_one_of_a_german_spreadsheet(done):
    text = drawn(done.record, Wish("csv", "de"), done.evidence.get).decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text), delimiter=";"))
    assert rows[0]["Wert"] == "0,8312"
    assert rows[0]["wie angezeigt"] == "831,2 mΩ"


def test_every_language_has_the_same_texts_with_the_same_places():
    assert languages() == ["de", "en"]
    folder = files("capture.records.texts")
    held = {
        name: tomllib.loads((folder / f"{name}.toml").read_text("utf-8")) for name in languages()
    }
    for group, texts in held["en"].items():
        if group in ("phrases", "remarks"):
            continue  # what is said in English as it stands
        assert held["de"][group].keys() == texts.keys(), group
        for name, text in texts.items():
            places = [sorted(re.findall(r"{(\w+)}", each[group][name])) for each in held.values()]
            assert places[0] == places[1], (group, name)
            assert ("|" in text) == ("|" in held["de"][group][name])
    for said, meant in (*held["de"]["phrases"].items(), *held["de"]["remarks"].items()):
        assert said.count("{}") == meant.count("{}"), said


def test_no_builtin_procedure_and_no_limit_is_left_without_german():
    text = catalogue("de")
    for each in files("capture.jobs.procedures").iterdir():
        if each.name.endswith(".toml"):
            content = tomllib.loads(each.read_text("utf-8"))
            said = [content["title"], *content.get("cautions", ())]
            for step in content.get("steps", ()):
                said += [step["title"], *step.get("cautions", ())]
            for words in said:
                assert text.say(words) != words, words
    limits = tomllib.loads((files("capture.winding") / "limits.toml").read_text("utf-8"))
    for limit in limits.values():
        assert text.say(limit["confidence"]) != limit["confidence"]


@pytest.mark.parametrize("rotor", ["in", "unknown"])
@pytest.mark.parametrize("times", [(90, 100, 91), (90, 95, 100), (100, 100, 100)])
def test_what_is_said_of_pulse_times_is_said_in_german(rotor, times):
    text = catalogue("de")
    given = dict(zip(("U-V", "V-W", "W-U"), (each * 1e-6 for each in times), strict=True))
    found = pulse_comparison(given, "unknown", "span-max", rotor)
    words = suspect(Evidence(connection="star", pulse=given, rotor=rotor)).words
    for said in (f"by pulse, {found.statement}", *found.notes, *words):
        if said != "no difference beyond natural spread":
            german = text.say(said)
            assert german != said
            assert " the " not in german


@pytest.mark.parametrize("winding", ["random", "field", "dc-armature", "concentric", "unknown"])
def test_what_is_said_of_a_kind_of_winding_is_said_in_german(winding):
    text = catalogue("de")
    for times in ([60.0], [30.0, 60.0, 600.0]):
        readings = [
            {
                "quantity": "insulation_resistance",
                "unit": "Ohm",
                "test_point": "U+V+W-frame",
                "value": 5e7,
                "elapsed": each,
            }
            for each in times
        ] + [
            {"quantity": "resistance", "unit": "Ohm", "test_point": pair, "value": 1.0}
            for pair in ("U-V", "V-W", "W-U")
        ]
        machine = {"id": "pump-3", "winding": winding, "rated_volts": 6600, "year": 2004}
        made = {
            "schema_version": 1,
            "machine": machine,
            "conditions": {"winding_celsius": 40.0},
            "readings": readings,
        }
        for note in assess(TestSet.model_validate(made)).notes:
            said = text.say(note)
            assert said != note, note
            assert not re.search(r"\b(winding|wound|armature|stands)\b", said), said


@pytest.mark.parametrize(
    ("english", "german"),
    [
        (
            (
                "fewer turns in one coil or reversed group or wrong connection or phase-to-phase: "
                "cannot tell (coil V)"
            ),
            (
                "weniger Windungen in einer Spule oder verkehrte Gruppe oder falsche Schaltung oder "
                "Schluss zwischen Strängen: nicht zu unterscheiden (Spule V)"
            ),
        ),
        (
            (
                "shorted turns is likeliest, but one bad reading fits nearly as well: cannot tell "
                "(coil U if star, V if delta)"
            ),
            (
                "Windungsschluss ist am wahrscheinlichsten, aber eine falsche Ablesung passt fast "
                "ebenso gut: nicht zu unterscheiden (Spule U bei Stern, V bei Dreieck)"
            ),
        ),
        ("high-resistance joint: W", "hochohmige Verbindung: W"),
        (
            "resistance at K-L, L-M, M-K: no limit; limits are for U-V, V-W, W-U",
            "Widerstand an K-L, L-M, M-K: kein Grenzwert; Grenzwerte gelten für U-V, V-W, W-U",
        ),
        (
            (
                "high-resistance joint is likeliest, but one bad reading fits nearly as well: cannot "
                "tell (terminal U)"
            ),
            (
                "hochohmige Verbindung ist am wahrscheinlichsten, aber eine falsche Ablesung passt "
                "fast ebenso gut: nicht zu unterscheiden (Klemme U)"
            ),
        ),
        ("high-resistance joint: terminal U", "hochohmige Verbindung: Klemme U"),
        (
            "shorted turns or high-resistance joint: cannot tell (coil V, or terminal U)",
            (
                "Windungsschluss oder hochohmige Verbindung: nicht zu unterscheiden (Spule V, oder "
                "Klemme U)"
            ),
        ),
        (
            "insulation resistance K+L+M-frame after 60 s, at 40 °C",
            "Isolationswiderstand K+L+M-Gehäuse nach 60 s, bei 40 °C",
        ),
        (
            "insulation resistance U1-frame earth V1+W1 after 60 s, at 40 °C",
            "Isolationswiderstand U1-Gehäuse, Erde an V1+W1, nach 60 s, bei 40 °C",
        ),
    ],
)
def test_what_may_be_wrong_is_said_in_german(english, german):
    assert catalogue("de").say(english) == german


def test_every_cause_that_can_be_named_has_its_german():
    text = catalogue("de")
    for cause in PRIOR:
        assert text.say(cause) != cause
        for said in (f"{cause}: U", f"{cause}: cannot tell (coil U)"):
            if cause in (BALANCED, ROTOR, TWO_FAULTS) and said.endswith(": U"):
                continue  # these are at no place
            assert cause not in text.say(said), said


def test_an_unknown_language_is_refused():
    with pytest.raises(InputError, match="there are de, en"):
        catalogue("xx")
    with pytest.raises(InputError):
        catalogue("../en")
