"""An inspector's way on a phone and a desk: a weld of two passes, a later test, its correction, and what lapses."""

from __future__ import annotations

import io
import re

import pypdf
import pytest
from driving import fits, handed_over, open_fold, press, serve, set_choice, settled

import invented
from toeline.record import Store


@pytest.fixture(scope="module")
def app(tmp_path_factory):
    """The app on this machine with a weld of two passes on record, and their ids."""
    folder = tmp_path_factory.mktemp("inspector")
    with Store.open(folder / "record.sqlite") as store:
        for seed, which in enumerate(("root", "cap")):
            identity = invented.IDENTITY.model_copy(update={"weld_pass": which, "drawing": "D-210"})
            store.save_inspection(invented.result(seed), invented.photo_bytes(seed), identity)
    running = serve(folder)
    yield running
    running.stop()


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_a_weld_its_tests_and_its_correction(visitors, app, size, tmp_path):
    etched = tmp_path / f"etched-{size}.jpg"
    etched.write_bytes(invented.photo_bytes(8 if size == "phone" else 9))
    page = visitors.come(size, "record", url=app.url)
    press(page, re.compile("W-07, cap"))
    page.get_by_text("The whole weld (2 inspections)").wait_for()
    settled(page)
    press(page, re.compile("Open entry 1, Root pass"))
    page.get_by_role("heading", name=re.compile("Entry 1, W-07, root")).wait_for()
    page.go_back()
    page.get_by_role("heading", name=re.compile("W-07, cap")).wait_for()
    settled(page)
    open_fold(page, "Add a test result")
    found = page.get_by_label("What was found")
    page.get_by_label("Number of the test report").fill("TR-118")
    page.keyboard.press("Enter")  # saves nothing
    settled(page)
    with Store.open(app.record) as store:
        before = store.check().tests
    set_choice(page, "Test", "Macro section")
    page.get_by_role("radiogroup", name="Result").get_by_text("Fail").click()
    found.fill("No fusion at the root")
    page.locator("[data-testid=stForm] input[type=file]").set_input_files([str(etched)])
    page.get_by_text(etched.name).first.wait_for()
    settled(page)
    press(page, "Add the test result")
    page.get_by_text("A later test did not pass").first.wait_for()
    settled(page)
    page.get_by_alt_text(re.compile("Macro section.*photo 1")).first.wait_for()
    assert handed_over(page, re.compile(f"Macro section.*etched-{size}")) == etched.read_bytes()
    report = pypdf.PdfReader(io.BytesIO(handed_over(page, "Report of the whole weld")))
    assert len(report.pages[0].images) >= 1, "the specimen stands with the tests"
    with Store.open(app.record) as store:
        assert store.check().tests == before + 1
    open_fold(page, "Correct it")
    page.get_by_text("Correcting it also undoes").wait_for()
    fits(page, f"weld-{size}")


def test_continuity_and_procedures(visitors, app):
    page = visitors.come("phone", "continuity", url=app.url)
    page.get_by_text("Ada Brandt").first.wait_for()
    page.get_by_text("It confirms nothing").wait_for()
    settled(page)
    fits(page, "continuity")
    page.goto(f"{app.url}/procedures")
    page.get_by_text("No procedure is on record yet").wait_for()
    settled(page)
    page.get_by_label("Name or number").fill("WPS-12")
    page.keyboard.press("Enter")  # keeps nothing
    page.get_by_label("Current, A").fill("110-140")
    press(page, "Keep the procedure")
    page.get_by_text("WPS-12").first.wait_for()
    settled(page)
    open_fold(page, "WPS-12")
    page.get_by_text("110 to 140 A").wait_for()
    fits(page, "procedures")
