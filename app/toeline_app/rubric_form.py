"""The rubric on the page of the class: pass mark and weights in a form, and the text for who knows it."""

from __future__ import annotations

import streamlit as st

from toeline.coupons.rubric import MOST_WEIGHT, Rubric
from toeline.errors import ToelineError
from toeline_app import classroom, components, ui
from toeline_app.service import scoring

LONGEST = 60_000
_TURN = "rubric_turn"


def page_part() -> Rubric | None:
    """The fold; the rubric in use, or None while its text is wrong."""
    with ui.fold("rubric", "Rubric: what counts and for how much", "edit_note"):
        _choose()
        rubric = _read()
        if rubric is not None:
            st.text(f"{_in_words(rubric)} {rubric.about}")
            _marks(rubric)
            ui.table(("What counts", "Why"), [(item.title, item.why) for item in rubric.item])
            ui.table(("Fails outright", "Why"), [(rule.title, rule.why) for rule in rubric.fails])
        _text(rubric)
    return rubric


def _choose() -> None:
    titles = scoring.rubric_titles()
    now = classroom.told().rubric
    chosen = st.selectbox(
        "Rubric", list(titles), list(titles).index(now) if now in titles else 0, format_func=titles.__getitem__
    )
    if chosen != now:
        classroom.say(rubric=chosen)
        _turn()


def _read() -> Rubric | None:
    try:
        return classroom.rubric()
    except ToelineError as error:
        ui.error(error)
        return None


def _in_words(rubric: Rubric) -> str:
    mark = rubric.pass_share * rubric.points
    return f"{rubric.title}: {rubric.points:g} points, pass mark {mark:g} ({rubric.pass_share:.0%})."


def _marks(rubric: Rubric) -> None:
    """Pass mark and weights, written into the rubric's own text."""
    turn = st.session_state.get(_TURN, 0)
    with st.form(f"marks_{rubric.id}_{turn}"):
        mark = st.number_input(
            "Pass mark, percent of all points", 1.0, 100.0, round(100 * rubric.pass_share, 2), 1.0, format="%g"
        )
        weights = {
            item.id: st.number_input(
                f"{item.title}, points", 0.0, float(MOST_WEIGHT), float(item.weight), 1.0, format="%g"
            )
            for item in rubric.item
        }
        st.text("0 points take a thing out.")
        if not ui.submit("Use these marks", "rubric_send"):
            return
    try:
        text = scoring.rubric_with_marks(classroom.rubric_text(), mark / 100, weights)
    except ToelineError as error:
        ui.error(error)
        return
    classroom.use_text(text)
    _turn()
    st.rerun()


def _text(rubric: Rubric | None) -> None:
    """The text itself: edited, loaded, kept as a file, put back as shipped."""
    text = classroom.rubric_text()
    if st.toggle("Show the rubric's text (TOML), for experts", key="rubric_as_text"):
        file = st.file_uploader("A rubric of your own (TOML file)", type="toml", key="rubric_file")
        if file is not None and st.session_state.get("rubric_file_id") != file.file_id:
            st.session_state["rubric_file_id"] = file.file_id
            _use(file.getvalue()[:LONGEST].decode("utf-8", "replace"))
        turn = st.session_state.get(_TURN, 0)
        edited = st.text_area(
            "The rubric's text; change it as you need", text, height=360, max_chars=LONGEST, key=f"rubric_text_{turn}"
        )
        if edited != text:
            _use(edited)
    if rubric is not None:
        components.download("Keep this rubric as a file", lambda: text, f"{rubric.id}.toml", "application/toml")
    if text != scoring.rubric_text(classroom.told().rubric) and ui.button("Back to the rubric as shipped"):
        _use(None)


def _use(text: str | None) -> None:
    classroom.use_text(text)
    _turn()
    st.rerun()


def _turn() -> None:
    """Draw the fields anew from the rubric."""
    st.session_state[_TURN] = st.session_state.get(_TURN, 0) + 1
