"""The gate, the cookie of settings, the photos of sessions: logic that needs no browser."""

from __future__ import annotations

import asyncio
import datetime
import os
import re
import time
from contextlib import nullcontext
from pathlib import Path
from urllib.parse import quote

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID
from hypothesis import given
from hypothesis import strategies as st
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from toeline_app.access import (
    ALPHABET,
    FREE_TRIES,
    LONGEST_WAIT_S,
    PASS_LASTS_S,
    TRIES_OF_ALL,
    AllowList,
    Gate,
    new_code,
)
from toeline_app.access_gate import COOKIE, LOOPBACK, VISITOR, VISITOR_KEY, AccessGate
from toeline_app.prefs import Preferences, read_cookie, write_cookie
from toeline_app.server import ServingError, launch
from toeline_app.uploads import (
    ALL_FULL,
    AWAY_S,
    MOST_BYTES,
    MOST_BYTES_COMING,
    MOST_BYTES_OF_ALL,
    TooMuch,
    Uploads,
)


class Clock:
    """A clock that stands still until it is moved."""

    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


class Sending(Uploads):
    """The photos of sessions, with what waits in the server's memory as the test says it."""

    def __init__(self):
        self.waiting: dict[str, int] = {}
        super().__init__(lambda session: True, waiting=lambda: self.waiting)


@pytest.fixture
def uploads():
    """No photos yet."""
    kept = Sending()
    yield kept
    kept.close()


def test_codes_are_fresh_and_easy_to_read():
    codes = {new_code() for _ in range(50)}
    assert len(codes) == 50
    assert all(len(code) == 9 and set(code) <= set(ALPHABET + "-") for code in codes)


def test_the_code_is_taken_in_any_case_and_spacing():
    gate = Gate("K7MR-2XPD")
    assert gate.try_code(" k7mr 2xpd", "a").accepted
    assert not gate.try_code("K7MR-2XPE", "a").accepted
    assert not gate.try_code("", "a").accepted


def test_guessing_is_slowed_down_and_waiting_helps():
    clock = Clock()
    gate = Gate("K7MR-2XPD", clock=clock)
    answers = [gate.try_code("wrong", "a") for _ in range(FREE_TRIES)]
    assert [one.wait_s > 0 for one in answers] == [False] * (FREE_TRIES - 1) + [True]
    assert not gate.try_code("K7MR-2XPD", "a").accepted  # even the right code must wait
    assert gate.try_code("K7MR-2XPD", "b").accepted  # another address need not
    clock.now += answers[-1].wait_s
    second = gate.try_code("wrong", "a")
    assert second.wait_s > answers[-1].wait_s
    clock.now += LONGEST_WAIT_S
    assert gate.try_code("K7MR-2XPD", "a").accepted


def test_guessing_from_many_addresses_is_slowed_down_too():
    gate = Gate("K7MR-2XPD", clock=Clock())
    for number in range(TRIES_OF_ALL):
        gate.try_code("wrong", f"address {number}")
    assert not gate.try_code("K7MR-2XPD", "new").accepted


def test_a_pass_is_good_for_its_own_gate_only():
    one, two = Gate("K7MR-2XPD"), Gate("K7MR-2XPD")
    assert one.role_of(one.new_pass("inspector")) == "inspector"
    assert two.role_of(one.new_pass("inspector")) is None
    assert one.role_of("") is None


def test_each_code_gives_its_own_role_and_a_pass_of_one_is_none_of_the_other():
    gate = Gate("K7MR-2XPD", "LEAR-N3RS")
    assert gate.try_code("k7mr2xpd", "a").role == "inspector"
    assert gate.try_code("learn3rs", "a").role == "learner"
    learner = gate.new_pass("learner")
    assert gate.role_of(learner) == "learner"
    assert gate.role_of(learner.replace("learner", "inspector")) is None
    assert Gate("K7MR-2XPD").try_code("", "a").role is None


def test_a_pass_ends():
    clock = Clock()
    gate = Gate("K7MR-2XPD", clock=clock)
    given = gate.new_pass("learner")
    clock.now = PASS_LASTS_S - 1
    assert gate.role_of(given) == "learner"
    clock.now = PASS_LASTS_S + 1
    assert gate.role_of(given) is None
    name, until, mark = given.split(".")
    assert gate.role_of(f"{name}.{int(until) + 10_000}.{mark}") is None


@given(st.text(max_size=80))
def test_no_other_text_is_a_pass(text):
    gate = Gate("K7MR-2XPD", "LEAR-N3RS")
    assert gate.role_of(text) is None
    assert gate.role_of(f"inspector.{text}") is None


@pytest.mark.parametrize(
    ("user", "role"),
    [
        ({"email": "noor@school.example"}, "inspector"),
        ({"email": "NOOR@School.Example ", "email_verified": True}, "inspector"),
        ({"email": "ada@school.example"}, "learner"),
        ({"email": "finn@workshop.example"}, "inspector"),
        ({"email": "ada@school.example", "email_verified": False}, None),
        ({"email": "ada@notschool.example"}, None),
        ({"email": "ada@school.example.evil.example"}, None),
        ({"email": "school.example"}, None),
        ({"email": None}, None),
        ({"name": "noor@school.example"}, None),
        ({}, None),
    ],
)
def test_an_organisations_sign_in_lets_in_whom_the_list_names(user, role):
    settings = {"allow": ["school.example"], "inspectors": ["noor@school.example", "@workshop.example"]}
    assert AllowList.of(settings).role_of(user) == role


@pytest.mark.parametrize(
    "settings", [{}, {"allow": []}, {"allow": "school.example"}, {"inspectors": [""]}, {"allow": [1]}, {"allow": ["@"]}]
)
def test_a_list_that_lets_nobody_in_or_is_none_is_refused_at_the_start(settings):
    with pytest.raises(ValueError, match="toeline"):
        AllowList.of(settings)


def certificate(folder, names=("localhost",)):
    """A certificate for this machine and its key, made as a workshop would for its own network."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "An invented workshop")])
    now = datetime.datetime.now(datetime.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(one) for one in names]), critical=False)
        .sign(key, hashes.SHA256())
    )
    paths = folder / "certificate.pem", folder / "key.pem"
    paths[0].write_bytes(made.public_bytes(Encoding.PEM))
    paths[1].write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    return paths


def test_a_certificate_that_cannot_be_used_is_one_sentence(tmp_path):
    made, key = certificate(tmp_path)
    (tmp_path / "other").mkdir()
    other = certificate(tmp_path / "other")[1]
    (tmp_path / "text.pem").write_text("no certificate")
    for files in (
        (made, None),
        (None, key),
        (made, tmp_path / "none.pem"),
        (made, other),
        (tmp_path / "text.pem", key),
    ):
        with pytest.raises(ServingError, match="PEM"):
            launch(certificate=files[0], key=files[1])


@pytest.mark.parametrize(
    "behind",
    [
        "weld.example",
        "http://weld.example",
        "https://",
        "https://weld.example/app",
        "https://a:b@weld.example",
        "https://[::1",
    ],
)
def test_a_proxys_address_that_is_none_is_one_sentence(behind):
    with pytest.raises(ServingError, match="proxy's address"):
        launch(behind=behind)


def test_a_place_to_listen_on_that_is_none_is_one_sentence():
    with pytest.raises(ServingError, match="no address to listen on"):
        launch(host="everywhere")


class Visitor:
    """Speaks ASGI with the access gate; keeps the cookie it is given."""

    def __init__(self, gate: Gate | None, *, names=None, host: str = "testserver", uploads=None, scheme: str = "http"):
        self._scheme = scheme
        inside = Starlette(routes=[Route("/{rest:path}", lambda request: PlainTextResponse("inside"), methods=METHODS)])
        self._app = AccessGate(inside, gate, names, uploads.coming if uploads else lambda *_: nullcontext())
        self._host = host
        self.cookie = ""

    def ask(self, method: str, path: str, body: bytes = b"", accept: str = "*/*", kind: str = "http", **more: str):
        """Status, headers and text of the answer; for a socket the close code stands as the status."""
        path, _, query = path.partition("?")
        headers = {"host": self._host, "accept": accept, "cookie": self.cookie.split(";")[0], **more}
        scope = {
            "type": kind,
            "method": method,
            "path": path,
            "query_string": query.encode(),
            "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
            "client": ("192.0.2.7", 5),
            "server": ("testserver", 80),
            "scheme": self._scheme,
        }
        sent = []

        async def receive():
            return {"type": "http.request", "body": body, "more_body": False}

        async def send(message):
            sent.append(message)

        asyncio.run(self._app(scope, receive, send))
        if kind == "websocket":
            return sent[0]["code"], {}, ""
        answer = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
        self.cookie = answer.get("set-cookie", self.cookie)
        return sent[0]["status"], answer, b"".join(one.get("body", b"") for one in sent[1:]).decode()


METHODS = ["GET", "POST", "PUT"]


def test_without_a_pass_nothing_is_served_but_the_question():
    visitor = Visitor(Gate("K7MR-2XPD"))
    assert visitor.ask("GET", "/", accept="text/html")[1]["location"] == "/access"
    assert visitor.ask("PUT", "/_stcore/upload_file/x/y", b"x")[0] == 401
    assert "inside" not in visitor.ask("GET", "/access")[2]
    assert visitor.ask("GET", "/_stcore/stream", kind="websocket")[0] == 4401
    assert visitor.ask("POST", "/access", b"code=no")[0] == 403
    assert visitor.cookie == ""
    status, answer, _ = visitor.ask("POST", "/access", b"code=k7mr2xpd")
    assert status == 303
    assert all(word in answer["set-cookie"].lower() for word in (COOKIE, "httponly", "samesite=lax"))
    assert visitor.ask("PUT", "/anything")[2] == "inside"


def test_a_long_form_is_cut_and_nothing_given_comes_back_as_markup():
    visitor = Visitor(Gate("K7MR-2XPD"))
    status, _, text = visitor.ask("GET", "/access?code=%3Cscript%3Ealert(1)%3C/script%3E")
    assert (status, "<script>alert" in text) == (403, False)
    assert visitor.ask("POST", "/access", b"code=" + b"A" * 5_000_000)[0] == 403


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://localhost:8502", "https://testserver.evil", "http://[evil", "//]"]
)
def test_another_sites_page_is_refused_before_anything_else_looks_at_it(origin):
    visitor = Visitor(None, host="localhost:8501")
    assert visitor.ask("GET", "/_stcore/stream", kind="websocket", origin=origin)[0] == 4401
    assert visitor.ask("PUT", "/_stcore/upload_file/x/y", b"x", origin=origin)[0] == 403
    assert visitor.ask("PUT", "/_stcore/upload_file/x/y", b"x", origin="http://localhost:8501")[2] == "inside"


def test_only_a_session_that_may_see_the_pages_sends_photos(uploads):
    visitor = Visitor(None, uploads=uploads)
    assert visitor.ask("PUT", "/_stcore/upload_file/one/y", b"x")[0] == 403
    uploads.welcome("one")
    assert visitor.ask("PUT", "/_stcore/upload_file/one/y", b"x", **{"content-length": "1"})[2] == "inside"
    assert visitor.ask("PUT", "/_stcore/upload_file/two/y", b"x")[0] == 403
    assert visitor.ask("GET", "/")[2] == "inside"


def test_a_session_sends_as_much_as_it_may_hold_and_is_told_so(uploads, monkeypatch):
    monkeypatch.setattr("toeline_app.uploads.MOST_BYTES", 100)
    visitor = Visitor(None, uploads=uploads)
    for session in ("one", "two"):
        uploads.welcome(session)

    def put(session: str, **said: str) -> int:
        return visitor.ask("PUT", f"/_stcore/upload_file/{session}/y", b"x", **said)[0]

    with uploads.coming("one", 60) as refusal:
        assert refusal is None
        assert put("one", **{"content-length": "41"}) == 507
        assert put("one", **{"content-length": "40"}) == 200
        assert put("two", **{"content-length": "100"}) == 200
    assert put("one", **{"content-length": "100"}) == 200
    for unsaid in ({}, {"content-length": "9" * 5000}, {"content-length": "1", "transfer-encoding": "chunked"}):
        assert put("two", **unsaid) == 507  # counts as the largest there may be
    assert "MB at most" in uploads.turned_away("one")
    assert uploads.turned_away("one") is None
    uploads.waiting["one"] = 61
    assert put("one", **{"content-length": "40"}) == 507


def test_all_sessions_together_send_so_much_and_no_more(uploads, monkeypatch):
    monkeypatch.setattr("toeline_app.uploads.MOST_BYTES_COMING", 100)
    uploads.welcome("one")
    uploads.waiting["two"] = 60
    with uploads.coming("one", 40) as refusal:
        assert refusal is None
        with uploads.coming("one", 1) as refusal:
            assert refusal == (507, ALL_FULL)


def test_thirty_coupons_fit_several_classes_at_once():
    a_class = 30 * 6_000_000
    assert 2 * a_class <= MOST_BYTES
    assert 4 * a_class <= MOST_BYTES_COMING
    assert 10 * MOST_BYTES <= MOST_BYTES_OF_ALL


def test_a_full_disk_is_one_sentence_and_leaves_nothing_half_there(monkeypatch):
    uploads = Uploads(lambda session: True)

    def full(path, data):
        path.touch()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.write_bytes", full)
    with pytest.raises(TooMuch, match="no room on the server"):
        uploads.keep("one", b"photo")
    assert list(uploads.folder("one").iterdir()) == []
    uploads.close()


def test_pages_may_load_nothing_from_elsewhere():
    policy = Visitor(None).ask("GET", "/")[1]["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "http" not in policy


@pytest.mark.parametrize(
    ("host", "status"),
    [("localhost", 200), ("127.0.0.1:8501", 200), ("evil.example", 421), ("localhost.evil", 421), ("[::", 421)],
)
def test_on_this_machine_only_its_own_names_are_answered(host, status):
    assert Visitor(None, names=LOOPBACK, host=host).ask("GET", "/")[0] == status


def test_behind_a_proxy_its_own_name_alone_is_answered_and_the_code_is_asked_for():
    names = frozenset({"weld.example"})
    for host, status in (("weld.example", 401), ("localhost", 421), ("127.0.0.1:8501", 421), ("evil.example", 421)):
        assert Visitor(Gate("K7MR-2XPD"), names=names, host=host).ask("GET", "/")[0] == status
    visitor = Visitor(Gate("K7MR-2XPD"), names=names, host="weld.example", scheme="https")
    assert "secure" in visitor.ask("POST", "/access", b"code=k7mr2xpd")[1]["set-cookie"].lower()


@given(
    st.builds(
        Preferences,
        joint=st.sampled_from(("bead", "butt", "fillet")),
        thickness_mm=st.none() | st.floats(0.5, 300),
        electrode_mm=st.none() | st.floats(1, 10),
        criteria=st.none() | st.from_regex(r"[a-z0-9.-]{1,60}", fullmatch=True),
        unit=st.sampled_from(("mm", "in")),
        check_line_mm=st.none() | st.floats(45, 55),
    )
)
def test_settings_survive_the_cookie_and_cannot_leave_it(preferences):
    value = write_cookie(preferences)
    assert read_cookie(value) == preferences
    assert not set(value) & set("'\"<>;, \n\\")


@given(st.text(max_size=80))
def test_any_other_cookie_gives_the_defaults_or_sound_settings(text):
    assert isinstance(read_cookie(text), Preferences)


def test_photos_of_closed_sessions_are_let_go():
    clock, open_sessions = Clock(), {"one", "two"}
    uploads = Uploads(open_sessions.__contains__, clock)
    mine, theirs = uploads.keep("one", b"photo"), uploads.keep("two", b"photo")
    assert mine != theirs
    open_sessions.remove("two")
    clock.now = AWAY_S / 2
    assert uploads.sweep() == 0  # a phone may be away for a while
    clock.now = 1.6 * AWAY_S
    assert uploads.sweep() == 1
    assert (mine.exists(), theirs.exists()) == (True, False)
    uploads.close()
    assert not mine.exists()


def test_a_session_may_hold_so_many_photos_and_no_more(monkeypatch):
    monkeypatch.setattr("toeline_app.uploads.MOST_PHOTOS", 2)
    uploads = Uploads(lambda session: True)
    for data in (b"1", b"2", b"2"):
        uploads.keep("one", data)
    with pytest.raises(TooMuch, match="photos and"):
        uploads.keep("one", b"3")
    uploads.keep("two", b"3")
    uploads.close()


def test_a_page_reloaded_again_and_again_fills_nothing(monkeypatch):
    """Its draft brings the photos back in each new session, and the old ones are only let go after a while."""
    uploads = Uploads(lambda session: True)
    monkeypatch.setattr("toeline_app.uploads.MOST_BYTES_OF_ALL", 12)
    kept = [uploads.keep(f"reload {k}", b"a photo") for k in range(10)]
    assert uploads.keep("other", b"of 5b") is not None
    with pytest.raises(TooMuch):
        uploads.keep("other", b"6")
    uploads.keep_only("reload 0", set())
    assert [path.exists() for path in kept] == [False] + [True] * 9
    assert kept[9].read_bytes() == b"a photo"
    uploads.close()


def test_photos_left_behind_by_a_killed_app_are_swept_at_start(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    living = Uploads(lambda session: True)
    kept = living.keep("one", b"1")
    for name, age in (("toeline-app-dead", 3600), ("toeline-app-new", 0), ("other-app", 3600)):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "a.photo").write_bytes(b"x")
        os.utime(folder, (time.time() - age,) * 2)
    os.utime(Path(living._folder.name), (time.time() - 3600,) * 2)
    another = Uploads(lambda session: True)
    assert {path.name for path in tmp_path.iterdir()} == {
        "toeline-app-new", "other-app", Path(living._folder.name).name, Path(another._folder.name).name,
    }  # fmt: skip
    assert kept.exists()
    for one in (living, another):
        one.close()


def test_the_right_code_leads_to_the_address_that_was_sent():
    visitor = Visitor(Gate("K7MR-2XPD"))
    asked = "/record?inspection=7f"
    location = visitor.ask("GET", asked, accept="text/html")[1]["location"]
    assert location == "/access?to=%2Frecord%3Finspection%3D7f"
    assert 'name="to" value="/record?inspection=7f"' in visitor.ask("GET", location)[2]
    assert visitor.ask("POST", "/access", b"code=no&to=" + quote(asked).encode())[0] == 403
    answer = visitor.ask("POST", "/access", b"code=k7mr2xpd&to=" + quote(asked).encode())[1]
    assert answer["location"] == asked


@pytest.mark.parametrize(
    "to", ["//evil.example", "https://evil.example", "/\\evil.example", "/access", "evil", "/a\r\nb"]
)
def test_nobody_is_led_elsewhere(to):
    visitor = Visitor(Gate("K7MR-2XPD"))
    body = b"code=k7mr2xpd&to=" + quote(to, safe="").encode()
    assert visitor.ask("POST", "/access", body)[1]["location"] == "/"


@pytest.mark.parametrize(
    "path", ["/record?inspection=7f", "/continuity", "/procedures", "/trends", "/person/", "/coupons?class=7f"]
)
def test_a_sent_address_of_the_record_is_refused_to_a_learner(path):
    visitor = Visitor(Gate("K7MR-2XPD", "LEAR-N3RS"))
    visitor.ask("POST", "/access", b"code=LEARN3RS")
    status, _, text = visitor.ask("GET", path, accept="text/html")
    assert status == 403
    assert "inspector" in text
    assert "inside" not in text
    assert visitor.ask("GET", "/coupons", accept="text/html")[2] == "inside"
    other = Visitor(Gate("K7MR-2XPD", "LEAR-N3RS"))
    other.ask("POST", "/access", b"code=K7MR2XPD")
    assert other.ask("GET", path, accept="text/html")[2] == "inside"


def test_each_visitor_gets_a_key_of_their_own_that_no_script_can_read():
    keys = []
    for _ in range(2):
        said = Visitor(None).ask("GET", "/", accept="text/html")[1]["set-cookie"]
        assert all(word in said for word in ("HttpOnly", "SameSite=lax", "Max-Age=43200"))
        keys.append(said.partition("=")[2].partition(";")[0])
    assert keys[0] != keys[1]
    assert all(VISITOR_KEY.fullmatch(key) for key in keys)
    known = Visitor(None)
    known.cookie = f"{VISITOR}={keys[0]}"
    assert known.ask("GET", "/", accept="text/html")[1]["set-cookie"].startswith(f"{VISITOR}={keys[0]};")
    known.cookie = f"{VISITOR}=../../etc"
    assert "../" not in known.ask("GET", "/", accept="text/html")[1]["set-cookie"]
    assert "set-cookie" not in Visitor(None).ask("GET", "/app.js")[1]
    assert "set-cookie" not in Visitor(Gate("K7MR-2XPD")).ask("GET", "/", accept="text/html")[1]
    assert "Secure" in Visitor(None, scheme="https").ask("GET", "/", accept="text/html")[1]["set-cookie"]


def test_every_page_of_the_record_is_refused_to_who_does_not_decide():
    from toeline_app import access_gate, shell

    record = Path(shell.__file__).read_text("utf-8").split('"Record": [')[1].split('"Class": [')[0]
    assert set(re.findall(r'url_path="([a-z]+)"', record)) <= access_gate.INSPECTORS
