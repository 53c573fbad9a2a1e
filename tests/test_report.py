"""Reports: the PDF is read back, nothing of a user's text is ever markup, and every figure is there."""

from __future__ import annotations

import csv
import io
import json
import re
import weakref
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser

import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import invented
from archival import assert_archival
from toeline.causes.procedure import read_procedure
from toeline.causes.welding import check_result
from toeline.datafile import text_of
from toeline.errors import ReportError
from toeline.record import Identity, NewDecision, NewTest, Store
from toeline.report import CSV_COLUMNS, csv_rows, csv_text, guard_cell, html_report, pdf_report, write_report
from toeline.report.content import report_content
from toeline.report.picture import encode
from toeline.report.weld import weld_report
from toeline.result import GaugeReading, Quantity, Result, unknown
from toeline.text import unbroken

AT = datetime(2026, 3, 14, 20, 0, tzinfo=UTC)
DECISION = NewDecision(decision="accept", by="Noor Holm", reason="Undercut gauged at 31 mm: 0.2 mm.")
#: Text that is markup, code or a path in one language or another.
HOSTILE = '#import "x.typ" $x$ _a_ *b* [c] <script>alert(1)</script> &amp; ${HOME} {{7*7}} %s \\ " \' `q` //end /* @ref'


def read(pdf: bytes) -> tuple[pypdf.PdfReader, str]:
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    return reader, " ".join(" ".join(page.extract_text() for page in reader.pages).split())


@pytest.fixture(scope="module")
def full() -> bytes:
    return pdf_report(invented.result(), invented.photo(), invented.IDENTITY, DECISION, made_at=AT)


def test_pdf_says_everything_an_auditor_asks_for(full):
    reader, text = read(full)
    assert 1 <= len(reader.pages) <= 3
    for said in (
        "UNDECIDED", "ACCEPTED", "Undercut gauged at 31 mm: 0.2 mm.", "Ada Brandt", "Noor Holm", "W-07", "WPS-EC-01",
        "2026-03-14", "ISO 5817 level C", "iso5817-2014-c", "edition 2014", "ISO 5817:2014, table 1, 1.7",
        "Continuous undercut (5011)",
        "Guarded acceptance, guard band U (k = 2), after ISO 14253-1: pass only if value + U", "8.40 0.16 mm",
        "the crests are too flat to tell",
        "Excess weld metal",
        "1.40 ± 0.20 mm", "40 mm from the start", "49.9 mm read on the card's 50 mm line", "0.9980 ± 0.0020",
        "8.000 ± 0.020 px/mm", "3.1 ± 0.6", "Arc too long", "Shorten the arc to about the core diameter, 3.2 mm.",
        "no lack of fusion", "qualified inspector", "Signature", "page 1 of", "toeline 0.1.0", "2026-03-14 20:00 UTC",
        "Uncertainty budget: Width, mean", "E7018 3.2 mm", "115 A DC+", "Cracks narrower than 0.1 mm",
    ):  # fmt: skip
        assert said in text, said
    assert invented.result().photo.sha256 in text.replace(" ", "")
    assert "ab" * 32 in text.replace(" ", "")


def test_pdf_is_archival_tagged_and_carries_its_data(full):
    assert_archival(full, part=3)
    reader, _ = read(full)
    assert reader.metadata.title == "Weld face report · UNDECIDED"
    (attached,) = reader.attachments["result.json"]
    assert Result.model_validate_json(attached) == invented.result()
    fonts = {font.get_object()["/BaseFont"] for page in reader.pages for font in page["/Resources"]["/Font"].values()}
    assert any("Libertinus" in font for font in fonts)


def test_same_input_gives_the_same_bytes(full):
    again = pdf_report(invented.result(), invented.photo(), invented.IDENTITY, DECISION, made_at=AT)
    assert again == full


def test_letter_and_inch():
    reader, text = read(pdf_report(invented.result(), invented.photo(), paper="us-letter", unit="in"))
    assert [float(v) for v in reader.pages[0].mediabox[2:]] == pytest.approx([612, 792], abs=0.1)
    assert "0.331 0.006 in" in text  # 8.40 ± 0.16 mm


def test_without_identity_or_criteria_or_bead():
    result = invented.result().model_copy(update={"judgement": None, "causes": ()})
    _, text = read(pdf_report(result, invented.photo()))
    assert "NOT JUDGED" in text
    assert "Welder" not in text
    blind = result.bead.model_copy(
        update={"found": False, "why": "Only a bare plate is seen.", "left_toe_px": (), "right_toe_px": ()}
    )
    lost = result.model_copy(update={"bead": blind, "measures": {}, "indications": ()})
    _, text = read(pdf_report(lost, invented.photo()))
    assert "NOT MEASURED" in text
    assert "Only a bare plate is seen." in text
    _, text = read(pdf_report(lost, None))
    assert "NOT MEASURED" in text


def test_fillet_shows_its_cross_section():
    result = invented.result()
    legs = {
        "leg_base": Quantity(value=6.1, U=0.3),
        "leg_upright": Quantity(value=5.2, U=0.3),
        "throat": Quantity(value=3.96, U=0.2),
        "joint_angle": Quantity(value=95.0, U=1.0, unit="deg"),
    }
    result = result.model_copy(update={"measures": result.measures | legs})
    pdf = pdf_report(result, invented.photo())
    assert_archival(pdf, part=3)
    _, text = read(pdf)
    assert "Cross-section, to scale" in text
    assert "6.1 ± 0.3 mm" in text
    assert "z₁ leg on the base plate" in text  # the words in the drawing are text too
    page = parse(html_report(result, None))
    (drawing,) = (attributes for tag, attributes in page.tags if tag == "svg")
    assert "5.20 ± 0.30 mm" in drawing["aria-label"] or "5.2 ± 0.3 mm" in drawing["aria-label"]


def test_on_record_brings_identity_decision_and_chain(tmp_path):
    with Store.open(tmp_path / "record.sqlite") as store:
        saved = store.save_inspection(
            invented.result(), invented.photo_bytes(), invented.IDENTITY, remarks="Preheated.", decision=DECISION
        )
        _, text = read(pdf_report(saved.result, invented.photo(), inspection=store.get(saved.id)))
        assert saved.digest in text.replace(" ", "")
        assert "Preheated." in text
        assert "ACCEPTED by Noor Holm on" in text
        new = store.supersede(saved.id, invented.result(), invented.photo_bytes(), Identity(), why="wrong part")
        _, text = read(pdf_report(saved.result, None, inspection=store.get(saved.id)))
        assert text.count(f"SUPERSEDED by entry {new.number}: this report no longer holds.") > 1  # on every page
        page = html_report(saved.result, None, inspection=store.get(saved.id))
        assert f"SUPERSEDED by entry {new.number}" in page
        _, text = read(pdf_report(new.result, None, inspection=store.get(new.id)))
        assert f"entry {saved.number}: wrong part" in text
        assert f"Entry {saved.number} was accepted on" in text
        assert "that decision is not carried over" in text
        store.erase_person("Ada Brandt")
        _, text = read(pdf_report(saved.result, None, inspection=store.get(saved.id)))
        assert "erased on request" in text
        assert "Brandt" not in text


def test_text_is_never_markup_in_the_pdf():
    identity = Identity(job=HOSTILE, welder="= Heading", part="- list", weld="/ term: x")
    _, text = read(pdf_report(invented.result(), None, identity, DECISION))
    flat = text.replace("’", "'").replace(" ", "")
    assert HOSTILE.replace(" ", "") in flat
    assert "=Heading" in flat


def test_letters_that_no_font_has_are_spelled_out():
    identity = Identity(welder="Ångström Łukasz Ελένη Жанна", job="\U0001f600 ok \U000e0fff")
    _, text = read(pdf_report(invented.result(), None, identity))
    assert "Ångström Łukasz Ελένη Жанна" in text
    assert "ok" in text


def test_written_whole_or_not_at_all(tmp_path):
    write_report(invented.result(), invented.photo(), tmp_path / "report.pdf", invented.IDENTITY)
    assert read((tmp_path / "report.pdf").read_bytes())[0].pages
    assert [path.name for path in tmp_path.iterdir()] == ["report.pdf"]
    with pytest.raises(ReportError, match="cannot be written"):
        write_report(invented.result(), None, tmp_path / "no" / "report.pdf")
    with pytest.raises(ReportError, match="JPEG or PNG"):
        write_report(invented.result(), b"GIF89a", tmp_path / "other.pdf")


def test_picture_may_be_drawn_already(full):
    ready = encode(invented.photo().image, "png")
    reader, _ = read(pdf_report(invented.result(), ready))
    assert len(reader.pages[0].images) == 1


# -- HTML ------------------------------------------------------------------------------------------------------


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict]] = []
        self.words: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.words.append(data)


def parse(page: str) -> _Tags:
    parser = _Tags()
    parser.feed(page)
    return parser


def test_html_is_one_self_contained_page():
    page = html_report(invented.result(), invented.photo(), invented.IDENTITY, DECISION, made_at=AT)
    parsed = parse(page)
    tags = {tag for tag, _ in parsed.tags}
    assert "script" not in tags
    assert not re.search(r"https?:|//|@import|url\(", re.sub(r"base64,[^\"]+", "", page))
    (image,) = (attributes for tag, attributes in parsed.tags if tag == "img")
    assert image["src"].startswith("data:image/jpeg;base64,")
    assert image["alt"]
    text = " ".join(" ".join(parsed.words).split())
    for said in ("UNDECIDED", "ACCEPTED", "Ada Brandt", "Continuous undercut (5011)", "8.40", "1.40 ± 0.20 mm"):
        assert said in text


def test_html_says_apart_what_was_not_measured_so_that_columns_stay_narrow():
    long = "the end of the bead was not seen well enough in the photos"
    made = invented.result()
    made = made.model_copy(update={"measures": made.measures | {"crater_depth": unknown(long)}})
    page = html_report(made, None)
    assert f"Crater, depth ({long})" in re.findall("<p>Not measured: (.*)</p>", page)[0]
    assert not re.search(f"<td[^>]*>{long}", page)


TEXT = st.text(max_size=60) | st.sampled_from([HOSTILE, "<b>", '"><img src=x onerror=y>', "$outcome", "&lt;"])


@settings(max_examples=40, deadline=None)
@given(TEXT)
def test_text_is_never_markup_in_html(text):
    clean = parse(html_report(invented.result(), None, Identity(job="x"), made_at=AT))
    result = invented.result()
    named = result.photo.model_copy(update={"camera": text})
    dirty = parse(html_report(result.model_copy(update={"photo": named}), None, Identity(job=text or "x"), made_at=AT))
    assert [tag for tag, _ in dirty.tags] == [tag for tag, _ in clean.tags]


# -- CSV and JSON ----------------------------------------------------------------------------------------------


def test_csv_holds_every_measure_indication_and_line():
    result = invented.result()
    rows = csv_rows(result, invented.IDENTITY)
    back = list(csv.DictReader(io.StringIO(csv_text(rows))))
    assert tuple(back[0]) == CSV_COLUMNS
    kinds = [row["kind"] for row in back]
    assert kinds.count("measure") == len(result.measures)
    assert kinds.count("indication") == len(result.indications)
    assert kinds.count("line") == len(result.judgement.lines)
    width = next(row for row in back if row["name"] == "width_mean")
    assert (float(width["value"]), float(width["U"]), width["unit"], width["welder"]) == (8.4, 0.16, "mm", "Ada Brandt")
    flat = next(row for row in back if row["name"] == "ripple_sharpness")
    assert (flat["value"], flat["why"]) == ("", "the crests are too flat to tell")


@given(
    st.text(max_size=30)
    | st.text(";\t\n\r =+-@x ＝", max_size=12)
    | st.sampled_from(["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", " =1", "＝1", "x;=1", "x\t@1"])
)
def test_no_cell_can_be_a_formula(text):
    """The characters are those of OWASP's page on CSV injection, with their full-width forms."""
    cell = guard_cell(text)
    assert not cell.startswith(("\t", "\r", "\n"))
    for part in re.split(r"[;\t\r\n]", cell):  # where another language's spreadsheet would start a new cell
        assert not part.lstrip().startswith(("=", "+", "-", "@", "＝", "＋", "－", "＠"))
    assert cell.replace("'", "") == text.replace("'", "")


def test_negative_numbers_stay_numbers():
    result = invented.result()
    measures = {"width_mean": Quantity(value=-0.5, U=0.1)}
    (row, *_) = csv_rows(result.model_copy(update={"measures": measures}))
    assert row["value"] == "-0.5"
    assert csv_rows(result, Identity(job="=HYPERLINK(1)"))[0]["job"] == "'=HYPERLINK(1)"


def test_json_is_the_contract():
    data = json.loads(invented.result().to_json())
    assert data["schema"] == "toeline.result/1"
    assert data["indications"][0]["from"] == 25.0


def test_the_weld_and_its_job_stand_on_every_page(full):
    reader, _ = read(full)
    for page in reader.pages:
        assert "Weld W-07, job Evening class 12" in " ".join(page.extract_text().split())


def test_statements_and_readings_are_said_in_words_a_third_reader_understands():
    readings = (
        GaugeReading(name="undercut_depth", value=0.4, U=0.2, at=37.0, by="A. Boon"),
        GaugeReading(name="cracks", value=0, unit="1", U=0, by="A. Boon"),
        GaugeReading(name="pores", value=2, unit="1", U=0, by="A. Boon"),
        GaugeReading(name="spatter_accepted", value=1, unit="1", U=0, by="A. Boon"),
        GaugeReading(name="visible_faults", value=0, unit="1", U=0, by="A. Boon"),
    )
    result = invented.result()
    result = result.model_copy(update={"settings": result.settings.model_copy(update={"gauge": readings})})
    said = {(what, value, where) for what, value, where, _ in report_content(result).gauge}
    assert ("Depth of undercut below the plate, at its deepest", "0.40 ± 0.20 mm", "37 mm from the start") in said
    assert ("Cracks other than in the crater", "none seen", "whole weld") in said
    assert ("Surface pores", "2 counted", "whole weld") in said
    assert ("May the spatter that is left stay in this application?", "yes", "whole weld") in said
    (look,) = (what for what, value, _ in said if what.startswith("A look"))
    assert "cracks in the crater" in look
    assert not re.search(r"[a-z]_[a-z]", "".join(what + value for what, value, _ in said))


@pytest.mark.parametrize(
    "text", ["0.40 ± 0.20 mm at 37 mm", "h ≤ 2 mm over 25 mm", "(1/4 in)", "140 A, 96 % and 250 °C", "133 mm/min"]
)
def test_no_figure_is_broken_over_lines(text):
    held = unbroken(text)
    assert held.replace("\u00a0", " ") == text
    assert not re.search(r"\d [±≤≥%°mAi]|± |[≤≥] ", held.replace(" at", "").replace(" over", ""))


def test_settings_outside_the_procedure_and_failed_tests_stand_beside_the_outcome(tmp_path):
    procedure = read_procedure(text_of("procedures/example.toml"))
    plain = invented.result()
    welding = plain.settings.welding.model_copy(update={"current_a": 150.0, "weld_pass": "cap"})
    settings = plain.settings.model_copy(update={"welding": welding, "procedure": procedure})
    result = plain.model_copy(update={"settings": settings})
    result = result.model_copy(update={"procedure": check_result(result).procedure})
    with Store.open(tmp_path / "record.sqlite") as store:
        saved = store.save_inspection(result, invented.photo_bytes(), invented.IDENTITY)
        store.add_test(saved.id, NewTest(kind="macro", outcome="fail", date="2026-04-02", found="No root fusion"))
        inspection = store.get(saved.id)
        _, text = read(pdf_report(result, None, inspection=inspection))
        assert "A later test did not pass: macro section of 2026-04-02, no root fusion." in text
        assert "Welded outside the procedure WPS-EC-01: current 150 A." in text
        assert "Welding procedure WPS-EC-01, revision 1, cap pass" in text
        assert "Current 110 to 140 A 150 A OUTSIDE" in text
        page = html_report(result, None, inspection=inspection)
        assert "A later test did not pass" in page
        assert "OUTSIDE" in page


def test_a_weld_is_reported_with_its_passes_and_tests(tmp_path):
    with Store.open(tmp_path / "record.sqlite") as store:
        root = store.save_inspection(
            invented.result(), invented.photo_bytes(), invented.IDENTITY.model_copy(update={"weld_pass": "root"})
        )
        cap = store.save_inspection(
            invented.result(1), invented.photo_bytes(1), invented.IDENTITY.model_copy(update={"weld_pass": "cap"})
        )
        store.add_test(root.id, NewTest(kind="root_bend", outcome="pass", standard="ISO 5173"))
        weld = store.weld(cap.id)
        held = [(store.get(one.id), invented.photo()) for one in weld.holding]
    pdf = weld_report(weld, held, made_at=AT)
    assert_archival(pdf, part=3)
    reader, text = read(pdf)
    assert text.count("Weld face report") == 2
    assert "Root bend test ✓ pass By ISO 5173." in text
    assert "1 Root pass" in text
    assert "2 Cap pass" in text
    assert sorted(reader.attachments) == ["result-1.json", "result-2.json"]
    first, *_ = reader.pages
    assert "No outcome is given for the weld as a whole" in " ".join(first.extract_text().split())
    with pytest.raises(ReportError):
        weld_report(weld, [])


def test_a_report_of_many_passes_holds_few_photos_at_once(tmp_path):
    """Twelve passes at 48 megapixels would fill 1.7 GB."""
    alive: list[weakref.ref] = []

    def photos(inspection):
        for _ in range(5):
            photo = replace(invented.photo(), image=invented.photo().image.copy())
            alive.append(weakref.ref(photo.image))
            assert sum(one() is not None for one in alive) <= 2
            yield inspection, photo

    with Store.open(tmp_path / "record.sqlite") as store:
        saved = store.save_inspection(invented.result(), invented.photo_bytes(), invented.IDENTITY)
        pdf = weld_report(store.weld(saved.id), photos(saved), made_at=AT)
    assert read(pdf)[1].count("Weld face report") == 5
