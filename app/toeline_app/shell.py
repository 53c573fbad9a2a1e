"""Page frame: who may see the pages, the style, the navigation, what stays on the device."""

from __future__ import annotations

import errno
from collections.abc import Callable
from pathlib import Path
from urllib.parse import parse_qsl, quote, unquote, urlencode, urlsplit

import streamlit as st
from streamlit import runtime
from streamlit.navigation.page import StreamlitPage

from toeline.errors import ToelineError
from toeline_app import components, keeping, prefs, serving, ui
from toeline_app.access_gate import PATH
from toeline_app.service import retention
from toeline_app.uploads import NO_ROOM, TELL, session_id
from toeline_app.views import (
    about,
    agreement,
    bench,
    cards,
    continuity,
    coupons,
    person,
    phone,
    procedures,
    progress,
    record,
    repeat,
    trends,
)

#: The cookie with the address that was asked for before signing in.
_WHERE_TO = "toeline_where_to"


def run() -> None:
    """One run of the app's script."""
    st.set_page_config(
        page_title="toeline", page_icon=str(Path(__file__).with_name("static") / "icon.png"), layout="centered"
    )
    ui.style()
    if not _may_come_in():
        return
    retention.uploads().welcome(session_id())
    keeping.bring_back()
    sections = {
        "": [st.Page(bench.page, title="Measure", icon=":material/photo_camera:", url_path="measure", default=True)],
        "Record": [
            st.Page(record.page, title="Inspections", icon=":material/inventory_2:", url_path="record"),
            st.Page(continuity.page, title="Continuity", icon=":material/event_repeat:", url_path="continuity"),
            st.Page(procedures.page, title="Procedures", icon=":material/description:", url_path="procedures"),
            st.Page(trends.page, title="Trends", icon=":material/monitoring:", url_path="trends"),
            st.Page(person.page, title="Personal data", icon=":material/person:", url_path="person"),
        ],
        "Class": [
            st.Page(coupons.page, title="Coupons", icon=":material/school:", url_path="coupons"),
            st.Page(
                progress.page, title="Before and after", icon=":material/compare_arrows:", url_path="before-and-after"
            ),
            st.Page(agreement.page, title="Agreement", icon=":material/handshake:", url_path="agreement"),
            st.Page(repeat.page, title="Repeatability", icon=":material/repeat:", url_path="repeatability"),
        ],
        "Help": [
            st.Page(cards.page, title="Reference cards", icon=":material/print:", url_path="cards"),
            st.Page(phone.page, title="On a phone", icon=":material/qr_code_2:", url_path="phone"),
            st.Page(about.page, title="What a photo cannot show", icon=":material/info:", url_path="about"),
        ],
    }
    if serving.role() != "inspector":
        sections["Record"] = [_for_inspectors(page) for page in sections["Record"]]
    current = st.navigation(sections, position="top")
    components.set_pages({page.url_path: page for section in sections.values() for page in section})
    _go_where_to(current)
    try:
        shown(current.run)
        ui.forget_presses()
    finally:  # also where the page is drawn anew, or left
        keeping.keep()
    prefs.keep_on_device()
    if serving.signs_in_elsewhere():
        st.text(f"Signed in as {st.user.get('name') or st.user.get('email') or 'someone without a name'}.")
        st.button("Sign out", on_click=st.logout, width="stretch")


def _remember_where_to() -> None:
    """Keeps the address that was asked for: the way over the organisation's sign-in leads back to the start."""
    asked = urlsplit(st.context.url or "").path + "?" + urlencode(st.query_params.to_dict())
    if asked not in ("/?", "?"):
        _cookie(quote(asked, safe=""), 600)


def _go_where_to(current: StreamlitPage) -> None:
    """Goes to the address that was asked for before signing in, once."""
    asked = urlsplit(unquote(st.context.cookies.get(_WHERE_TO, "")))
    if not serving.signs_in_elsewhere() or not asked.path:
        return
    _cookie("", 0)  # in every run: the one that goes elsewhere shows nothing
    if st.session_state.get(_WHERE_TO):
        return
    st.session_state[_WHERE_TO] = True
    page = components.pages().get(asked.path.strip("/"))
    if page is not None and current.url_path == "":
        st.switch_page(page, query_params=dict(parse_qsl(asked.query)))


def _cookie(value: str, lasts_s: int) -> None:
    st.html(
        f"<script>document.cookie = '{_WHERE_TO}={value}; path=/; max-age={lasts_s}; samesite=lax';</script>",
        unsafe_allow_javascript=True,
    )


def _for_inspectors(page: StreamlitPage) -> StreamlitPage:
    """A page of the record to who may not see it: not in the menu, and one sentence to who has its address."""

    def refused() -> None:
        st.error("This page shows what others saved: it is for the inspector or the instructor.")
        st.page_link(components.page(""), label="Measure a bead", icon=":material/photo_camera:")

    return st.Page(refused, title=page.title, url_path=page.url_path, visibility="hidden")


def shown(page: Callable[[], None]) -> None:
    """A page; where it stops because the disk is full or the record's server is down, that is one sentence."""
    try:
        page()
    except ToelineError as error:
        ui.error(error)
    except OSError as error:
        full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
        ui.error(NO_ROOM if full else f"A file of the server cannot be used ({error.strerror}). {TELL}")


def _may_come_in() -> bool:
    """Whether pages may be shown: served through the access gate, and signed in where the organisation asks for it."""
    address = st.get_option("server.address")
    if runtime.exists() and serving.now is None and address not in ("127.0.0.1", "localhost", "::1"):
        st.error("Start the app with: toeline app. Started another way it would be open to the network without a code.")
        return False
    if serving.signs_in_elsewhere() and not st.user.is_logged_in:
        st.title("toeline")
        st.write("Sign in with your organisation's account.")
        st.button("Sign in", on_click=st.login, type="primary", width="stretch")
        _remember_where_to()
        return False
    if serving.role() is not None:
        return True
    st.title("toeline")
    if serving.signs_in_elsewhere():
        st.error("Your account is not among those that may use this app. Ask whoever runs it to let you in.")
        st.button("Sign out", on_click=st.logout, width="stretch")
    else:
        st.warning("Your pass has ended.")
        st.link_button("Give the access code again", PATH, width="stretch")
    return False
