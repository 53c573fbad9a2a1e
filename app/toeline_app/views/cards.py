"""The reference cards as PDF, and how to print and check them."""

from __future__ import annotations

from functools import partial

import streamlit as st

from toeline_app import components, prefs
from toeline_app.service import reporting


def page() -> None:
    """The page."""
    st.title("Reference cards")
    st.write(
        "The card lies beside the bead and gives the photo its millimetres. A fillet takes two: one on each plate."
    )
    paper = st.radio(
        "Paper", ("a4", "us-letter"), format_func={"a4": "A4", "us-letter": "Letter"}.__getitem__, horizontal=True
    )
    for name, (label, file) in reporting.CARDS.items():
        components.download(label, partial(reporting.card_pdf, name, paper), file, components.PDF, key=f"card_{name}")
    st.header("Print")
    st.markdown(
        "1. Print at 100 %, without “fit to page”, on matt white paper or card.\n"
        "2. Cut along the outline. Keep the card flat; glue it to thin card or plastic if it curls.\n"
        "3. Keep it clean and away from hot metal: a warm card warps, and the scale goes wrong."
    )
    st.header("Check the print")
    unit = prefs.preferences().unit
    st.markdown(
        "Measure the line marked 50 mm with a calliper or a steel rule and give its length in the "
        f"settings of the page Measure ({unit}). Without it, 1 % is allowed for the printer, and every length is "
        "that much less certain."
    )
