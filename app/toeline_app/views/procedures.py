"""Welding procedures on record: what each allows, and a form to keep one."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from toeline.errors import ToelineError
from toeline.result import Procedure
from toeline.text import capital
from toeline_app import prefs, ui
from toeline_app.service import recording

#: What is asked about a procedure: name, label, and how it may look.
FIELDS = (
    ("name", "Name or number", "WPS-12"),
    ("revision", "Revision", "2"),
    ("rods", "Rods, as their boxes name them", "E7018, E7016"),
    ("rod_sizes", "Core diameters, {unit}", "2.5, 3.2"),
    ("polarity", "Polarity at the electrode: DC+, DC- or AC", "DC+"),
    ("current", "Current, A", "110-140"),
    ("voltage", "Voltage, V", "20-26"),
    ("travel", "Travel speed, {unit} a minute", "100-220"),
    ("positions", "Positions", "2F, PB, 3F up"),
    ("preheat", "Plate before welding, {degree}, at least", "20"),
    ("interpass", "Between passes, {degree}, at most", "250"),
)


def page() -> None:
    """The page."""
    st.title("Welding procedures")
    st.write(
        "A procedure (WPS) kept here can be chosen where a weld is measured: what was used is then held against it, on "
        "the page and in the report."
    )
    unit = prefs.preferences().unit
    kept = recording.procedures()
    if not kept:
        st.info("No procedure is on record yet.")
    for one in kept:
        revision = f", revision {one.revision}" if one.revision else ""
        with ui.fold(f"procedure_{one.name}", ui.plain(one.name + revision), "description"):
            for passes, lines in recording.allowances(one, unit):
                ui.table(("Variable", "Allowed"), lines, caption=passes)
    with ui.fold("keep", "Keep a procedure", "add", expanded=not kept):
        st.write("Put in the figures of your own WPS; a blank limits nothing. It replaces an earlier one of that name.")
        with st.form("procedure", enter_to_submit=False):
            degree = "°F" if unit == "in" else "°C"
            said = {
                name: st.text_input(
                    label.format(unit=unit, degree=degree), placeholder=f"such as {such}", max_chars=200
                )
                for name, label, such in FIELDS
            }
            if ui.submit("Keep the procedure", "procedure_send", type="primary"):
                _keep(lambda: recording.typed_procedure(said, unit))
    by_pass = ui.fold("keep_file", "Keep one with ranges pass by pass, as a file's text", "data_object")
    with by_pass, st.form("procedure_file", enter_to_submit=False):
        text = st.text_area("Ranges", recording.procedure_example(), height=520)
        if ui.submit("Keep the text", "procedure_file_send", type="primary"):
            _keep(lambda: text)


def _keep(told: Callable[[], str | Procedure]) -> None:
    """Put it on record, or say what is wrong with it."""
    try:
        recording.keep_procedure(told())
    except ToelineError as error:
        ui.error(capital(str(error)))
        return
    st.rerun()
