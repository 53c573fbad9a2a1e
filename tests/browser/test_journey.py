"""A welder's way on a phone and a desk: nothing is lost, nothing is saved unasked, what is sent opens for who may."""

from __future__ import annotations

import re
from urllib.parse import urlsplit

import pytest
from driving import (
    PATIENCE_MS,
    SIZES,
    choose,
    fill_in,
    fits,
    look,
    measured,
    no_sideways_scroll,
    open_fold,
    picture_to_tap,
    press,
    serve,
    settled,
    tick,
)

import invented
from toeline.record import Store

BADGE = ".tl-badge"
STEPS = ".st-key-steps"


def tap(page, end, size):
    """Tap the picture of the whole photo where ``end``, in px of the photo of ``size``, lies."""
    image = picture_to_tap(page)
    box = image.bounding_box()
    image.click(position={"x": end[0] / size[0] * box["width"], "y": end[1] / size[1] * box["height"]})
    settled(page)


def answer(page, button):
    """Answer the step that is asked, and wait until it is taken in."""
    settled(page)
    before = page.locator(STEPS).inner_text()
    page.locator(STEPS).get_by_role("button", name=button, exact=True).click()
    page.wait_for_function(
        "([where, before]) => document.querySelector(where)?.innerText !== before", arg=[STEPS, before]
    )
    settled(page)


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_a_reload_in_the_middle_brings_everything_back_to_this_visitor_alone(visitors, pictures, size):
    picture = pictures[0]
    page = visitors.come(size)
    choose(page, picture.path)
    measured(page)
    assert page.locator(BADGE).bounding_box()["y"] < SIZES[size][1] / 3, "the outcome is in view"
    page.get_by_text("Left: ").wait_for()
    fill_in(page, "Your name; it stands by each answer", "A. Boon")
    answer(page, "Begin")
    answer(page, "No")
    page.get_by_role("button", name=re.compile("Undo: Is there a crack.*none, by A. Boon")).wait_for()
    fits(page, f"steps-{size}")
    tick(page, "The bead was found wrongly")
    tap(page, picture.end, picture.size)
    page.get_by_text("Now tap where it ends").wait_for()
    open_fold(page, "Save to the record")
    page.get_by_label("Weld number", exact=True).fill("W-77")
    page.get_by_label("Weld number", exact=True).press("Enter")
    settled(page)

    page.reload()
    measured(page)
    page.get_by_role("button", name=re.compile("Undo: Is there a crack.*none, by A. Boon")).wait_for()
    page.get_by_text("Now tap where it ends").wait_for()
    open_fold(page, "Save to the record")
    assert page.get_by_label("Weld number", exact=True).input_value() == "W-77"
    tap(page, picture.start, picture.size)
    press(page, "Undo the last tap")
    page.get_by_text("Now tap where it ends").wait_for()
    press(page, "Find the bead without my taps")
    page.get_by_text("Now tap where it ends").wait_for(state="detached")

    stranger = visitors.come(size)
    settled(stranger)
    assert stranger.locator(BADGE).count() == 0
    open_fold(page, "Kept on this machine")
    press(page, "Start afresh")
    page.locator(BADGE).wait_for(state="detached")
    page.reload()
    page.get_by_text("Stand square above").wait_for()
    settled(page)
    assert page.locator(BADGE).count() == 0


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_a_second_bead_does_not_cost_the_first(visitors, pictures, size):
    page = visitors.come(size)
    choose(page, pictures[0].path)
    measured(page)
    page.get_by_label("Your name; it stands by each answer").fill("A. Boon")
    page.get_by_role("button", name="Begin", exact=True).click()  # leaves the field and presses at once
    answer(page, "No")
    open_fold(page, "Save to the record")
    fill_in(page, "Weld number", "W-1")
    fill_in(page, "Welder", "Ada Brandt")
    choose(page, pictures[1].path)
    page.get_by_text("Beads not saved yet: 1").wait_for()
    measured(page)
    open_fold(page, "Save to the record")
    assert page.get_by_label("Weld number", exact=True).input_value() == ""
    assert page.get_by_label("Welder", exact=True).input_value() == "Ada Brandt"

    page.reload()
    measured(page)
    open_fold(page, "Beads not saved yet: 1")
    fits(page, f"set-aside-{size}")
    press(page, re.compile(f"Take up {re.escape(pictures[0].path.name)}, 1 answer"))
    page.get_by_role("button", name=re.compile("Undo: Is there a crack.*none, by A. Boon")).wait_for()
    settled(page)
    open_fold(page, "Save to the record")
    assert page.get_by_label("Weld number", exact=True).input_value() == "W-1"
    page.get_by_text("Beads not saved yet: 1").wait_for()


def test_two_tabs_of_one_browser_keep_each_other_s_beads(visitors, pictures):
    first = visitors.come("desk")
    settled(first)
    second = first.context.new_page()
    second.set_default_timeout(PATIENCE_MS)
    second.goto(first.url)
    settled(second)
    choose(first, pictures[0].path)
    measured(first)
    choose(second, pictures[1].path)
    measured(second)
    second.reload()
    measured(second)
    open_fold(second, "Beads not saved yet: 1")
    second.get_by_role("button", name=f"Take up {pictures[0].path.name}").wait_for()


def test_taps_that_lead_nowhere_do_not_make_it_a_bad_photo(visitors, pictures):
    picture = pictures[0]
    page = visitors.come("phone")
    choose(page, picture.path)
    measured(page)
    tick(page, "The bead was found wrongly")
    corner = (picture.size[0] * 0.02, picture.size[1] * 0.03)
    tap(page, corner, picture.size)
    page.get_by_text("Now tap where it ends").wait_for()
    tap(page, (corner[0] + picture.size[0] * 0.1, corner[1]), picture.size)
    page.locator(BADGE, has_text="No bead between your taps").wait_for()
    assert page.get_by_text("Take it again").count() == 0
    settled(page)
    fits(page, "taps-nowhere")
    press(page, "Find the bead without my taps")
    page.locator(BADGE, has_text="Undecided").wait_for()


def test_the_picture_is_made_larger_and_panned_on_a_phone(visitors, pictures):
    page = visitors.come("phone")
    choose(page, pictures[0].path)
    measured(page)
    picture = page.locator("img[alt*='bead turned level']")
    before = picture.bounding_box()["width"]
    settled(page)
    page.get_by_role("radio", name="4 ×").first.click()
    settled(page)
    page.wait_for_function(
        "w => document.querySelector('img[alt*=\"bead turned level\"]').getBoundingClientRect().width > 3.5 * w",
        arg=before,
    )
    no_sideways_scroll(page)
    look(page, "zoomed")


def test_enter_in_no_field_saves_anything(visitors, pictures, server):
    page = visitors.come("desk")
    choose(page, pictures[1].path)
    measured(page)
    open_fold(page, "Save to the record")
    with Store.open(server.record) as store:
        before = store.check().entries
    fields = page.locator("[data-testid=stMain] input[type=text]:visible, [data-testid=stMain] textarea:visible")
    for number in range(fields.count()):
        field = fields.nth(number)
        if field.get_attribute("role") == "combobox" or field.get_attribute("inputmode") == "decimal":
            continue
        if field.evaluate("e => e.closest('[data-testid=stDateInput]') !== null"):
            continue
        field.fill(f"typed {number}")
        field.press("Control+Enter" if field.evaluate("e => e.tagName") == "TEXTAREA" else "Enter")
        settled(page)
    assert page.get_by_text("Saved to the record.").count() == 0
    press(page, "Look it over and save")
    page.get_by_role("rowheader", name="Weld number").wait_for()
    settled(page)
    fits(page, "looked-over")
    page.keyboard.press("Enter")
    settled(page)
    with Store.open(server.record) as store:
        assert store.check().entries == before
    press(page, "Not yet")
    page.get_by_role("button", name="Look it over and save").wait_for()
    settled(page)
    page.get_by_label("Weld number", exact=True).fill("")
    page.get_by_label("Weld number", exact=True).press("Enter")
    settled(page)
    press(page, "Look it over and save")
    page.get_by_text("Missing: weld number.").wait_for()
    press(page, "Save the inspection")
    page.get_by_text("Saved to the record.").wait_for()
    with Store.open(server.record) as store:
        assert store.check().entries == before + 1


@pytest.fixture(scope="module")
def open_app(tmp_path_factory):
    """The app open to the network, with two inspections on record; and the second's id."""
    folder = tmp_path_factory.mktemp("network")
    with Store.open(folder / "record.sqlite") as store:
        store.save_inspection(invented.result(), invented.photo_bytes(), invented.IDENTITY)
        second = invented.IDENTITY.model_copy(update={"weld": "W-55"})
        saved = store.save_inspection(invented.result(1), invented.photo_bytes(1), second)
    running = serve(folder, host="0.0.0.0", code="K7MR-2XPD", learner_code="LEAR-N3RS")
    yield running, saved.id
    running.stop()


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_a_sent_address_opens_for_who_may_see_it_and_back_goes_back(visitors, open_app, size):
    app, inspection = open_app
    address = f"record?inspection={inspection}"
    page = visitors.come(size, address, url=app.url)
    page.get_by_label("Access code").fill("K7MR-2XPD")
    page.get_by_role("button", name="Come in").click()
    page.get_by_role("heading", name=re.compile("W-55")).wait_for()
    settled(page)
    open_fold(page, "Send it to someone")
    sent = urlsplit(page.locator("[data-testid=stCode]").first.inner_text().strip())
    assert f"{sent.path}?{sent.query}" == f"/{address}"
    look(page, f"address-{size}")
    press(page, "Back to the list")
    page.get_by_label("Search").wait_for()
    press(page, re.compile("W-55"))
    page.get_by_role("heading", name=re.compile("W-55")).wait_for()
    settled(page)
    page.go_back()
    page.get_by_label("Search").wait_for()
    page.go_forward()
    page.get_by_role("heading", name=re.compile("W-55")).wait_for()


def test_a_sent_address_shows_nothing_to_who_may_not_see_it(browser, open_app):
    app, inspection = open_app
    context = browser.new_context(viewport={"width": 360, "height": 740})
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    page.goto(f"{app.url}/access?code=LEAR-N3RS")
    page.get_by_role("heading", name="Measure a weld bead").wait_for()
    settled(page)
    for path in (f"record?inspection={inspection}", "coupons?class=AAAAAAAAAAAAAAAAAAAAAA"):
        assert page.goto(f"{app.url}/{path}").status == 403
        page.get_by_text("it is for the inspector or the instructor").wait_for()
        assert page.get_by_text("W-55").count() == 0
    page.goto(app.url)  # and from inside, where no page is asked of the server anew
    settled(page)
    page.evaluate(
        "to => { history.pushState({}, '', to); dispatchEvent(new PopStateEvent('popstate')); }",
        f"/record?inspection={inspection}",
    )
    page.get_by_text("it is for the inspector or the instructor").wait_for()
    assert page.get_by_text("W-55").count() == 0
    context.close()


def test_a_class_survives_a_reload_and_opens_for_another_under_its_address(visitors, class_photos):
    page = visitors.come("desk", "coupons", settings={"electrode_mm": 3.2})
    page.get_by_role("heading", name="Coupons").wait_for()
    choose(page, *class_photos[:3])
    page.get_by_role("heading", name="One coupon").wait_for()
    page.reload()
    page.get_by_role("heading", name="One coupon").wait_for()
    settled(page)
    open_fold(page, "Send this class to someone")
    press(page, "Put this class under an address")
    page.get_by_text(f"{urlsplit(visitors.url).netloc}/coupons?class=").wait_for()
    settled(page)
    sent = urlsplit(page.locator("[data-testid=stCode]").last.inner_text().strip())
    assert sent.path == "/coupons"
    other = visitors.come("phone", f"coupons?{sent.query}")
    other.get_by_role("heading", name="One coupon").wait_for()
    for path in class_photos[:3]:
        assert other.get_by_role("rowheader", name=path.stem).count() >= 1
    settled(other)
    look(other, "class-sent")
    none = visitors.come("phone", "coupons?class=AAAAAAAAAAAAAAAAAAAAAA")
    none.get_by_text("There is no class under this address").wait_for()
