"""A welder's continuity: what was last welded when, and when that lapses."""

from __future__ import annotations

from datetime import date

import streamlit as st

from toeline.record.continuity import CONFIRMS_NOTHING, Kept, rules
from toeline.text import capital
from toeline_app import components, ui
from toeline_app.service import recording

_CHIPS = {"in force": ("pass", "✓ In force"), "soon": ("undecided", "! Lapses soon"), "lapsed": ("fail", "✕ Lapsed")}


def page() -> None:
    """The page."""
    st.title("Welders' continuity")
    welder = st.selectbox("Welder", recording.people_and_procedures("welder"), index=None, placeholder="All welders")
    on = st.date_input("By the day", value=date.today())
    kept = recording.continuity(on if isinstance(on, date) else date.today(), welder)
    if not kept:
        st.info("No weld with a welder's name is on record by that day.")
    for name in dict.fromkeys(one.welder for one in kept):
        st.subheader(ui.plain(name))
        for one in (one for one in kept if one.welder == name):
            _line(one)
    components.listed("What lapses when", tuple(rules()))
    st.text(CONFIRMS_NOTHING)


def _line(one: Kept) -> None:
    kind, chip = _CHIPS[one.state]
    accepted = f"last accepted {one.accepted}" if one.accepted else "none accepted"
    until = "Lapsed" if one.state == "lapsed" else "Lapses"
    said = f"Last {one.last_is} {one.last}, entry {one.number}; {accepted}. {until} {one.lapses}."
    ui.line(kind, capital(one.what), said, chip=chip)
