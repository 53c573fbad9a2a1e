"""Over HTTPS with a certificate of one's own: what a learner may see and do, and what an inspector may."""

from __future__ import annotations

import re
import sys
from http.client import HTTPConnection
from pathlib import Path

import pytest
from driving import PATIENCE_MS, SIZES, choose, fill_in, look, measured, open_fold, press, serve, settled

import invented
from toeline.record import Store

sys.path.insert(0, str(Path(__file__).parents[1] / "app"))
from test_access import certificate


@pytest.fixture(scope="module")
def app(tmp_path_factory):
    """The app open to the network over HTTPS, with one inspection on record."""
    folder = tmp_path_factory.mktemp("https")
    made, key = map(str, certificate(folder))
    with Store.open(folder / "record.sqlite") as store:
        store.save_inspection(invented.result(), invented.photo_bytes(), invented.IDENTITY)
    running = serve(folder, host="0.0.0.0", certificate=made, key=key, code="K7MR-2XPD", learner_code="LEAR-N3RS")
    yield running
    running.stop()


@pytest.fixture
def come(browser, app):
    """A phone that comes in with a code."""
    contexts = []

    def coming(code):
        width, height = SIZES["phone"]
        context = browser.new_context(
            viewport={"width": width, "height": height}, is_mobile=True, has_touch=True, ignore_https_errors=True
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.goto(f"{app.url}/access?code={code}")
        page.get_by_role("heading", name="Measure a weld bead").wait_for()
        settled(page)
        return page

    yield coming
    for context in contexts:
        context.close()


def test_codes_are_shown_where_it_was_started_without_a_warning_over_https(app):
    said = app.said.read_text()
    assert "K7MR-2XPD" in said
    assert "LEAR-N3RS" in said
    assert "not encrypted" not in said


def test_a_learner_measures_and_saves_and_sees_nothing_of_others(come, app, pictures):
    page = come("LEAR-N3RS")
    (cookie,) = (one for one in page.context.cookies() if one["name"] == "toeline_pass")
    assert cookie["secure"]
    for path, heading in (("record", "Inspections"), ("trends", "Trends"), ("person", "Personal data")):
        assert page.goto(f"{app.url}/{path}").status == 403
        page.get_by_text("it is for the inspector or the instructor").wait_for()
        assert page.get_by_role("heading", name=heading).count() == 0, path
        assert page.get_by_text("Ada Brandt").count() == 0, path
    page.goto(f"{app.url}/phone")
    page.get_by_text("LEAR-N3RS").wait_for()
    settled(page)
    assert page.get_by_text("K7MR-2XPD").count() == 0
    look(page, "phone-learner")
    page.goto(app.url)
    choose(page, pictures[0].path)
    measured(page)
    open_fold(page, "Save to the record")
    assert page.get_by_text("Your decision").count() == 0
    fill_in(page, "Weld number", "L-1")
    look(page, "save-learner")
    press(page, "Look it over and save")
    page.get_by_text("Missing: welder.").wait_for()
    press(page, "Save the inspection")
    page.get_by_text("Saved to the record.").wait_for()
    assert page.get_by_role("button", name="Open the inspection").count() == 0


def test_an_inspector_sees_the_record_and_both_codes(come, app):
    page = come("K7MR-2XPD")
    page.goto(f"{app.url}/record")
    page.get_by_role("heading", name="Inspections").wait_for()
    page.get_by_text(re.compile("Ada Brandt")).first.wait_for()
    page.goto(f"{app.url}/phone")
    open_fold(page, "For the inspector")
    page.get_by_text("K7MR-2XPD").wait_for()
    look(page, "phone-inspector")


def test_behind_a_proxy_it_knows_the_visitors_address_and_that_it_was_https(tmp_path):
    """With the headers that the documented proxy sends; wrong codes count for the visitor who gave them."""
    running = serve(tmp_path, behind="https://weld.example", code="K7MR-2XPD")

    def ask(code, visitor, host="weld.example"):
        named = {"Host": host, "X-Forwarded-For": visitor, "X-Forwarded-Proto": "https"}
        asking = HTTPConnection("127.0.0.1", int(running.url.rsplit(":", 1)[1]), timeout=20)
        asking.request("POST", "/access", f"code={code}", named)
        answer = asking.getresponse()
        answer.read()
        asking.close()
        return answer.status, answer.headers.get("set-cookie", "")

    try:
        said = running.said.read_text()
        assert "https://weld.example" in said
        assert "not encrypted" not in said
        assert ask("K7MR-2XPD", "198.51.100.1", "localhost")[0] == 421
        for _ in range(5):
            ask("AAAA-AAAA", "198.51.100.1")
        assert ask("K7MR-2XPD", "198.51.100.1")[0] == 429
        status, cookie = ask("K7MR-2XPD", "198.51.100.2")
        assert status == 303
        assert "Secure" in cookie
    finally:
        running.stop()
