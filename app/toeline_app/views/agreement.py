"""Do two instructors, or an instructor and toeline, mark a class alike?"""

from __future__ import annotations

import json
from typing import Literal

import streamlit as st

from toeline.coupons.agreement import FEWEST, Agreement
from toeline.errors import ToelineError
from toeline_app import classroom, components, said, ui
from toeline_app.service import scoring

Kind = Literal["outcome", "points"]
KINDS: dict[Kind, str] = {"outcome": "Pass or fail", "points": "Points"}
TOELINE = "toeline"
_NOTE = "marks"
MARKS = ("pass", "fail")


def page() -> None:
    """The page."""
    st.title("Agreement")
    st.write(
        "Two people mark the same coupons, each without seeing the other's marks. Kappa says how far they agree "
        "beyond what chance alone would give."
    )
    _from_file()
    kept = _kept()
    found = _class()
    names = _names(found, kept)
    if len(names) < FEWEST:
        st.info(f"At least {FEWEST} coupons are needed. Choose the class on the page Coupons, or a file of marks here.")
        return
    marks = _enter(names, kept, found)
    if marks is None:
        return
    _show(marks)


def _class() -> classroom.Scored | None:
    """The class of the page Coupons, where there is one that can be scored."""
    try:
        return classroom.scored()
    except ToelineError as error:
        ui.error(error)
        return None


def _kept() -> dict[str, dict[str, str]]:
    """Marks by rater and coupon, as they were entered or read."""
    text = said.note(_NOTE)
    return {} if text is None else json.loads(text)


def _names(found: classroom.Scored | None, kept: dict[str, dict[str, str]]) -> list[str]:
    listed = [one.name for one in found.scores.coupons] if found else []
    return list(dict.fromkeys([*listed, *(name for marks in kept.values() for name in marks)]))


def _from_file() -> None:
    with ui.fold("marks_file", "Marks from a file", "table"):
        st.text("A CSV file with the header coupon and one column for each rater; marks are pass and fail, or points.")
        file = st.file_uploader("Marks (CSV)", type=["csv", "txt"], key="marks_csv")
        if file is None or st.session_state.get("marks_id") == file.file_id:
            return
        try:
            marks = scoring.read_marks(file.getvalue(), file.name)
        except ToelineError as error:
            ui.error(error)
            return
        st.session_state["marks_id"] = file.file_id
        said.keep_note(_NOTE, json.dumps(marks))
        st.rerun()


def _enter(
    names: list[str], kept: dict[str, dict[str, str]], found: classroom.Scored | None
) -> dict[str, dict[str, str]] | None:
    """The marks of two raters, typed here; one of them may be toeline. None while nothing was entered."""
    raters = [rater for rater in kept if rater != TOELINE]
    with_tool = found is not None and st.toggle(
        "The second rater is toeline, by the rubric of this class", value=TOELINE in kept, key="marks_tool"
    )
    values = [mark for marks in kept.values() for mark in marks.values()]
    is_points = bool(values) and not any(mark.lower() in MARKS for mark in values)
    kind: Kind = st.radio(
        "Marks are", list(KINDS), index=1 if is_points else 0, format_func=KINDS.__getitem__, horizontal=True
    )
    with ui.fold("marks", f"The marks of {len(names)} coupons", "grading", expanded=not kept), st.form("marks"):
        first = st.text_input("First rater", value=raters[0] if raters else "", max_chars=60)
        second = (
            "" if with_tool else st.text_input("Second rater", value=raters[1] if len(raters) > 1 else "", max_chars=60)
        )
        entered: dict[str, dict[str, str]] = {"first": {}, "second": {}}
        for which, rater in (("first", raters[:1]), *(() if with_tool else (("second", raters[1:2]),))):
            st.markdown(f"**The {which} rater's marks**")
            with st.container(key=f"marks_{which}"):
                for name in names:
                    old = kept.get(rater[0], {}).get(name) if rater else None
                    mark = _mark(name, which, kind, old)
                    if mark is not None:
                        entered[which][name] = mark
        if not ui.submit("How far do they agree?", "agreement_send"):
            return kept or None
    return _take(first, TOELINE if with_tool else second, entered, kind, found if with_tool else None)


def _mark(name: str, which: str, kind: Kind, old: str | None) -> str | None:
    label = f"{name}, {which} rater"
    if kind == "outcome":
        place = MARKS.index(old.lower()) if old and old.lower() in MARKS else None
        answer: str | None = st.radio(
            ui.plain(label), MARKS, index=place, format_func=str.capitalize, horizontal=True, key=f"mark_{which}_{name}"
        )
        return answer
    value = st.number_input(
        ui.plain(label),
        0.0,
        1000.0,
        scoring.number(old),
        1.0,
        format="%g",
        placeholder="–",
        key=f"points_{which}_{name}",
    )
    return None if value is None else f"{value:g}"


def _take(
    first: str, second: str, entered: dict[str, dict[str, str]], kind: Kind, found: classroom.Scored | None
) -> dict[str, dict[str, str]] | None:
    first, second = first.strip(), second.strip()
    if not first or not second or first == second:
        st.error("Name both raters, each by a name of their own.")
        return None
    theirs = scoring.marks_of(found.scores, points=kind == "points") if found else entered["second"]
    marks = {first: entered["first"], second: theirs}
    said.keep_note(_NOTE, json.dumps(marks))
    return marks


def _show(marks: dict[str, dict[str, str]]) -> None:
    try:
        found = scoring.agreements(marks)
    except ToelineError as error:
        ui.error(error)
        return
    for one in found:
        _one(one)
    components.download("The marks (CSV)", lambda: scoring.marks_csv(marks), "marks.csv", "text/csv")


def _one(found: Agreement) -> None:
    first, second = found.raters
    st.subheader(ui.plain(f"{first} and {second}"))
    rows = [("Marked alike", f"{found.same} of {found.coupons} coupons")]
    if found.kappa is None:
        rows.append(("Kappa", found.why))
    else:
        spread = "" if found.U is None else f" ± {found.U:.2f}"
        rows.append(("Kappa, weighted by squared steps" if found.weighted else "Kappa", f"{found.kappa:.2f}{spread}"))
        rows.append(("Usually called", found.called or ""))
    ui.table(("Agreement", "Figure"), rows)
    st.text(
        "After ± stands the interval at k = 2 (Fleiss, Cohen and Everitt 1969). With few coupons it is wide: then "
        "nothing is said about two raters yet. The words are Landis and Koch's, 1977, and a habit, no rule."
    )
    if found.differences:
        ui.table(
            ("Where they differ", first, second), [(one.coupon, one.first, one.second) for one in found.differences]
        )
