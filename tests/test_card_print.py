"""Printed cards: the PDF rastered by poppler's ``pdftoppm``, measured, and read by the card finder."""

from __future__ import annotations

import shutil
import subprocess

import cv2
import numpy as np
import pytest
from pypdf import PdfReader

from toeline.errors import CardError
from toeline.geometry.card import card_spec, find_cards_in
from toeline.geometry.card_print import card_pdf, card_svg, print_card

needs_poppler = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs pdftoppm of poppler-utils")


def rastered(kind: str, paper: str, folder, dpi: int = 300) -> np.ndarray:
    print_card(kind, paper, folder / "card.pdf")
    subprocess.run(["pdftoppm", "-r", str(dpi), "-gray", folder / "card.pdf", folder / "page"], check=True)
    page = cv2.imread(str(next(folder.glob("page*.pgm"))), cv2.IMREAD_GRAYSCALE)
    # a card cut to size has no paper round it: put some white there, as the bench has
    return cv2.copyMakeBorder(page, 40, 40, 40, 40, cv2.BORDER_CONSTANT, value=255)


@needs_poppler
@pytest.mark.parametrize(("kind", "paper"), [("A", "A4"), ("B", "Letter"), ("A", "ID-1"), ("fold", "A4")])
def test_true_size_on_paper(kind, paper, tmp_path):
    px_per_mm = 300 / 25.4
    page = rastered(kind, paper, tmp_path)
    cards = find_cards_in(page)
    assert [c.which for c in cards] == (["A", "B"] if kind == "fold" else [kind])
    for card in cards:
        assert len(card.marker_ids) == 4
        a, b, _, d = card.centres_px / px_per_mm
        assert np.linalg.norm(b - a) == pytest.approx(63.60, abs=0.05)  # half a pixel at 300 dpi is 0.04 mm
        assert np.linalg.norm(d - a) == pytest.approx(31.98, abs=0.05)
        # the check line, from end tick to end tick, along its own row
        top_left = card.corners_px[0] - np.array([3.5, 3.5]) * px_per_mm
        row = page[round(top_left[1] + (27.0 + 1.1) * px_per_mm)]  # crosses the end ticks only
        dark = np.flatnonzero(row[round(top_left[0] + 15 * px_per_mm) : round(top_left[0] + 70 * px_per_mm)] < 160)
        ends = np.split(dark, np.flatnonzero(np.diff(dark) > 5) + 1)
        assert len(ends) == 2
        assert (ends[1].mean() - ends[0].mean()) / px_per_mm == pytest.approx(50.00, abs=0.06)


@needs_poppler
def test_markers_against_opencvs_generator(tmp_path):
    page = rastered("A", "ID-1", tmp_path)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    (card,) = find_cards_in(page)
    for marker_id, quad in zip(card.marker_ids, card.corners_px.reshape(-1, 4, 2), strict=True):
        theirs = cv2.aruco.generateImageMarker(family, marker_id, 8, borderBits=1) > 0
        flat = cv2.getPerspectiveTransform(quad.astype(np.float32), np.float32([[0, 0], [80, 0], [80, 80], [0, 80]]))
        ours = cv2.warpPerspective(page, flat, (80, 80))[5::10, 5::10] > 127
        assert np.array_equal(ours, theirs)


def test_page_sizes_and_repeatable_bytes():
    """ISO 216 A4, ANSI Letter and ISO/IEC 7810 ID-1, in mm."""
    for paper, size in (("A4", (210, 297)), ("Letter", (215.9, 279.4)), ("ID-1", (85.60, 53.98))):
        content = card_pdf("A", paper)
        assert content == card_pdf("A", paper)
        from io import BytesIO

        (page,) = PdfReader(BytesIO(content)).pages
        assert [float(v) * 25.4 / 72 for v in page.mediabox[2:]] == pytest.approx(size, abs=0.05)


@needs_poppler
@pytest.mark.parametrize("kind", ["A", "B"])
def test_nothing_in_the_quiet_zones(kind, tmp_path):
    """One module (1.875 mm) round each marker stays white."""
    page = rastered(kind, "A4", tmp_path)
    (card,) = find_cards_in(page)
    module = 1.875 * 300 / 25.4
    for quad in card.corners_px.reshape(-1, 4, 2):
        (left, top), (right, bottom) = np.rint(quad[0]).astype(int), np.rint(quad[2]).astype(int)
        wide, inner = int(module), 2
        ring = page[top - wide : bottom + wide, left - wide : right + wide].astype(int)
        ring[wide - inner : -wide + inner, wide - inner : -wide + inner] = 255
        assert ring.min() > 250


def test_svg_is_in_mm():
    svg = card_svg("A")
    assert f'viewBox="0 0 {card_spec().width:g} {card_spec().height:g}"' in svg
    assert 'width="85.6mm"' in svg
    with pytest.raises(CardError, match="choose A, B or fold"):
        card_svg("C")


def test_what_cannot_be_printed(tmp_path):
    with pytest.raises(CardError, match="paper A7"):
        card_pdf("A", "A7")
    with pytest.raises(CardError, match="does not fit"):
        card_pdf("fold", "ID-1")
    with pytest.raises(CardError, match=r"\.pdf or \.svg"):
        print_card("A", "A4", tmp_path / "card.png")
    with pytest.raises(CardError, match="cannot be written"):
        print_card("A", "A4", tmp_path / "nowhere" / "card.svg")
