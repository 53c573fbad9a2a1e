"""The journeys of a welder, an inspector and an instructor, in a real browser."""

from __future__ import annotations

import io
import json
import re
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import pypdf
import pytest
from driving import (
    ROOT,
    SCREENS,
    choose,
    fill_in,
    fits,
    handed_over,
    look,
    measured,
    open_fold,
    picture_to_tap,
    press,
    serve,
    set_choice,
    settled,
    tick,
    unfold,
)
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

import invented
from toeline.record import Store

BADGE = ".tl-badge"


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_bench_journey(visitors, pictures, size):
    page = visitors.come(size)
    page.get_by_role("heading", name="Measure a weld bead").wait_for()
    settled(page)
    if size == "phone":
        fits(page, "bench-start")
    open_fold(page, "Settings")
    set_choice(page, "Electrode core diameter", "3.2 mm")
    page.locator("summary", has_text="Settings: electrode 3.2 mm").wait_for()
    assert page.get_by_label("Plate thickness (mm)").is_visible()  # the fold stays open while it is used
    if size == "phone":
        fits(page, "bench-settings")
    settled(page)
    page.locator("summary", has_text="Settings").click()
    settled(page)

    choose(page, pictures[0].path)
    measured(page)
    page.locator("[data-testid=stMain] img[alt*='bead turned level']").wait_for()
    assert page.locator(BADGE).inner_text().split("\n")[1] in ("Pass", "Fail", "Undecided")
    assert page.locator(".tl-badge").bounding_box()["y"] < 100  # the outcome is in view
    assert page.locator("details[open]").count() == 0
    fits(page, f"bench-judged-{size}")
    if size == "phone":
        unfold(page)
        fits(page, "bench-unfolded")
        press(page, "Record what I saw")  # nobody has answered yet, nor said who looks
        page.get_by_text("Answer at least one of the questions first.").wait_for()
        fill_in(page, "Who looked and gauged", "A. Boon")
        tick(page, "No", page.get_by_role("radiogroup", name="Is there a crack outside the crater?"))
        press(page, "Record what I saw")
        page.locator("details[open] > summary", has_text="Look and gauge (1)").wait_for()
        page.get_by_text("Remove: Is there a crack outside the crater? none, by A. Boon").wait_for()
        fits(page, "bench-looked")
    page.reload()
    page.locator("summary", has_text="electrode 3.2 mm").wait_for()  # remembered on the device


def test_photos_from_the_sides_tell_height_and_the_judgement_moves_with_it(visitors):
    scene = sorted((ROOT / "demo_images" / "round_stringer").glob("*_v?.jpg"))
    page = visitors.come(settings={"criteria": "iso5817-2014-c", "thickness_mm": 10.0, "check_line_mm": 49.85})
    settled(page)
    choose(page, scene[0])
    measured(page)
    assert "Undecided" in page.locator(BADGE).inner_text()
    assert not page.get_by_text("the relief gives").count()
    open_fold(page, "add two to four photos from the sides")
    part = page.locator("details", has=page.locator("summary", has_text="Height and depth"))
    part.locator("img[alt*='stand to its left']").wait_for()
    part.locator("input[type=file]").last.set_input_files(str(scene[1]))
    part.get_by_text("Still missing: from the right, from beyond the end and from behind the start.").wait_for()
    settled(page)
    part.locator("input[type=file]").last.set_input_files([str(path) for path in scene[2:]])
    part.get_by_text("All sides are there.").wait_for()
    press(page, "Work out height and depth")
    part.locator("img[alt*='Height map']").wait_for()
    settled(page)
    page.get_by_text("the relief gives").first.wait_for(state="attached")
    part.get_by_label("Show a cross-section at").fill("30")
    part.get_by_label("Show a cross-section at").press("Enter")
    part.get_by_text("30 mm from the start: chosen").wait_for()
    fits(page, "bench-relief")


def test_bad_photos_say_what_is_wrong_and_how_to_retake_them(visitors, no_weld, class_photos):
    page = visitors.come("phone")
    choose(page, no_weld, class_photos[4])
    page.get_by_label("Photo", exact=True).wait_for()
    measured(page)
    assert "Take it again" in page.locator(BADGE).inner_text()
    assert page.locator(".tl-problem.tl-stop").count() >= 1
    page.locator("img.tl-drawing").wait_for()
    assert page.locator("summary", has_text="Save to the record").count() == 0
    fits(page, "bench-retake")
    set_choice(page, "Photo", "eli.jpg")
    page.get_by_text("damaged or cut short").wait_for()
    assert "Take it again" in page.locator(BADGE).inner_text()
    look(page, "bench-broken")


def test_a_wrong_bead_is_corrected_by_two_taps(visitors, pictures):
    picture = pictures[0]
    page = visitors.come("phone")
    choose(page, picture.path)
    measured(page)
    if not page.get_by_text("Tap where the bead starts").is_visible():  # it opens by itself where no bead was found
        tick(page, "The bead was found wrongly")
    width, height = picture.size
    for end, says in ((picture.end, "Tap where the bead starts"), (picture.start, "Now tap where it ends")):
        page.get_by_text(says).wait_for()
        image = picture_to_tap(page)
        page.set_viewport_size({"width": 740, "height": 360})  # the phone is turned
        page.wait_for_timeout(300)
        box = image.bounding_box()
        assert box["width"] > 600
        assert box["height"] <= page.locator("iframe[title*='image_coordinates']").bounding_box()["height"] + 1
        image.tap(position={"x": end[0] / width * box["width"], "y": end[1] / height * box["height"]})
        settled(page)
    page.get_by_role("button", name="Find the bead without my taps").wait_for()
    measured(page)
    look(page, "bench-tapped")
    open_fold(page, "Report and data")
    result = json.loads(handed_over(page, "JSON"))
    within = 2 * width / 320  # two CSS px of the picture as shown
    for told, true in zip(result["settings"]["ends_px"], (picture.end, picture.start), strict=True):
        assert abs(told[0] - true[0]) < within
        assert abs(told[1] - true[1]) < within


def test_record_journey_to_a_pdf_that_reads_back(visitors, pictures):
    page = visitors.come("desk", settings={"criteria": "workmanship"})
    choose(page, pictures[1].path)
    measured(page)
    open_fold(page, "Save to the record")
    for label, text in (("Job", "Evening class"), ("Weld number", "W-1"), ("Welder", "Ada *Brandt*")):
        fill_in(page, label, text)
    fill_in(page, "Inspector", "Noor Holm")
    tick(page, "Reject")
    page.locator("input[type=file]").last.set_input_files([str(pictures[2].path)])
    page.get_by_text(pictures[2].path.name).wait_for()
    settled(page)
    fits(page, "record-form")
    fill_in(page, re.compile("^Reason"), "Seen with a glass.")
    press(page, "Look it over and save")
    for written in ("Weld number", "Further photos", "Decision"):
        page.get_by_role("rowheader", name=written).wait_for()
    press(page, "Save the inspection")
    press(page, "Open the inspection")
    page.get_by_role("heading", name=re.compile("W-1")).wait_for()
    settled(page)
    unfold(page)
    fits(page, "record-one")
    pdf = pypdf.PdfReader(io.BytesIO(handed_over(page, "PDF report")))
    text = " ".join(one.extract_text() for one in pdf.pages)
    assert 1 <= len(pdf.pages) <= 4
    for words in ("W-1", "Ada *Brandt*", "Noor Holm", "Evening class", "Seen with a glass.", "Photo 2, further"):
        assert words in text
    assert max(one.image.width for one in pdf.pages[0].images) == 2000  # drawn for paper from the original photo
    assert handed_over(page, pictures[2].path.name) == pictures[2].path.read_bytes()

    fill_in(page, "Why the earlier one is superseded", "Wrong weld was written down.")
    fill_in(page, "Weld number", "W-2")
    press(page, "Look it over and save")
    press(page, "Save the inspection")
    page.get_by_role("heading", name=re.compile("W-2")).wait_for()
    page.get_by_text("Wrong weld was written down.").first.wait_for()
    press(page, "Open the earlier one")
    page.get_by_text("This inspection no longer holds.").wait_for()
    press(page, "Open the one in its place")
    page.get_by_role("heading", name=re.compile("W-2")).wait_for()

    press(page, "Back to the list")
    fill_in(page, "Search", "brandt")
    row = page.get_by_role("button", name=re.compile("W-2.*no decision yet"))
    row.wait_for()
    assert page.get_by_role("button", name=re.compile("W-1")).count() == 0
    unfold(page)
    fits(page, "record-list")
    press(page, "Check now")
    page.get_by_text("Everything is as it was recorded").wait_for()
    press(page, re.compile("W-2.*no decision yet"))
    open_fold(page, "Correct it")
    press(page, "Measure the photo again first")
    page.get_by_role("heading", name="Measure a weld bead").wait_for()
    measured(page)
    page.get_by_text("This takes the place of").wait_for()


def test_trends_open_an_inspection(visitors, server):
    with Store.open(server.record) as store:
        for seed in range(3):
            store.save_inspection(
                invented.result(seed, ("pass", "fail", "undecided")[seed], 8.0 + seed),
                invented.photo_bytes(seed),
                invented.IDENTITY,
            )
    page = visitors.come("phone", "trends")
    page.get_by_role("heading", name="Trends").wait_for()
    settled(page)
    set_choice(page, "Welding procedure", invented.IDENTITY.procedure)
    set_choice(page, "What", "Width, mean")
    page.locator("[data-testid=stVegaLiteChart] svg").wait_for()
    fits(page, "trends")
    open_fold(page, "as a list")
    press(page, re.compile("Pass.*Entry"))
    opened = page.get_by_role("heading", name=re.compile(invented.IDENTITY.weld))
    opened.wait_for()
    page.go_back()
    page.get_by_role("heading", name="Trends").wait_for()
    settled(page)  # a chart that is still being drawn hears no tap
    page.locator("[data-testid=stVegaLiteChart] .mark-symbol.role-mark path").last.tap()
    page.get_by_role("heading", name=re.compile("Entry")).wait_for()  # the newest on record, whoever saved it


def test_a_person_is_handed_over_and_erased(visitors, server):
    person = invented.IDENTITY.model_copy(update={"welder": "Abel Son"})
    with Store.open(server.record) as store:
        store.save_inspection(invented.result(7), invented.photo_bytes(7), person)
    page = visitors.come("phone", "person")
    page.get_by_role("heading", name="Personal data").wait_for()
    settled(page)
    set_choice(page, "Person", "Abel Son")
    assert b"Abel Son" in handed_over(page, "Hand over as JSON")
    fits(page, "person")
    settled(page)
    page.get_by_text("I am sure").click()
    settled(page)
    press(page, "Erase")
    page.get_by_text(re.compile("Erased .* of 1 inspection")).wait_for()


def test_repeatability_of_three_photos(visitors, class_photos):
    page = visitors.come("phone", "repeatability", settings={"electrode_mm": 3.2})
    page.get_by_role("heading", name="Repeatability").wait_for()
    choose(page, class_photos[0], class_photos[4], class_photos[8])
    page.get_by_text("eli.jpg is left out").wait_for()
    page.get_by_role("rowheader", name="Width, mean").wait_for()
    settled(page)
    fits(page, "repeatability")


def test_plain_pages_fit_every_screen(visitors):
    page = visitors.come("phone")
    for path in ("cards", "phone", "about", "person", "record", "repeatability"):
        page.goto(f"{visitors.url}/{path}")
        page.get_by_role("heading", level=1).wait_for()
        settled(page)
        fits(page, f"page-{path}")
        assert page.locator("[data-testid=stException]").count() == 0


def test_a_second_user_sees_nothing_of_the_first(visitors, pictures):
    first, second = visitors.come("phone"), visitors.come("desk")
    choose(first, pictures[1].path)
    choose(second, pictures[2].path)
    names = []
    for page in (first, second):
        measured(page)
        open_fold(page, "Report and data")
        names.append(json.loads(handed_over(page, "JSON"))["photo"]["name"])
    assert names == [pictures[1].path.name, pictures[2].path.name]
    second.reload()
    measured(second)
    open_fold(second, "Report and data")
    assert json.loads(handed_over(second, "JSON"))["photo"]["name"] == pictures[2].path.name
    third = visitors.come("desk")
    settled(third)
    assert third.locator(BADGE).count() == 0


def test_open_to_the_network_it_asks_for_the_code(browser, visitors, tmp_path):
    running = serve(tmp_path, host="0.0.0.0", code="K7MR-2XPD")
    try:
        said = running.said.read_text()
        assert "Access code: K7MR-2XPD" in said
        for path in ("/_stcore/health", "/_stcore/host-config", "/"):
            assert answered(running.url + path, Accept="*/*") == 401
        let_in = visitors.come("desk", url=running.url)
        let_in.context.request.post(f"{running.url}/access", form={"code": "K7MR-2XPD"})
        let_in.goto(f"{running.url}/trends")  # a link to a page, before anyone has opened the first one
        let_in.get_by_role("heading", name="Trends").wait_for()
        page = visitors.come("phone", url=running.url)
        page.get_by_label("Access code").fill("wrong")
        page.get_by_role("button", name="Come in").click()
        page.get_by_text("This is not the code").wait_for()
        SCREENS.mkdir(parents=True, exist_ok=True)
        page.screenshot(path=SCREENS / "access-refused-360.png")
        page.get_by_label("Access code").fill("k7mr2xpd")
        page.get_by_role("button", name="Come in").click()
        page.get_by_role("heading", name="Measure a weld bead").wait_for()
        assert "code" not in page.url
        page.reload()
        page.get_by_role("heading", name="Measure a weld bead").wait_for()
        by_qr = visitors.come("desk", "access?code=K7MR-2XPD", url=running.url)
        by_qr.get_by_role("heading", name="Measure a weld bead").wait_for()
        by_qr.goto(f"{running.url}/phone")
        by_qr.get_by_alt_text("QR code that opens").wait_for()
        settled(by_qr)
        look(by_qr, "page-phone-open")
        guesser = visitors.come("phone", url=running.url)
        for _ in range(6):
            guesser.get_by_label("Access code").fill("AAAA-AAAA")
            guesser.get_by_role("button", name="Come in").click()
        guesser.get_by_text("seconds before the next try").wait_for()
        guesser.get_by_label("Access code").fill("K7MR-2XPD")
        guesser.get_by_role("button", name="Come in").click()
        guesser.get_by_text("This is not the code").wait_for()
    finally:
        running.stop()


def answered(url: str, method: str = "GET", data: bytes | None = None, **headers: str) -> int:
    """The status of an answer."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    try:
        with urlopen(Request(url, data, named, method=method), timeout=10) as answer:
            return answer.status
    except HTTPError as refused:
        with refused:
            return refused.code


def test_other_pages_of_the_browser_reach_nothing(server):
    assert answered(server.url, Host="evil.example") == 421
    assert answered(f"{server.url}/_stcore/upload_file/x/y", "PUT", b"x") == 403  # without the page's own token
    with pytest.raises(InvalidStatus, match="403"):
        connect(server.url.replace("http", "ws", 1) + "/_stcore/stream", origin="http://evil.example")
    assert answered(f"{server.url}/static/..%2f..%2f..%2fetc%2fpasswd") in (400, 404)
