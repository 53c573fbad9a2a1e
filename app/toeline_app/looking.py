"""What a person looks for and gauges: each look a plain question of its own, nothing filled in, who looked named."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from toeline.errors import ToelineError
from toeline.result import GaugeReading, Result
from toeline.text import capital, one_line
from toeline.units import Unit
from toeline_app import components, prefs, said, ui
from toeline_app.photos import Shown
from toeline_app.service import readings

ANSWERS = ("Yes", "No", "Not looked")
CONDITION = ("Yes", "No", "Not known")
#: A longer choice of a list is cut on a phone's screen, and stands in full below it.
LONGEST_CHOICE = 36
_WHO = "who_looked"


def page_part(shown: Shown, result: Result) -> None:
    """The fold that takes in looks and gauge readings, and what was taken in."""
    if result.judgement is None:
        return
    sha256, unit = shown.photo.sha256, prefs.preferences().unit
    key, kept = f"gauge_{sha256}", said.about(sha256).gauge
    with ui.fold("gauge", f"Look and gauge ({len(kept)})", "visibility"):
        components.listed("What would settle the rest", tuple(readings.needs(result)))
        _conditions(shown, result)
        by = who()
        new = [*_looks(result, key, by, unit), *_gauge(result, key, by, unit)]
        if new:
            said.say(sha256, gauge=(*kept, *new))
            st.rerun()
        for number, one in enumerate(kept):
            what, words = readings.gauge_row(one, unit)
            label = f"Remove: {what} {words}" if what.endswith("?") else f"Remove: {what}, {words}"
            if ui.button(label, key=f"{key}_{number}"):
                said.say(sha256, gauge=kept[:number] + kept[number + 1 :])
                st.rerun()
        if result.judgement.unused:
            st.text(f"Not used, as no line of the criteria goes by it: {'; '.join(result.judgement.unused)}.")


def _conditions(shown: Shown, result: Result) -> None:
    """What the criteria ask about the weld itself; nothing is taken for granted."""
    sha256 = shown.photo.sha256
    key, now = f"conditions_{sha256}", said.about(sha256).conditions
    answered: dict[str, bool] = {}
    for name, text in readings.conditions(result).items():
        answer = st.radio(
            f"{text}.",
            CONDITION,
            index=None if name not in now else CONDITION.index("Yes" if now[name] else "No"),
            horizontal=True,
            key=f"{key}_{name}",
        )
        if answer in ("Yes", "No"):
            answered[name] = answer == "Yes"
    if answered != now:
        said.say(sha256, conditions=answered)
        st.rerun()


def who() -> str:
    """Who looks and gauges, typed once in a session."""
    st.session_state[_WHO] = said.now().looked_by
    typed = st.text_input("Who looked and gauged", max_chars=200, key=_WHO, on_change=_keep_who)
    return one_line(typed or "")


def _keep_who() -> None:
    said.change(looked_by=one_line(st.session_state[_WHO] or ""))


def name_of_looker() -> str | None:
    """Who looks and gauges, if it was typed."""
    return said.now().looked_by or None


def ask(name: str, key: str, places: Sequence[str] = ()) -> float | None:
    """One look: a count, or 1 for yes and 0 for no; None where nobody looked.

    ``places``: where the photo may show what is asked for.
    """
    look = readings.look(name)
    question = f"{look.question} {look_there_too(places)}".strip()
    if look.counted:
        count = st.number_input(question, min_value=0, value=None, step=1, placeholder="Not looked", key=key)
        return None if count is None else float(count)
    answer = st.radio(question, ANSWERS, index=None, horizontal=True, key=key)
    return {"Yes": 1.0, "No": 0.0}.get(answer or "")


def look_there_too(places: Sequence[str]) -> str:
    """Where the photo may show what is asked for, in a sentence; nothing without such places."""
    return f"The photo may show this at {', '.join(places)}: look there too." if places else ""


def _looks(result: Result, key: str, by: str, unit: Unit) -> list[GaugeReading]:
    """The looks that were just answered. One of no speaks also for the places where the photo may show something."""
    names = readings.looks_asked(result)
    if not names:
        return []
    st.subheader("Look along the whole weld, with a lens")
    turn = st.session_state.setdefault(f"{key}_turn", 0)
    answers: list[tuple[str, float, float | None]] = []
    for name in names:
        value = ask(name, f"{key}_look_{name}_{turn}", readings.suspected(result, name, unit))
        if value is None:
            continue
        at = None
        if value and not readings.look(name).permission and not readings.look(name).counted:
            at = _where(unit, f"{key}_at_{name}_{turn}")
        answers.append((name, value, at))
    if not ui.button("Record what I saw", key=f"{key}_looked"):
        return []
    if not answers:
        st.error("Answer at least one of the questions first.")
    elif not by:
        st.error("Say who looked: type the name above.")
    else:
        st.session_state[f"{key}_turn"] = turn + 1
        return [one for name, value, at in answers for one in readings.looked(result, name, value, at, by, unit)]
    return []


def _gauge(result: Result, key: str, by: str, unit: Unit) -> list[GaugeReading]:
    """A gauge reading just typed, checked."""
    names = readings.gauge_names(result)
    if not names:
        return []
    st.subheader("Gauge")
    name = st.selectbox(
        "What was gauged",
        list(names),
        index=None,
        format_func=lambda one: capital(names[one]),
        placeholder="Choose",
        key=f"{key}_name",
    )
    if name is None:
        return []
    if len(names[name]) > LONGEST_CHOICE:
        st.text(capital(names[name]) + ".")
    with st.form(
        f"{key}_form", clear_on_submit=True, enter_to_submit=False
    ):  # the choice stands before it, as it says the reading's unit
        asked = readings.gauge_unit(name, unit)
        value = st.number_input(f"Reading ({asked})", min_value=0.0, value=None, step=0.1, format="%.2f")
        at = _where(unit)
        if not ui.submit("Add the reading", f"{key}_send"):
            return []
    if value is None:
        st.error("Type the reading first; 0 where there is none at all.")
        return []
    try:
        return [readings.gauge_reading(name, value, at, unit, by or None)]
    except ToelineError as error:
        ui.error(error)
        return []


def _where(unit: Unit, key: str | None = None) -> float | None:
    """A place along the seam, in the user's unit; none for the whole weld."""
    at: float | None = st.number_input(
        f"Where: distance from the bead's start ({unit})",
        min_value=0.0,
        value=None,
        step=1.0,
        placeholder="The worst along the whole weld",
        key=key,
    )
    return at
