"""A class under an address of its own, kept for a month, that another inspector or instructor can open."""

from __future__ import annotations

import re
import secrets
from pathlib import Path

import streamlit as st
from pydantic import BaseModel, ConfigDict, ValidationError

from toeline_app import classroom, components, photos, prefs, said, serving, ui
from toeline_app.prefs import Preferences
from toeline_app.service import retention
from toeline_app.uploads import TELL, TooMuch

#: Where the address carries a class's key of 128 random bits.
ADDRESS = "class"
_KEY = re.compile(r"[A-Za-z0-9_-]{22}")
#: The note that says under which address the class that is open stands.
_FROM = "class_address"
_HELD = (classroom.COUPONS, classroom.REFERENCE)


class _Class(BaseModel):
    """A class's photos, by what they are held as, as (name, digest), what was said, and the settings."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    held: dict[str, tuple[tuple[str, str], ...]]
    said: said.Said
    preferences: Preferences


def page_part() -> None:
    """The fold that puts the class under an address."""
    if serving.role() != "inspector":
        return
    with ui.fold("class_address", "Send this class to someone", "share"):
        st.write(
            "Keeps the photos, names and looks of this class as they are now, for a month, for other inspectors and "
            "instructors who have the address."
        )
        if ui.button("Put this class under an address"):
            try:
                said.keep_note(_FROM, _put())
            except OSError:
                ui.error(f"There is no room on the server for another class. {TELL}")
        if key := said.note(_FROM):
            components.address(**{ADDRESS: key})


def take_up() -> None:
    """Open the class that the page's address names, once. Raises NotAllowed to who is no inspector."""
    key = st.query_params.get(ADDRESS, "")
    if not key or key == said.note(_FROM):
        return
    serving.for_inspectors()
    found = retention.classes().load(key) if _KEY.fullmatch(key) else None
    if found is None:
        st.error("There is no class under this address, or its month is over.")
        return
    mine = photos.held().get(classroom.COUPONS)
    if mine:
        st.info(f"The address names another class than the one that is open here, with {len(mine)} photos.")
        if not ui.button("Open it in this one's place"):
            return
    _open(key, *found)
    st.rerun()


def _put() -> str:
    held = {name: photos.held().get(name, []) for name in _HELD}
    used = {photo.sha256: photo.path for kept in held.values() for photo in kept}
    now = said.now()
    about = {digest: one for digest, one in now.about.items() if digest in used}
    notes = {name: text for name, text in now.notes.items() if name == classroom.NOTE}
    kept = _Class(
        held={name: tuple((one.name, one.sha256) for one in kept) for name, kept in held.items()},
        said=said.Said(about=about, notes=notes),
        preferences=prefs.preferences(),
    )
    key = secrets.token_urlsafe(16)
    retention.classes().keep(key, kept.model_dump_json(exclude_defaults=True), used)
    return key


def _open(key: str, text: str, files: dict[str, Path]) -> None:
    try:
        found = _Class.model_validate_json(text)
        photos.let_go_of(lambda name: name in _HELD)
        for name, held in found.held.items():
            photos.take_back([(one, files[digest]) for one, digest in held if digest in files], name)
    except (ValidationError, TooMuch) as error:
        ui.error(error if isinstance(error, TooMuch) else "This class was kept by another version of toeline.")
        st.stop()
    now = said.now()
    said.change(about=now.about | found.said.about, notes=now.notes | found.said.notes | {_FROM: key})
    prefs.remember(found.preferences.model_copy(update={"unit": prefs.preferences().unit}))
