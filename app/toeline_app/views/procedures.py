"""Welding procedures on record: what each allows, and a form to keep one."""

from __future__ import annotations

import streamlit as st

from toeline.errors import ToelineError
from toeline.text import capital
from toeline_app import prefs, service, ui


def page() -> None:
    """The page."""
    st.title("Welding procedures")
    st.write(
        "A procedure (WPS) kept here can be chosen where a weld is measured: what was used is then held against it, on "
        "the page and in the report."
    )
    unit = prefs.preferences().unit
    kept = service.procedures()
    if not kept:
        st.info("No procedure is on record yet.")
    for one in kept:
        revision = f", revision {one.revision}" if one.revision else ""
        with ui.fold(f"procedure_{one.name}", ui.plain(one.name + revision), "description"):
            for passes, lines in service.allowances(one, unit):
                ui.table(("Variable", "Allowed"), lines, caption=passes)
    with ui.fold("keep", "Keep a procedure", "add", expanded=not kept):
        st.write(
            "Put in the figures of your own WPS. One of the same name takes the earlier one's place, and that stays."
        )
        with st.form("procedure", enter_to_submit=False):
            text = st.text_area("Ranges", service.procedure_example(), height=520)
            sent = st.form_submit_button("Keep the procedure", type="primary", width="stretch")
        if sent:
            try:
                name = service.keep_procedure(text)
            except ToelineError as error:
                ui.error(capital(str(error)))
                return
            st.success(ui.plain(f"{name} is on record."))
            st.rerun()
