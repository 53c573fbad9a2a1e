"""Brings a visitor's draft back in a new session, and keeps what each run changed."""

from __future__ import annotations

from typing import NoReturn

import streamlit as st
from pydantic import BaseModel, ConfigDict, ValidationError

from toeline_app import photos, said, service, serving
from toeline_app.access_gate import VISITOR, VISITOR_KEY
from toeline_app.uploads import NO_ROOM, TooMuch, session_id

_BROUGHT, _KEPT, _NOT_KEPT = "draft_brought", "draft_kept", "draft_not_kept"


class _Draft(BaseModel):
    """A session's photos, by the page that holds them, as (name, digest), and what was said."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    held: dict[str, tuple[tuple[str, str], ...]]
    said: said.Said


def visitor() -> str | None:
    """The key of the visitor's draft; None without a browser. Who signed in with an account has drafts of their own."""
    key = st.context.cookies.get(VISITOR, "")
    if not VISITOR_KEY.fullmatch(key):
        return None
    who = f" {st.user.get('iss')} {st.user.get('sub')}" if serving.signs_in_elsewhere() else ""
    return key + who


def bring_back() -> None:
    """Take up the visitor's draft, once in a session."""
    key = visitor()
    if key is None or st.session_state.get(_BROUGHT):
        return
    st.session_state[_BROUGHT] = True
    found = service.drafts().load(key)
    if found is None:
        return
    text, files = found
    try:
        draft = _Draft.model_validate_json(text)
    except ValidationError:  # of another version: one begins anew
        return
    try:
        for name, held in draft.held.items():
            photos.take_back([(one, files[digest]) for one, digest in held if digest in files], name)
    except (TooMuch, OSError) as error:
        _wait_for_room(error)
    said.take(draft.said)
    st.session_state[_KEPT] = text


def _wait_for_room(error: Exception) -> NoReturn:
    """Hold nothing, so that the draft stays as it is, until there is room for its photos."""
    photos.held().clear()
    service.uploads().keep_only(session_id(), set())
    st.session_state[_BROUGHT] = False
    st.title("toeline")
    st.error(f"What you had here is kept, and cannot be shown now. {error if isinstance(error, TooMuch) else NO_ROOM}")
    st.button("Try again", width="stretch")
    st.stop()


def keep() -> None:
    """Keep the draft where this run changed it."""
    key = visitor()
    if key is None or not st.session_state.get(_BROUGHT):
        return
    held = {name: tuple((one.name, one.sha256) for one in page) for name, page in photos.held().items() if page}
    used = {digest for page in held.values() for _, digest in page}
    all_said = said.now()
    known = all_said.model_copy(update={"about": {k: one for k, one in all_said.about.items() if k in used}})
    text = _Draft(held=held, said=known).model_dump_json(exclude_defaults=True)
    if text == st.session_state.get(_KEPT) or (not used and known == said.Said() and _KEPT not in st.session_state):
        return
    paths = {one.sha256: one.path for page in photos.held().values() for one in page}
    try:
        service.drafts().keep(key, text, paths)
        st.session_state.pop(_NOT_KEPT, None)
    except OSError:
        if not st.session_state.get(_NOT_KEPT):
            st.session_state[_NOT_KEPT] = True
            st.toast("There is no room to keep this: a reload of the page would lose it.")
    st.session_state[_KEPT] = text


def start_afresh() -> None:
    """Let go of the photos, of what was said, and of the draft."""
    key = visitor()
    if key is not None:
        service.drafts().forget(key)
    service.uploads().keep_only(session_id(), set())
    who = said.now().looked_by
    photos.held().clear()
    said.take(said.Said(looked_by=who))
    st.session_state.pop(_KEPT, None)
