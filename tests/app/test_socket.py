"""What an attacker gets who speaks to the app's socket directly, without the pages and their menus."""

from __future__ import annotations

import sys
from pathlib import Path
from urllib.request import HTTPRedirectHandler, Request, build_opener

import pytest
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

import invented
from toeline.record import Store
from toeline_app.drafts import CLASS_KEPT_FOR_S, Drafts
from toeline_app.keeping import _Draft
from toeline_app.prefs import Preferences
from toeline_app.said import Said
from toeline_app.sharing import _Class

sys.path.insert(0, str(Path(__file__).parents[1] / "browser"))
from driving import serve

INSPECTOR, LEARNER = "K7MR-2XPD", "LEAR-N3RS"
VISITOR, CLASS = "v" * 43, "c" * 22
PATIENCE_S = 120
#: What nobody may see who has no right to: names on record, in a class under an address, and in another's draft.
ON_RECORD, IN_CLASS, IN_DRAFT = b"Ada Brandt", b"ClassOfOthers", b"DraftOfAnother"


class NotFollowed(HTTPRedirectHandler):
    def redirect_request(self, *_):
        return None


@pytest.fixture(scope="module")
def app(tmp_path_factory):
    """The app open to the network, with an inspection on record, a class under an address, and a visitor's draft."""
    folder = tmp_path_factory.mktemp("socket")
    with Store.open(folder / "record.sqlite") as store:
        inspection = store.save_inspection(invented.result(), invented.photo_bytes(), invented.IDENTITY)
    state = folder / "state" / "toeline"
    photo = folder / "one.photo"
    photo.write_bytes(b"no photo")
    digest = "d" * 64
    held = {"coupons_photos": ((f"{IN_CLASS.decode()}.jpg", digest),)}
    kept = _Class(held=held, said=Said(), preferences=Preferences())
    Drafts(state / "classes", kept_for_s=CLASS_KEPT_FOR_S).keep(CLASS, kept.model_dump_json(), {digest: photo})
    draft = _Draft(held={"bench_photos": ((f"{IN_DRAFT.decode()}.jpg", digest),)}, said=Said())
    Drafts(state / "drafts").keep(VISITOR, draft.model_dump_json(), {digest: photo})
    with pytest.MonkeyPatch.context() as environment:
        environment.setenv("XDG_STATE_HOME", str(folder / "state"))
        running = serve(folder, host="0.0.0.0", code=INSPECTOR, learner_code=LEARNER)
    running.inspection = inspection.id
    yield running
    running.stop()


def let_in(app, code: str) -> str:
    """The cookie that a code gives."""
    try:
        build_opener(NotFollowed).open(Request(f"{app.url}/access?code={code}"), timeout=PATIENCE_S)
    except Exception as answer:
        return answer.headers["set-cookie"].partition(";")[0]
    raise AssertionError("the code led nowhere")


def told(app, cookie: str, page: str = "", query: str = "") -> bytes:
    """All that a session says which asks for a page, by its name in the address, and its query."""
    address = f"{app.url.replace('http', 'ws', 1)}/_stcore/stream"
    asked, said = BackMsg(), b""
    asked.rerun_script.query_string, asked.rerun_script.page_name = query, page
    with connect(address, additional_headers={"Cookie": cookie}, subprotocols=["streamlit"], max_size=None) as line:
        line.send(asked.SerializeToString())
        while True:
            message = line.recv(timeout=PATIENCE_S)
            said += message
            heard = ForwardMsg.FromString(message)
            if heard.WhichOneof("type") == "script_finished" and heard.script_finished == heard.FINISHED_SUCCESSFULLY:
                return said


def test_without_a_pass_there_is_no_session(app):
    forged = "toeline_pass=inspector.99999999." + "0" * 64
    for cookie in ("", forged, let_in(app, LEARNER).replace("learner", "inspector"), f"toeline_visitor={VISITOR}"):
        with pytest.raises((InvalidStatus, ConnectionClosed)):
            told(app, cookie, "record")


def test_an_inspector_is_told_what_a_learner_is_not(app):
    """Else the next test would show nothing."""
    cookie = let_in(app, INSPECTOR)
    assert ON_RECORD in told(app, cookie, "record")
    assert IN_CLASS in told(app, cookie, "coupons", f"class={CLASS}")


@pytest.mark.parametrize("page", ["record", "continuity", "procedures", "trends", "person", "coupons", "measure", ""])
def test_a_learners_session_is_told_nothing_of_others(app, page):
    cookie = let_in(app, LEARNER)
    more = (f"class={CLASS}", f"%63lass={CLASS}", "class=../../drafts") if page == "coupons" else ()
    for query in ("", f"inspection={app.inspection}", *more):
        said = told(app, cookie, page, query)
        assert not [secret for secret in (ON_RECORD, IN_CLASS, IN_DRAFT) if secret in said], (page, query)
        assert b"Traceback" not in said


def test_a_draft_comes_to_who_holds_its_whole_key_alone(app):
    cookie = let_in(app, LEARNER)
    digest = next((app.folder / "state" / "toeline" / "drafts").iterdir()).name
    for key in (VISITOR[:-1] + "w", VISITOR[:-1], digest, digest[:43], f"../drafts/{digest}", "*" * 43):
        assert IN_DRAFT not in told(app, f"{cookie}; toeline_visitor={key}")
    assert IN_DRAFT in told(app, f"{cookie}; toeline_visitor={VISITOR}")
