"""Rubrics, scores, rosters and class lists."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime

import cv2
import numpy as np
import openpyxl
import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from archival import assert_archival
from invented import photo_bytes
from toeline.batch import Measured
from toeline.causes import rank_causes
from toeline.coupons.coupons import photos_in, score_class, to_csv, to_xlsx
from toeline.coupons.roster import coupon_code, coupon_of, name_from_file, read_roster, tag_picture
from toeline.coupons.rubric import load_rubric, read_rubric, rubric_text, shipped_rubrics
from toeline.coupons.score import score
from toeline.coupons.sheets import coupon_sheets, tag_sheets
from toeline.errors import RubricError
from toeline.problems import problem
from toeline.result import (
    Bead,
    GaugeReading,
    Indication,
    PhotoInfo,
    Quantity,
    Result,
    Scale,
    Settings,
    Welding,
    unknown,
)

GOOD = {
    "length": Quantity(value=120.0, U=0.6),
    "width_mean": Quantity(value=8.0, U=0.1),
    "width_sd": Quantity(value=0.2, U=0.02),
    "width_variation": Quantity(value=0.025, U=0.003, unit="1"),
    "left_straightness": Quantity(value=0.2, U=0.05),
    "right_straightness": Quantity(value=0.25, U=0.05),
    "ripple_pitch": Quantity(value=1.5, U=0.05),
    "ripple_variation": Quantity(value=0.1, U=0.02, unit="1"),
    "undercut_length_total": Quantity(value=0.0, U=0.0),
    "spatter_per_100mm": Quantity(value=1.0, U=0.0, unit="1"),
}


def result(*, indications=(), problems=(), electrode=3.2, **changes) -> Result:
    return Result(
        photo=PhotoInfo(name="a.jpg", sha256="0" * 64, width_px=800, height_px=600, usable=True, problems=problems),
        scale=Scale(state="card", cards=("A",)),
        bead=Bead(found=True, confidence=0.9),
        measures={**GOOD, **changes},
        indications=indications,
        settings=Settings(welding=Welding(electrode_mm=electrode)),
    )


FIRST = load_rubric("first-beads")


def test_a_good_bead_earns_every_point():
    scored = score(result(), FIRST)
    assert scored.outcome == "pass"
    assert scored.points == pytest.approx(100.0)
    assert scored.to_practise == ()


def test_points_fall_along_the_curve():
    # by hand: 0.105 lies half way between (0.06, 0.7) and (0.15, 0.0), so 0.35 of 25 points
    scored = score(result(width_variation=Quantity(value=0.105, U=0.009, unit="1")), FIRST)
    line = next(item for item in scored.items if item.id == "even_width")
    assert line.points == pytest.approx(0.35 * 25)
    assert line.U == pytest.approx(0.009 / 0.09 * 0.7 * 25)  # noqa: SIM300
    assert scored.to_practise[0].id == "even_width"


def test_a_ratio_carries_both_uncertainties():
    # by hand: 6 mm in 120 mm is 0.05; U² = (1.2/120)² + (0.05 * 2.4/120)²
    scored = score(result(undercut_length_total=Quantity(value=6.0, U=1.2), length=Quantity(value=120.0, U=2.4)), FIRST)
    line = next(item for item in scored.items if item.id == "undercut")
    assert line.value.value == pytest.approx(0.05)
    assert line.value.U == pytest.approx((0.01**2 + 0.001**2) ** 0.5)  # noqa: SIM300


@pytest.mark.parametrize(
    "bead",
    [
        result(
            width_variation=unknown("the bead is too short", "1"),
            ripple_variation=unknown("the bead is too short", "1"),
            spatter_per_100mm=unknown("the bead is too short", "1"),
        ),
        result(problems=(problem("blur_strong"),)),
        result().model_copy(update={"bead": Bead(found=False, why="No bead.")}),
        result().model_copy(
            update={"photo": PhotoInfo(name="a", sha256="0" * 64, width_px=1, height_px=1, usable=False)}
        ),
    ],
    ids=["little known", "blurred", "no bead", "unusable"],
)
def test_missing_evidence_never_passes_and_has_no_points(bead):
    scored = score(bead, FIRST)
    assert scored.outcome == "undecided"
    assert scored.points is None
    assert scored.reasons[0]


def said(bead: Result, *gauge: GaugeReading) -> Result:
    return bead.model_copy(update={"settings": bead.settings.model_copy(update={"gauge": gauge})})


def coached(bead: Result) -> Result:
    found = rank_causes(bead)
    return bead.model_copy(update={"causes": found.causes, "causes_why": found.causes_why, "coaching": found.coaching})


def test_an_outright_fail_beats_full_points():
    crack = Indication(kind="crater_crack", confidence=0.8)
    scored = score(said(result(indications=(crack,)), GaugeReading(name="crater_cracks", value=1, unit="1")), FIRST)
    assert (scored.outcome, scored.points) == ("fail", pytest.approx(100.0))
    assert "Crack" in scored.reasons[0]


def test_what_only_the_photo_seems_to_show_sends_a_person_to_look():
    crack = Indication(kind="crater_crack", confidence=0.8)
    scored = score(result(indications=(crack,)), FIRST)
    assert scored.outcome == "undecided"
    assert "look whether it is there" in scored.reasons[0]
    looked = said(result(indications=(crack,)), GaugeReading(name="crater_cracks", value=0, unit="1"))
    assert score(looked, FIRST).outcome == "pass"


def test_overlap_and_restart_have_a_line_and_count_once_stated():
    rolled = Indication(kind="overlap", side="left", confidence=0.9)
    by_id = {item.id: item for item in score(result(indications=(rolled,)), FIRST).items}
    # by hand: the photo's one may be none, so the points lie anywhere between none lost and 3 of 5
    assert by_id["overlap"].points == pytest.approx(2.0)
    assert by_id["overlap"].U == pytest.approx(3.0)  # noqa: SIM300
    assert by_id["restart"].points == pytest.approx(5.0)
    stated = said(result(), GaugeReading(name="restarts", value=1, unit="1", at=40.0))
    line = next(item for item in score(coached(stated), FIRST).items if item.id == "restart")
    assert (line.points, line.U) == (pytest.approx(1.0), 0.0)
    assert line.coaching.startswith("Chip and brush the old crater at 40 mm")


def test_what_to_practise_follows_the_coach():
    """A narrow bead with long ripples is fast: slow down, whatever else lost points; nothing on the sheet speeds up."""
    fast = coached(
        result(
            width_mean=Quantity(value=5.0, U=0.1),
            ripple_pitch=Quantity(value=2.2, U=0.05),
            ripple_sharpness=Quantity(value=1.6, U=0.1, unit="1"),
            undercut_length_total=Quantity(value=12.0, U=2.0),
        )
    )
    assert fast.causes[0].cause == "travel_too_fast"
    items = {item.id: item.coaching for item in score(fast, FIRST).items}
    assert items["width_for_electrode"].startswith("Slow down")
    assert "ower the current" not in items["undercut"]
    assert "Speed up" not in " ".join(items.values())


def test_a_rubric_may_have_words_of_its_own_but_not_both():
    text = rubric_text("first-beads").replace('practise = "uneven_width"', 'coaching = "Breathe."', 1)
    wobbly = result(width_variation=Quantity(value=0.12, U=0.01, unit="1"))
    assert score(wobbly, read_rubric(text)).to_practise[0].coaching == "Breathe."
    with pytest.raises(RubricError, match="either practise"):
        read_rubric(text.replace('coaching = "Breathe."', 'coaching = "Breathe."\npractise = "spatter"', 1))
    with pytest.raises(RubricError, match="no topic 'width'"):
        read_rubric(rubric_text("first-beads").replace('"uneven_width"', '"width"', 1))


def test_a_doubtful_indication_does_not_fail():
    assert score(result(indications=(Indication(kind="crater_crack", confidence=0.3),)), FIRST).outcome == "pass"


def test_close_to_the_pass_mark_stays_undecided():
    near = result(
        width_variation=Quantity(value=0.15, U=0.05, unit="1"),
        undercut_length_total=Quantity(value=3.0, U=3.0),
    )
    scored = score(near, FIRST)
    assert abs(scored.points - 70.0) < scored.U
    assert scored.outcome == "undecided"


def test_reference_bead_scores_full_against_itself_and_less_when_wider():
    rubric = load_rubric("like-the-reference")
    assert score(result(), rubric, reference=result()).points == pytest.approx(100.0)
    # by hand: 1.9 mm wider lies half way from (0.8, 1) to (3.0, 0)
    wide = score(result(width_mean=Quantity(value=9.9, U=0.1)), rubric, reference=result())
    assert wide.items[0].points == pytest.approx(15.0)
    with pytest.raises(RubricError, match="reference"):
        score(result(), rubric)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.0, 0.3), st.floats(0.0, 0.3), st.floats(0.0, 0.05))
def test_a_worse_hand_never_earns_more_and_points_stay_in_range(one, two, spread):
    low, high = sorted((one, two))
    better, worse = (score(result(width_variation=Quantity(value=v, U=spread, unit="1")), FIRST) for v in (low, high))
    assert 0.0 <= worse.points <= better.points <= FIRST.points


def test_shipped_rubrics_load_and_name_a_source_for_every_line():
    assert shipped_rubrics() == ("first-beads", "like-the-reference")
    for name in shipped_rubrics():
        rubric = load_rubric(name)
        assert rubric.points == pytest.approx(100.0)
        assert all(line.source and line.why for line in (*rubric.item, *rubric.fails))


@pytest.mark.parametrize(
    ("change", "with_", "line_holds", "says"),
    [
        ('measure = "width_variation"', 'measure = "wdth"', 'measure = "wdth"', "no measure"),
        ("curve = [[0.03, 1.0], [0.06, 0.7]", "curve = [[0.06, 1.0], [0.03, 0.7]", "curve = [[0.06", "ascend"),
        ("weight = 25", "weight = -1", "weight = -1", "greater than 0"),
        ('id = "spatter"', 'id = "undercut"', None, "twice"),
        ('indication = "pore"', 'indication = "pores"', 'indication = "pores"', "Input should be"),
    ],
)
def test_a_wrong_rubric_names_its_line(change, with_, line_holds, says):
    text = rubric_text("first-beads").replace(change, with_, 1)
    with pytest.raises(RubricError, match=says) as caught:
        read_rubric(text, "mine.toml")
    if line_holds:
        line = 1 + next(i for i, found in enumerate(text.splitlines()) if found.startswith(line_holds))
        assert f"mine.toml, line {line}:" in str(caught.value)


def test_broken_toml_and_unknown_rubric_are_one_sentence():
    with pytest.raises(RubricError, match="line 2"):
        read_rubric("a = 1\nb = = 2")
    with pytest.raises(RubricError, match="first-beads"):
        load_rubric("no-such-rubric")


def test_roster_names_by_file_and_by_code():
    roster = read_roster("name;file;code\r\nAda Brink;IMG_1.jpg;\r\nBo Lund;;12\r\n".encode("utf-8-sig"))
    assert roster.name_for("folder/img_1.JPG") == "Ada Brink"
    assert roster.name_for("IMG_9.jpg", 12) == "Bo Lund"
    assert roster.name_for("IMG_1.jpg", 99) == "Ada Brink"  # a tag that the roster does not know
    assert roster.name_for("cara_lind_2.jpg") == "cara lind 2"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("file,code\na.jpg,9\n", "line 1"),
        ("name,code\nAda,7\n", "line 2.*from 8 to 586"),
        ("name,code\nAda,9\nBo,9\n", "line 3.*already belongs to Ada"),
        ("name,file\n,a.jpg\n", "line 2: the name is missing"),
        ("name,file\n", "no names"),
        ('name,file\n"Ada,a.jpg\n', "line"),
    ],
)
def test_a_wrong_roster_names_its_line(text, says):
    with pytest.raises(RubricError, match=says):
        read_roster(text.encode())


def test_a_roster_that_is_not_text_is_refused():
    with pytest.raises(RubricError, match="UTF-8"):
        read_roster(b"\xff\xd8\xff\xe0")


def test_names_from_files():
    assert name_from_file("x/ada__brink-02.HEIC") == "ada brink-02"
    assert [coupon_of(n) for n in ("ada brink-02", "ada (3)", "7")] == ["ada brink", "ada", "7"]


def test_a_tag_in_the_photo_is_read_and_the_cards_markers_are_not_codes():
    image = np.full((900, 1200, 3), 200, np.uint8)
    for code, x in ((0, 100), (42, 700)):
        image[300:500, x : x + 200] = tag_picture(code, 200)[..., None]
    assert coupon_code(image) == 42
    turned = cv2.warpAffine(image, cv2.getRotationMatrix2D((600, 450), 25, 0.7), (1200, 900), borderValue=(200,) * 3)
    assert coupon_code(turned) == 42
    image[300:500, 700:900] = 200
    assert coupon_code(image) is None


def test_a_class_keeps_going_past_a_broken_photo_and_lists_it():
    scores = score_class([Measured("b.jpg", result()), Measured("a.jpg", problem="a.jpg is not a photo.")], FIRST)
    assert [coupon.photo for coupon in scores.coupons] == ["a.jpg", "b.jpg"]
    assert [coupon.problem for coupon in scores.problems] == ["a.jpg is not a photo."]
    assert scores.median_points == pytest.approx(100.0)
    assert (scores.count("pass"), scores.count("undecided")) == (1, 1)
    bars = scores.distribution()
    assert sum(bar.count for bar in bars) == 1
    assert bars[-1].count == 1


def test_class_list_cells_are_never_formulas():
    roster = read_roster(b'name,file\n"=HYPERLINK(""http://x"")",b.jpg\n+1 Ada,a.jpg\n')
    scores = score_class([Measured("b.jpg", result()), Measured("a.jpg", result())], FIRST, roster=roster)
    rows = list(csv.reader(io.StringIO(to_csv(scores).decode("utf-8-sig"))))
    assert [row[0] for row in rows[1:]] == ["'+1 Ada", '\'=HYPERLINK("http://x")']
    sheet = openpyxl.load_workbook(io.BytesIO(to_xlsx(scores)))["Coupons"]
    assert [cell.data_type for row in sheet.iter_rows() for cell in row].count("f") == 0
    assert sheet["D2"].value == pytest.approx(100.0)


def test_an_empty_folder_is_one_sentence(tmp_path):
    with pytest.raises(RubricError, match="no photos"):
        photos_in(tmp_path)
    with pytest.raises(RubricError, match="no folder"):
        photos_in(tmp_path / "gone")


def test_coupon_sheets_carry_every_coupon_and_no_markup_from_names():
    roster = read_roster(b"name,file\n#pagebreak() *Ada* $x$,a.jpg\n")
    scores = score_class(
        [Measured("a.jpg", result()), Measured("b.jpg", problem="b.jpg is not a photo.")], FIRST, roster=roster
    )
    sheets = coupon_sheets(scores, {"a.jpg": photo_bytes()}, made_at=datetime(2026, 3, 1, tzinfo=UTC))
    assert_archival(sheets, part=2)
    pdf = pypdf.PdfReader(io.BytesIO(sheets))
    text = [page.extract_text() for page in pdf.pages]
    assert len(text) == 3
    assert "#pagebreak() *Ada* $x$" in text[0]
    assert "100 ± 0" in text[1]
    assert "b.jpg is not a photo." in text[2]


def test_a_sheet_says_what_comes_first_and_the_cautions_and_nothing_of_a_photo_that_is_stopped():
    short = coached(
        result(electrode=3.2).model_copy(
            update={"settings": Settings(welding=Welding(electrode_mm=3.2, electrode_class="E7018", current_a=95))}
        )
    )
    stopped = coached(
        result().model_copy(
            update={"photo": PhotoInfo(name="b", sha256="0" * 64, width_px=1, height_px=1, usable=False)}
        )
    )
    pdf = pypdf.PdfReader(
        io.BytesIO(coupon_sheets(score_class([Measured("a.jpg", short), Measured("b.jpg", stopped)], FIRST), {}))
    )
    first, second = (" ".join(page.extract_text().split()) for page in pdf.pages[1:3])
    assert "Put right first Raise the current from 95 to 110 A" in first
    for words in ("one bead is one sample", "safety glasses", "gloves", "Shade 10"):
        assert words in first
    assert "Take the photo again" in second
    for words in ("What went well", "Next drill", "Change one thing"):
        assert words not in second


def test_names_with_control_characters_fit_a_workbook_and_letters_of_every_alphabet_fit_a_sheet():
    roster = read_roster("name,file\nA\x07da\x1b[31m,a.jpg\nЖанна 王芳 \U0001f600,b.jpg\n".encode())
    scores = score_class([Measured("a.jpg", result()), Measured("b.jpg", result())], FIRST, roster=roster)
    sheet = openpyxl.load_workbook(io.BytesIO(to_xlsx(scores)))["Coupons"]
    assert [sheet["A2"].value, sheet["A3"].value] == ["A da [31m", "Жанна 王芳 \U0001f600"]
    text = pypdf.PdfReader(io.BytesIO(coupon_sheets(scores, {}))).pages[2].extract_text()
    assert "Жанна" in text
    assert_archival(tag_sheets(read_roster("name,code\n王芳 \U0001f600,9\n".encode())), part=2)


def test_height_scores_where_photos_from_the_sides_told_it():
    """The lines that the shipped rubric holds ready: 2 mm on 8 mm is a good height, 4 mm on 8 mm is not."""
    lines = rubric_text("first-beads").splitlines()
    start = lines.index("# [[item]]")
    end = next(k for k in range(start, len(lines)) if not lines[k].startswith("#"))
    ready = [line.removeprefix("# ") for line in lines[start:end]]
    rubric = read_rubric("\n".join([*lines[:start], *ready, *lines[end:]]))

    def height(**told: Quantity):
        scored = score(result(**told), rubric)
        return next(item for item in scored.items if item.id == "height")

    assert height(height_max=Quantity(value=2.0, U=0.2)).points == 10.0
    high = height(height_max=Quantity(value=4.0, U=0.2))
    assert high.points == pytest.approx(10 * (0.55 - 0.5) / (0.55 - 0.3))
    assert "high" in rubric.item[-1].topic(0.5)
    alone = height()
    assert alone.points is None
    assert alone.why == "it takes photos from the sides of the bead"
