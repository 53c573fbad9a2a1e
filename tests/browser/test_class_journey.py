"""The instructor's journey: twelve coupons from a roster to sheets, the record, and what comes after."""

from __future__ import annotations

import io
import re

import openpyxl
import pypdf
import pytest
from driving import choose, fill_in, fits, handed_over, open_fold, press, set_choice, settled, tick

from toeline.coupons.rubric import rubric_text
from toeline.record import Store

ABSENT = "Mo Late"


def roster_of(class_photos, family="Berg") -> dict:
    rows = "".join(f"{path.stem.title()} {family},{path.name}\n" for path in class_photos)
    return {"name": "class.csv", "mimeType": "text/csv", "buffer": f"name,file\n{rows}{ABSENT},mo.jpg\n".encode()}


@pytest.mark.parametrize(("size", "family"), [("phone", "Berg"), ("desk", "Vik")])
def test_twelve_coupons_from_roster_to_sheets(visitors, server, class_photos, size, family):
    page = visitors.come(size, "coupons", settings={})
    page.get_by_role("heading", name="Coupons").wait_for()
    settled(page)
    fits(page, f"class-start-{size}")
    open_fold(page, "Names")
    page.locator("input[type=file][accept*='csv']").set_input_files([roster_of(class_photos, family)])
    page.get_by_text("13 names, from class.csv.").wait_for()
    choose(page, *class_photos)
    page.get_by_text(re.compile("Measured .* of 12, about .* seconds left")).wait_for()
    page.get_by_role("heading", name="One coupon").wait_for()
    settled(page)

    # points at the first go, though nobody said the rods' size; who is missing is said
    rows = page.locator(".tl-table", has=page.locator("img")).locator("tbody tr")
    assert rows.count() == 12
    assert rows.filter(has_text=re.compile(r"\d+ ± \d+")).count() == 11
    missing = page.locator("details", has=page.locator("summary", has_text="2 to look after"))
    missing.get_by_text(ABSENT).wait_for()
    missing.get_by_text("eli.jpg is damaged").wait_for()

    set_choice(page, "Core diameter of the rods", "3.2")
    page.locator("summary", has_text="How the class welded: rod 3.2 mm").wait_for()
    open_fold(page, "Rubric")
    field = page.get_by_label("Pass mark, percent of all points")
    field.fill("60")
    field.press("Enter")
    page.get_by_text(re.compile(r"100 points, pass mark 60 \(60%\)")).wait_for()
    settled(page)
    fits(page, f"class-rubric-{size}")

    set_choice(page, "Coupon", f"Bo {family}")  # whose score a look makes surest
    fill_in(page, "Who looked and gauged", "N. Holm")
    tick(page, "No", page.get_by_role("radiogroup").filter(has_text="Not looked").last)
    press(page, "Record what I saw")
    page.get_by_role("button", name=re.compile("Remove: .*none")).wait_for()
    settled(page)

    page.reload()  # the call that comes in between
    page.get_by_role("heading", name="One coupon").wait_for()
    settled(page)
    set_choice(page, "Coupon", f"Bo {family}")
    page.get_by_role("button", name=re.compile("Remove: .*none")).wait_for()
    open_fold(page, "Names")
    page.get_by_text("13 names, from class.csv.").wait_for()
    open_fold(page, "Next session")
    open_fold(page, "Wall chart")
    fits(page, f"class-scored-{size}")

    sheets = pypdf.PdfReader(io.BytesIO(handed_over(page, "Sheets for all (PDF)")))
    texts = [" ".join(one.extract_text().split()) for one in sheets.pages]
    assert sum("Next drill:" in text for text in texts) == 11
    assert any("Take the photo again" in text and f"Eli {family}" in text for text in texts)
    listed = openpyxl.load_workbook(io.BytesIO(handed_over(page, "Class list (XLSX)")))["Coupons"]
    assert [row[0].value for row in listed.iter_rows(min_row=2)][-1] == ABSENT
    assert handed_over(page, "Wall chart (PDF)").startswith(b"%PDF")

    open_fold(page, "Put this class on record")
    page.get_by_label("Class", exact=True).fill(f"Evening class, {size}")  # of a form: nothing is drawn anew
    with Store.open(server.record) as store:
        before = store.check().entries
    page.get_by_label("Class", exact=True).press("Enter")
    settled(page)
    with Store.open(server.record) as store:
        assert store.check().entries == before, "Enter in a field saves nothing"
    press(page, "Put the class on record")
    page.get_by_text("11 coupons are put on record.").wait_for()

    page.goto(f"{visitors.url}/trends")
    page.get_by_role("heading", name="Trends").wait_for()
    page.get_by_text("core diameter of the rod: 3.2 mm").wait_for()
    settled(page)
    fits(page, f"class-trends-{size}")

    page.goto(f"{visitors.url}/agreement")
    page.get_by_label("First rater", exact=True).wait_for()
    settled(page)
    fits(page, f"class-agreement-{size}")


def test_before_and_after_of_two_photos(visitors, class_photos):
    page = visitors.come("desk", "before-and-after", settings={"electrode_mm": 3.2})
    page.get_by_role("heading", name="Before and after").wait_for()
    settled(page)
    for label, path in (("before", class_photos[0]), ("after", class_photos[1])):
        page.locator(f".st-key-{label}_photos_file input[type=file]").set_input_files([str(path)])
        settled(page)
    page.get_by_text("What it aimed at:").wait_for()
    page.get_by_role("rowheader", name="Width, mean").wait_for()
    settled(page)
    fits(page, "before-and-after")
    assert handed_over(page, "Both on one page (PDF)").startswith(b"%PDF")


def test_a_rubric_of_ones_own(visitors):
    page = visitors.come("phone", "coupons", settings={"electrode_mm": 3.2})
    page.get_by_role("heading", name="Coupons").wait_for()
    settled(page)
    open_fold(page, "Rubric")
    settled(page)
    page.get_by_text("Show the rubric's text").click()
    settled(page)
    box = page.get_by_label(re.compile("rubric's text; change it"))
    mine = rubric_text("first-beads").replace('title = "First beads"', 'title = "My evening class"')
    file = {"name": "mine.toml", "mimeType": "application/toml", "buffer": mine.encode()}
    page.locator("input[type=file][accept*='toml']").set_input_files([file])
    page.get_by_text(re.compile("My evening class: 100 points")).wait_for()
    settled(page)
    box.fill(box.input_value().replace("weight = 25", "weight = -25"))
    page.keyboard.press("Control+Enter")
    page.get_by_text(re.compile("rubric, line .*weight")).wait_for()
