"""A person's right to see what is kept under their name, and to have it erased."""

from __future__ import annotations

import json

import streamlit as st

from toeline.errors import ToelineError
from toeline_app import parts, service, ui


def page() -> None:
    """The page."""
    st.title("Personal data")
    st.write(
        "Names of welders and inspectors are personal data. Here all that names a person can be handed over or erased. "
        "Inspections, photos and decisions stay, and the record can still be checked; only the names go."
    )
    if message := st.session_state.pop("erased", None):
        st.success(message)
    names = sorted({*service.people_and_procedures("welder"), *service.people_and_procedures("inspector")})
    name = st.selectbox("Person", names, index=None, placeholder="Choose a name")
    if name is None:
        return
    try:
        found = service.export_person(name)
    except ToelineError as error:
        ui.error(error)
        return
    count = len(found["inspections"])
    st.text(f"{count} {'inspection names' if count == 1 else 'inspections name'} this person.")
    parts.download("Hand over as JSON", lambda: json.dumps(found, indent=2), "personal-data.json", "application/json")
    st.warning("Erasing cannot be undone. Remarks, reasons and file names that mention the person go as well.")
    sure = st.checkbox("I am sure, erase this person", key=f"sure_{name}")
    if st.button("Erase", disabled=not sure, type="primary", width="stretch"):
        erased = service.erase_person(name)
        st.session_state["erased"] = f"Erased {erased.fields} fields of {erased.inspections} inspections."
        st.rerun()
