"""The journeys of a welder, an inspector and an instructor, in a real browser."""

from __future__ import annotations

import io
import json
import re
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import openpyxl
import pypdf
import pytest
from driving import SCREENS, SIZES, choose, look, no_sideways_scroll, serve, settled

BADGE = ".tl-badge"

#: Visible controls and their boxes; a control inside a larger labelled one counts as the larger one.
TARGETS = """() => [...document.querySelectorAll(
    '[data-testid=stMain] button, [data-testid=stMain] summary, [data-testid=stMain] label:has(input), '
  + '[data-testid=stMain] a, [data-testid=stHeader] button')]
  .filter(e => e.checkVisibility({checkVisibilityCSS: true, checkOpacity: true}) && e.getClientRects().length)
  .filter(e => !e.closest(
    '[data-testid=stTooltipIcon], [data-testid=stTooltipHoverTarget], [class*=ComboBox], [role=group]'))
  .map(e => [e.innerText.slice(0, 40) || e.getAttribute('aria-label') || e.outerHTML.slice(0, 120),
             Math.round(e.getBoundingClientRect().width), Math.round(e.getBoundingClientRect().height)])
  .filter(([, w, h]) => w < 44 || h < 44)"""

#: Texts whose contrast with the first opaque ground behind them is less than WCAG 2.2 AA asks for.
FAINT = """() => {
  const rgb = s => { const m = s.match(/[\\d.]+/g); return m ? m.map(Number) : [0, 0, 0, 0]; };
  const light = c => { const f = v => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
    return 0.2126 * f(c[0]) + 0.7152 * f(c[1]) + 0.0722 * f(c[2]); };
  const over = (top, under) => { const a = top.length > 3 ? top[3] : 1;
    return [0, 1, 2].map(i => top[i] * a + under[i] * (1 - a)); };
  const ground = e => { const layers = []; let opacity = 1;
    for (let n = e; n; n = n.parentElement) { const s = getComputedStyle(n); opacity *= Number(s.opacity);
      const c = rgb(s.backgroundColor); if (c.length < 4) { layers.push(c); break; } if (c[3] > 0) layers.push(c); }
    let under = [255, 255, 255]; for (const c of layers.reverse()) under = over(c, under); return [under, opacity]; };
  const bad = [];
  for (const e of document.querySelectorAll('[data-testid=stApp] *')) {
    if (![...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())) continue;
    if (!e.checkVisibility({checkVisibilityCSS: true, checkOpacity: true}) || e.closest('[disabled]')) continue;
    if (['SCRIPT', 'STYLE', 'NOSCRIPT'].includes(e.tagName) || !e.getClientRects().length) continue;
    const s = getComputedStyle(e), [under, opacity] = ground(e), ink = rgb(s.color);
    const c = over([ink[0], ink[1], ink[2], (ink.length > 3 ? ink[3] : 1) * opacity], under);
    const [hi, lo] = [light(c), light(under)].sort((a, b) => b - a), ratio = (hi + 0.05) / (lo + 0.05);
    const big = parseFloat(s.fontSize) >= 24 || (parseFloat(s.fontSize) >= 18.66 && Number(s.fontWeight) >= 700);
    if (ratio < (big ? 3 : 4.5)) bad.push([e.textContent.trim().slice(0, 40), ratio.toFixed(2), s.color]);
  }
  return bad; }"""


def set_choice(page, label: str, option: str) -> None:
    """Choose from a list by keyboard, as a screen reader's user would."""
    box = page.get_by_role("combobox", name=label, exact=True)
    wanted = page.get_by_role("option", name=re.compile(re.escape(option), re.IGNORECASE)).first
    box.scroll_into_view_if_needed()
    for _ in range(6):  # an open list closes when the page scrolls or is drawn anew: then it is opened again
        page.wait_for_timeout(800)
        box.press("ArrowDown")
        page.wait_for_timeout(800)
        if wanted.is_visible():
            break
    wanted.click()
    settled(page)


def measured(page) -> None:
    page.locator(BADGE).wait_for()
    settled(page)


@pytest.mark.parametrize("size", list(SIZES))
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_bench_journey(visitors, pictures, size, dark):
    page = visitors.come(size, dark=dark)
    page.get_by_role("heading", name="Measure a weld bead").wait_for()
    settled(page)
    theme = "dark" if dark else "light"
    look(page, f"bench-start-{theme}")
    page.locator("summary", has_text="Settings").click()
    set_choice(page, "Electrode core diameter", "3.2 mm")
    set_choice(page, "Acceptance criteria", "workmanship")
    look(page, f"bench-settings-{theme}")
    assert page.evaluate(TARGETS) == []
    assert page.evaluate(FAINT) == []
    page.locator("summary", has_text="Settings").click()

    choose(page, pictures[0].path)
    measured(page)
    page.locator("[data-testid=stMain] img[alt*='bead turned level']").wait_for()
    assert page.locator(BADGE).inner_text().split("\n")[1] in ("Pass", "Fail", "Undecided")
    assert page.locator(".tl-line").filter(visible=True).count() == 2
    assert page.locator("details[open]").count() == 0
    look(page, f"bench-judged-{theme}")
    no_sideways_scroll(page)
    assert page.evaluate(TARGETS) == []
    assert page.evaluate(FAINT) == []

    for fold in page.locator("details > summary").all():
        fold.click()
    settled(page)
    look(page, f"bench-unfolded-{theme}")
    no_sideways_scroll(page)
    assert page.evaluate(FAINT) == []

    page.reload()
    page.locator("summary", has_text="electrode 3.2 mm").wait_for()  # remembered on the device


def test_a_photo_of_nothing_says_how_to_retake_it(visitors, no_weld):
    page = visitors.come("phone")
    choose(page, no_weld)
    measured(page)
    assert "Take it again" in page.locator(BADGE).inner_text()
    assert page.locator(".tl-problem.tl-stop").count() >= 1
    page.locator("img.tl-drawing").wait_for()
    look(page, "bench-retake")


def test_several_photos_one_of_them_broken(visitors, pictures, class_photos):
    page = visitors.come("phone")
    choose(page, pictures[0].path, class_photos[4])
    page.get_by_label("Photo", exact=True).wait_for()
    settled(page)
    set_choice(page, "Photo", "eli.jpg")
    assert "Take it again" in page.locator(BADGE).inner_text()
    look(page, "bench-broken")


def test_a_wrong_bead_is_corrected_by_two_taps(visitors, pictures):
    picture = pictures[0]
    page = visitors.come("phone")
    choose(page, picture.path)
    measured(page)
    if not page.get_by_text("Tap where the bead starts").is_visible():  # it opens by itself where no bead was found
        page.get_by_text("The bead was found wrongly").tap()
    width, height = picture.size
    for end, says in ((picture.end, "Tap where the bead starts"), (picture.start, "Now tap where it ends")):
        page.get_by_text(says).wait_for()
        frame = page.frame_locator("iframe[title*='image_coordinates']")
        image = frame.locator("#image")
        image.wait_for()
        settled(page)
        box = image.bounding_box()
        assert box["width"] > 280
        image.tap(position={"x": end[0] / width * box["width"], "y": end[1] / height * box["height"]})
        settled(page)
    page.get_by_role("button", name="Find the bead without my ends").wait_for()
    measured(page)
    look(page, "bench-tapped")
    page.locator("summary", has_text="Report and data").click()
    settled(page)
    with page.expect_download() as waiting:
        page.get_by_role("button", name="JSON").click()
    result = json.loads(waiting.value.path().read_text())
    within = 2 * width / 320  # two CSS px of the picture as shown
    for told, true in zip(result["settings"]["ends_px"], (picture.end, picture.start), strict=True):
        assert abs(told[0] - true[0]) < within
        assert abs(told[1] - true[1]) < within


@pytest.mark.parametrize("size", list(SIZES))
def test_record_journey_to_a_pdf_that_reads_back(visitors, pictures, size):
    page = visitors.come(size)
    page.locator("summary", has_text="Settings").click()
    set_choice(page, "Acceptance criteria", "workmanship")
    page.locator("summary", has_text="Settings").click()
    choose(page, pictures[1].path)
    measured(page)
    page.locator("summary", has_text="Save to the record").click()
    weld = f"W-{size}"
    for label, text in (("Job", "Evening class"), ("Weld number", weld), ("Welder", "Ada *Brandt*")):
        page.get_by_label(label, exact=True).fill(text)
    page.get_by_label("Inspector", exact=True).fill("Noor Holm")
    page.get_by_text("Reject", exact=True).click()
    look(page, "record-form")
    page.get_by_label(re.compile("^Reason")).fill("Seen with a glass.")
    page.get_by_role("button", name="Save the inspection").click()
    page.get_by_role("button", name="Open the inspection").click()
    page.get_by_role("heading", name=re.compile(weld)).wait_for()
    settled(page)
    look(page, "record-one")
    no_sideways_scroll(page)
    assert page.evaluate(FAINT) == []
    with page.expect_download() as waiting:
        page.get_by_role("button", name="PDF report").click()
    pdf = pypdf.PdfReader(io.BytesIO(waiting.value.path().read_bytes()))
    text = " ".join(one.extract_text() for one in pdf.pages)
    assert 1 <= len(pdf.pages) <= 3
    for words in (weld, "Ada *Brandt*", "Noor Holm", "Evening class", "Seen with a glass."):
        assert words in text

    page.get_by_role("button", name="Back to the list").click()
    page.get_by_label("Search").fill(weld)
    page.keyboard.press("Enter")
    row = page.get_by_role("button", name=re.compile(f"{weld}.*rejected"))
    row.wait_for()
    page.locator("summary", has_text="Filter and sort").click()
    settled(page)
    look(page, "record-list")
    no_sideways_scroll(page)
    page.locator("summary", has_text="Check the record").click()
    page.get_by_role("button", name="Check now").click()
    page.get_by_text("Everything is as it was recorded").wait_for()

    page.goto(f"{visitors.url}/trends")
    page.get_by_role("heading", name="Trends").wait_for()
    settled(page)
    set_choice(page, "What", "Width, mean")
    page.locator("[data-testid=stVegaLiteChart] canvas, [data-testid=stVegaLiteChart] svg").first.wait_for()
    look(page, "trends")
    no_sideways_scroll(page)
    page.locator("summary", has_text="as a list").click()
    page.get_by_role("button", name=re.compile("Entry ")).first.click()
    page.get_by_role("button", name="Back to the list").wait_for()


def test_a_person_is_handed_over_and_erased(visitors, pictures):
    page = visitors.come("phone")
    choose(page, pictures[1].path)
    measured(page)
    page.locator("summary", has_text="Save to the record").click()
    page.get_by_label("Welder", exact=True).fill("Per Son")
    page.get_by_role("button", name="Save the inspection").click()
    page.get_by_role("button", name="Open the inspection").wait_for()
    page.goto(f"{visitors.url}/person")
    page.get_by_role("heading", name="Personal data").wait_for()
    settled(page)
    set_choice(page, "Person", "Per Son")
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Hand over as JSON").click()
    assert "Per Son" in waiting.value.path().read_text()
    look(page, "person")
    page.get_by_text("I am sure").click()
    page.get_by_role("button", name="Erase").click()
    page.get_by_text(re.compile("Erased .* of 1 inspection")).wait_for()


@pytest.mark.parametrize("size", list(SIZES))
def test_coupon_journey_with_twelve_photos_one_broken(visitors, class_photos, size):
    page = visitors.come(size)
    page.locator("summary", has_text="Settings").click()
    set_choice(page, "Electrode core diameter", "3.2 mm")
    page.get_by_role("link", name="Print a reference card").wait_for()
    page.goto(f"{visitors.url}/coupons")
    page.get_by_role("heading", name="Coupons").wait_for()
    settled(page)
    look(page, "coupons-start")
    choose(page, *class_photos)
    page.get_by_role("heading", name="One coupon").wait_for()
    settled(page)
    rows = page.locator(".tl-table", has=page.locator("img")).locator("tbody tr")
    assert rows.count() == 12
    assert page.locator(".tl-pairs tr", has_text="eli").count() == 1
    look(page, "coupons-scored")
    no_sideways_scroll(page)
    assert page.evaluate(FAINT) == []
    assert page.evaluate(TARGETS) == []
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Class list (XLSX)").click()
    sheet = openpyxl.load_workbook(io.BytesIO(waiting.value.path().read_bytes()))["Coupons"]
    assert [row[0].value for row in sheet.iter_rows(min_row=2)] == sorted(path.stem for path in class_photos)
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Sheets for all (PDF)").click()
    assert len(pypdf.PdfReader(io.BytesIO(waiting.value.path().read_bytes())).pages) == 13

    page.locator("summary", has_text="Rubric").click()
    box = page.get_by_label(re.compile("rubric's text"))
    box.fill(box.input_value().replace("weight = 25", "weight = -25"))
    page.keyboard.press("Control+Enter")
    page.get_by_text(re.compile("rubric, line .*weight")).wait_for()


def test_repeatability_of_three_photos(visitors, pictures, class_photos):
    page = visitors.come("phone", "repeatability")
    page.get_by_role("heading", name="Repeatability").wait_for()
    choose(page, class_photos[0], class_photos[4], class_photos[8])
    page.get_by_text("eli.jpg is left out").wait_for()
    page.get_by_role("rowheader", name="Width, mean").wait_for()
    look(page, "repeatability")
    no_sideways_scroll(page)


@pytest.mark.parametrize("path", ["cards", "phone", "about", "person", "record", "trends", "repeatability"])
def test_plain_pages_fit_a_phone(visitors, path):
    page = visitors.come("phone", path)
    page.get_by_role("heading", level=1).wait_for()
    settled(page)
    look(page, f"page-{path}")
    no_sideways_scroll(page)
    assert page.evaluate(FAINT) == []
    assert page.evaluate(TARGETS) == []
    assert page.locator("[data-testid=stException]").count() == 0


def test_a_second_user_sees_nothing_of_the_first(visitors, pictures):
    first, second = visitors.come("phone"), visitors.come("desk")
    choose(first, pictures[1].path)
    measured(first)
    choose(second, pictures[2].path)
    measured(second)
    second.reload()
    second.get_by_role("heading", name="Measure a weld bead").wait_for()
    settled(second)
    assert second.locator(BADGE).count() == 0
    first.locator("summary", has_text="Report and data").click()
    settled(first)
    with first.expect_download() as waiting:
        first.get_by_role("button", name="JSON").click()
    assert json.loads(waiting.value.path().read_text())["photo"]["name"] == pictures[1].path.name


def test_open_to_the_network_it_asks_for_the_code(browser, visitors, tmp_path):
    running = serve(tmp_path, host="0.0.0.0", code="K7MR-2XPD")
    try:
        said = running.said.read_text()
        assert "Access code: K7MR-2XPD" in said
        for path in ("/_stcore/health", "/_stcore/host-config", "/"):
            with pytest.raises(HTTPError) as refused:
                urlopen(Request(running.url + path, headers={"Accept": "*/*"}), timeout=10)
            assert refused.value.code == 401
            refused.value.close()
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
        running.process.terminate()
        running.process.wait(20)


def test_another_host_name_is_refused(server):
    with pytest.raises(HTTPError) as refused:
        urlopen(Request(server.url, headers={"Host": "evil.example"}), timeout=10)
    assert refused.value.code == 421
    refused.value.close()
