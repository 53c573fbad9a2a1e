"""Photos from the sides as people give them: too many, of several formats, with the card moved in between."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from driving import ROOT, choose, fits, measured, open_fold, press, settled
from PIL import Image

from given_photos import card_moved, saved

SCENE = sorted((ROOT / "demo_images" / "round_stringer").glob("*_v?.jpg"))


@pytest.fixture
def part(visitors):
    """The part for photos from the sides, of a bead whose face photo is measured."""
    page = visitors.come("desk", settings={"check_line_mm": 49.85})
    settled(page)
    choose(page, SCENE[0])
    measured(page)
    open_fold(page, "add two to four photos from the sides")
    return page.locator("details", has=page.locator("summary", has_text="Height and depth"))


def give(part, *paths: Path) -> None:
    part.locator("input[type=file]").last.set_input_files([str(path) for path in paths])


def test_of_thirty_photos_from_the_sides_as_many_as_can_be_used_are_taken_and_it_says_so(part, tmp_path):
    thirty = []
    for nth in range(30):
        side = SCENE[1 + nth % 4]
        with Image.open(side) as image:
            pixels = np.array(image)
        pixels[0, nth] = 0  # no two of them the same file
        thirty.append(saved(side, tmp_path / f"side{nth:02d}.jpg", pixels))
    give(part, *thirty)
    part.get_by_text("One bead has 8 photos from the sides at most, and 22 are left out.").wait_for()
    part.get_by_text("All sides are there.").wait_for()
    settled(part.page)  # while it is drawn anew a page shows what was there as well
    assert [part.get_by_text(f"side{nth:02d}.jpg", exact=True).count() for nth in (0, 7, 8, 29)] == [1, 1, 0, 0]
    fits(part.page, "bench-relief-thirty")
    press(part.page, "Work out height and depth")
    part.locator("img[alt*='Height map']").wait_for()


def test_a_photo_with_the_card_moved_is_named_and_the_height_of_the_others_stands(part, tmp_path):
    moved = card_moved(SCENE[2], 9.0, tmp_path / "moved.jpg")
    give(part, SCENE[1], moved, *SCENE[3:])
    settled(part.page)
    fits(part.page, "bench-relief-thirty")
    press(part.page, "Work out height and depth")
    part.locator("img[alt*='Height map']").wait_for()
    settled(part.page)
    told = part.get_by_text("about 9 mm off")
    told.wait_for()
    assert "leave it" in told.inner_text()
    assert part.get_by_text("moved.jpg", exact=True).count() == 1  # nothing of it is lost
    assert part.get_by_text("Still missing: from the right.").count() == 1
    fits(part.page, "bench-relief-moved")


def test_one_heic_with_one_png_tell_height(part, tmp_path):
    heic = Path(__file__).parents[1] / "data" / "from_the_side.heic"  # the demo scene's second photo, by pillow-heif
    give(part, heic, saved(SCENE[2], tmp_path / "right.png"))
    settled(part.page)
    fits(part.page, "bench-relief-thirty")
    press(part.page, "Work out height and depth")
    part.locator("img[alt*='Height map']").wait_for()
    settled(part.page)
    assert part.get_by_text("Left out").count() == 0
    for name in ("from_the_side.heic", "right.png"):
        assert part.get_by_text(name, exact=True).count() == 1
