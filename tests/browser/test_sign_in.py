"""Signing in with an organisation's own account, against a real OpenID Connect provider that runs beside the app."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from importlib.util import find_spec
from urllib.error import URLError
from urllib.request import Request, urlopen

import pytest
from driving import free_port, look, serve, settled
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

import invented
from toeline.record import Store

if find_spec("oidc_provider_mock") is None:
    pytest.skip("oidc-provider-mock is not installed", allow_module_level=True)


PEOPLE = (
    ("noor", "Noor Holm", "noor@workshop.example"),
    ("ada", "Ada Brandt", "ada@workshop.example"),
    ("finn", "Finn Aas", "finn@elsewhere.example"),
)


@pytest.fixture(scope="module")
def provider(tmp_path_factory):
    """The provider's address; it knows an inspector, a learner and someone who is neither."""
    port = free_port()
    with (tmp_path_factory.mktemp("provider") / "said.txt").open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "oidc_provider_mock", "--port", str(port)], stdout=out, stderr=out
        )
    url = f"http://localhost:{port}"
    until = time.monotonic() + 60
    for sub, name, email in PEOPLE:
        user = Request(
            f"{url}/users/{sub}",
            json.dumps({"name": name, "email": email}).encode(),
            {"Content-Type": "application/json"},
            method="PUT",
        )
        while True:
            try:
                urlopen(user, timeout=5).close()
                break
            except URLError:
                assert time.monotonic() < until, "the provider does not answer"
                time.sleep(0.2)
    yield url
    process.terminate()
    process.wait(20)


@pytest.fixture(scope="module")
def app(provider, tmp_path_factory):
    """The app open to the network, with the organisation's sign-in set up as Streamlit reads it."""
    folder, port = tmp_path_factory.mktemp("app"), free_port()
    (folder / ".streamlit").mkdir()
    (folder / ".streamlit" / "secrets.toml").write_text(
        f'[auth]\nredirect_uri = "http://localhost:{port}/oauth2callback"\ncookie_secret = "of the test alone"\n'
        f'client_id = "toeline"\nclient_secret = "kept"\n'
        f'server_metadata_url = "{provider}/.well-known/openid-configuration"\n'
        f'[toeline]\nallow = ["workshop.example"]\ninspectors = ["noor@workshop.example"]\n'
    )
    running = serve(folder, port=port, host="0.0.0.0")
    yield running
    running.stop()


@pytest.fixture
def page(browser, app, provider):
    """A phone at the app's door; nobody but the app and the provider may be asked for anything."""
    context = browser.new_context(viewport={"width": 360, "height": 740}, is_mobile=True, has_touch=True)
    one = context.new_page()
    one.set_default_timeout(60_000)
    strays = []
    homes = (app.url, app.url.replace("http", "ws", 1), provider, "data:", "blob:")
    one.on("request", lambda request: None if request.url.startswith(homes) else strays.append(request.url))
    one.goto(app.url)
    yield one
    context.close()
    assert [stray for stray in strays if "cdn.jsdelivr.net" not in stray] == []  # the provider's own style sheet


def test_the_organisations_sign_in_takes_the_place_of_the_access_code(page, app):
    assert "Access code" not in app.said.read_text()
    page.get_by_role("button", name="Sign in").wait_for()
    settled(page)
    look(page, "sign-in")
    assert page.get_by_text("access code").count() == 0
    assert page.locator("input").count() == 0
    page.get_by_role("button", name="Sign in").tap()
    page.locator("input[name=sub]").fill("noor")
    page.get_by_role("button", name="Authorize", exact=True).click()
    page.get_by_role("heading", name="Measure a weld bead").wait_for()
    page.get_by_text("Signed in as Noor Holm.").wait_for()
    settled(page)
    look(page, "signed-in")
    page.goto(f"{app.url}/record")
    page.get_by_role("heading", name="Inspections").wait_for()
    settled(page)
    page.get_by_role("button", name="Sign out").tap()
    page.get_by_role("button", name=re.compile("^(Sign in|Confirm|Yes|Log ?out|End)", re.IGNORECASE)).first.wait_for()
    page.goto(app.url)
    page.get_by_role("button", name="Sign in").wait_for()
    assert page.get_by_role("heading", name="Measure a weld bead").count() == 0


@pytest.mark.parametrize("path", ["record", "person", "coupons", "?inspection=1"])
def test_without_signing_in_no_page_is_shown(page, app, path):
    page.goto(f"{app.url}/{path}")
    page.get_by_role("button", name="Sign in").wait_for()
    settled(page)
    assert page.get_by_role("heading").all_inner_texts() == ["toeline"]


def test_without_signing_in_no_photo_is_taken(page, app):
    frames = []
    page.on("websocket", lambda socket: socket.on("framereceived", lambda frame: frames.append(frame)))
    page.goto(app.url)
    page.get_by_role("button", name="Sign in").wait_for()
    settled(page)
    said = (ForwardMsg.FromString(frame) for frame in frames if isinstance(frame, bytes))
    *_, session = (one.new_session.initialize.session_id for one in said if one.HasField("new_session"))
    token = next(one["value"] for one in page.context.cookies() if one["name"] == "_streamlit_xsrf")
    photo = {"photo": {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": b"x"}}
    answer = page.request.put(
        f"{app.url}/_stcore/upload_file/{session}/1", multipart=photo, headers={"X-Xsrftoken": token}
    )
    assert answer.status == 403
    assert "may see the pages" in answer.text()


def sign_in(page, who):
    page.get_by_role("button", name="Sign in").tap()
    page.locator("input[name=sub]").fill(who)
    page.get_by_role("button", name="Authorize", exact=True).click()


def test_a_learner_measures_and_does_not_see_what_others_saved(page, app):
    sign_in(page, "ada")
    page.get_by_role("heading", name="Measure a weld bead").wait_for()
    page.goto(f"{app.url}/record")
    settled(page)
    assert page.get_by_role("heading", name="Inspections").count() == 0


def test_a_sent_address_opens_after_signing_in_for_who_may_see_it(page, app):
    with Store.open(app.record) as store:
        saved = store.save_inspection(invented.result(), invented.photo_bytes(), invented.IDENTITY)
    page.goto(f"{app.url}/record?inspection={saved.id}")
    page.get_by_role("button", name="Sign in").wait_for()
    settled(page)
    sign_in(page, "noor")
    page.get_by_role("heading", name=re.compile(invented.IDENTITY.weld)).wait_for()
    settled(page)
    page.get_by_role("button", name="Sign out").tap()
    page.get_by_role("button", name=re.compile("^(Sign in|Confirm|Yes|Log ?out|End)", re.IGNORECASE)).first.wait_for()
    page.goto(f"{app.url}/record?inspection={saved.id}")
    page.get_by_role("button", name="Sign in").wait_for()
    settled(page)
    sign_in(page, "ada")
    page.get_by_text("it is for the inspector or the instructor").wait_for()
    assert page.get_by_text(invented.IDENTITY.weld).count() == 0


def test_whom_the_list_does_not_name_is_not_let_in(page):
    sign_in(page, "finn")
    page.get_by_text("not among those that may use this app").wait_for()
    settled(page)
    look(page, "not-allowed")
    assert page.get_by_role("heading").all_inner_texts() == ["toeline"]


def test_who_is_denied_by_the_provider_stays_outside(page):
    page.get_by_role("button", name="Sign in").tap()
    page.get_by_role("button", name="Deny").click()
    page.get_by_role("button", name="Sign in").wait_for()
    settled(page)
    assert page.get_by_role("heading").all_inner_texts() == ["toeline"]


def test_a_forged_pass_is_no_pass(page, app):
    forged = json.dumps({"is_logged_in": True, "name": "Noor Holm", "origin": app.url})
    page.context.add_cookies([{"name": "_streamlit_user", "value": forged, "url": app.url}])
    page.reload()
    page.get_by_role("button", name="Sign in").wait_for()
    settled(page)
    assert page.get_by_role("heading").all_inner_texts() == ["toeline"]
