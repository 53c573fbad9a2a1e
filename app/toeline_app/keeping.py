"""Brings a visitor's draft back in a new session, and keeps what each run changed."""

from __future__ import annotations

from contextlib import suppress
from typing import NoReturn

import streamlit as st
from pydantic import BaseModel, ConfigDict, ValidationError

from toeline_app import photos, said, serving
from toeline_app.access_gate import VISITOR, VISITOR_KEY
from toeline_app.service import retention
from toeline_app.uploads import NO_ROOM, TooMuch, session_id

_BROUGHT, _KEPT, _NOT_KEPT = "draft_brought", "draft_kept", "draft_not_kept"
#: The photos that this session ever held: what it let go of does not come back from another tab.
_SEEN = "draft_seen"


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
    found = retention.drafts().load(key)
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
    retention.uploads().keep_only(session_id(), set())
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
    draft, kept = _drafted(), st.session_state.get(_KEPT)
    if (text := _text(draft)) == kept or (not draft.held and draft.said == said.Said() and kept is None):
        return
    _take_over_from_another_tab(key, kept)
    text = _text(_drafted())
    paths = {one.sha256: one.path for page in photos.held().values() for one in page}
    try:
        retention.drafts().keep(key, text, paths)
        st.session_state.pop(_NOT_KEPT, None)
    except OSError:
        if not st.session_state.get(_NOT_KEPT):
            st.session_state[_NOT_KEPT] = True
            st.toast("There is no room to keep this: a reload of the page would lose it.")
    st.session_state[_KEPT] = text


def _drafted() -> _Draft:
    """The session's photos and what was said of them, as they are now."""
    held = {name: tuple((one.name, one.sha256) for one in page) for name, page in photos.held().items() if page}
    used = {digest for page in held.values() for _, digest in page}
    st.session_state[_SEEN] = st.session_state.get(_SEEN, frozenset()) | used
    all_said = said.now()
    known = all_said.model_copy(update={"about": {k: one for k, one in all_said.about.items() if k in used}})
    return _Draft(held=held, said=known)


def _text(draft: _Draft) -> str:
    return draft.model_dump_json(exclude_defaults=True)


def _take_over_from_another_tab(key: str, kept: str | None) -> None:
    """Set aside here the beads that another tab of the same browser put into the draft since: it has one draft."""
    found = retention.drafts().load(key)
    if found is None or found[0] == kept:
        return
    with suppress(ValidationError, TooMuch, OSError):  # of another version, or there is no room: it is there no more
        other = _Draft.model_validate_json(found[0])
        seen = st.session_state[_SEEN]
        new = [
            (name, digest)
            for page in (photos.BENCH, photos.ASIDE)
            for name, digest in other.held.get(page, ())
            if digest in found[1] and digest not in seen
        ]
        mine = [(one.name, one.path) for one in photos.held().get(photos.ASIDE, [])]
        photos.take_back([*mine, *((name, found[1][digest]) for name, digest in new)], photos.ASIDE)
        said.change(
            about={digest: other.said.about[digest] for _, digest in new if digest in other.said.about}
            | said.now().about
        )


def start_afresh() -> None:
    """Let go of the photos, of what was said, and of the draft."""
    key = visitor()
    if key is not None:
        retention.drafts().forget(key)
    retention.uploads().keep_only(session_id(), set())
    who = said.now().looked_by
    photos.held().clear()
    said.take(said.Said(looked_by=who))
    st.session_state.pop(_KEPT, None)
