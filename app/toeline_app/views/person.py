"""A person's right to see what is kept about them, and to have it erased."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import streamlit as st

from toeline.errors import ToelineError
from toeline.record import Hit
from toeline_app import components, ui
from toeline_app.service import recording, retention

#: How something is shown, and its words.
Said = tuple[Callable[[str], object], str]


def page() -> None:
    """The page."""
    st.title("Personal data")
    st.write(
        "Names of welders and inspectors are personal data. Here all that names a person can be handed over or erased. "
        "Inspections, photos and decisions stay, and the record can still be checked; only the names go."
    )
    for say, message in st.session_state.pop("erased", ()):
        say(message)
    names = sorted({*recording.people_and_procedures("welder"), *recording.people_and_procedures("inspector")})
    name = st.selectbox(
        "Person", names, index=None, placeholder="Choose or type a name", accept_new_options=True, key="person"
    )
    if name is None:
        return
    try:
        held = retention.kept_for_a_time(name)
        found, exported = _on_record(name, alone=not held)
    except ToelineError as error:
        ui.error(error)
        return
    count = len(found)
    st.text(f"{count} {'text or photo names' if count == 1 else 'texts and photos name'} this person.")
    if found:
        ui.table(
            ("Entry", "Where", "What it says", "Can it be erased"),
            [
                (f"Entry {one.number}", one.field, one.text, f"no: {one.kept_because}" if one.kept_because else "yes")
                for one in found
            ],
        )
    if held:
        st.text(f"So do {held} of the drafts and classes that the app keeps for a time; they go whole.")
    st.write("Nicknames and initials cannot be known: look through the list, and search for them as well.")
    if found:
        components.download(
            "Hand over as JSON", lambda: json.dumps(exported, indent=2), "personal-data.json", "application/json"
        )
    st.warning(
        "Erasing cannot be undone. What is listed goes: the whole remark, reason or field that names the person."
    )
    sure = st.checkbox("I am sure, erase this person", key=f"sure_{name}")
    if ui.button("Erase", disabled=not sure, type="primary"):
        said: list[Said] = []
        if held:
            gone = retention.forget_kept_for_a_time(name)
            said.append((st.success, f"Let go of {gone} drafts and classes."))
        try:
            said += _erased(name) if found else []
        except ToelineError as error:
            ui.error(error)
            return
        st.session_state["erased"] = said
        st.rerun()


def _on_record(name: str, *, alone: bool) -> tuple[tuple[Hit, ...], dict[str, Any]]:
    """What on record names the person, and all of it to hand over; ``alone``: where nothing does, that is an error."""
    try:
        return recording.find_person(name), recording.export_person(name)
    except ToelineError:
        if alone:
            raise
        return (), {}


def _erased(name: str) -> list[Said]:
    """Erases the person from the record; what went, what could not, and what else to think of."""
    erased = recording.erase_person(name)
    of = f"{erased.inspections} inspection" + ("" if erased.inspections == 1 else "s")
    return [
        (st.success, f"Erased {erased.fields} texts and the data of {erased.photos} photos, of {of}."),
        *(
            (st.warning, ui.plain(f"Still there: entry {one.number}, {one.field}: {one.kept_because}."))
            for one in erased.kept
        ),
        *((st.info, words) for words in erased.notes),
    ]
