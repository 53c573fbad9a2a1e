"""The coach on the page: how it was welded, what comes first, what the coach asks, and the cautions."""

from __future__ import annotations

from html import escape
from typing import Literal, TypeVar, get_args

import streamlit as st

from toeline.errors import ToelineError
from toeline.report.highlights import CHANCES, likely_causes
from toeline.result import Coaching, Joint, Question, Result, Settings, Welding
from toeline.text import capital
from toeline.units import Unit
from toeline_app import components, looking, prefs, said, ui
from toeline_app.photos import Photo, Shown
from toeline_app.prefs import Preferences
from toeline_app.service import readings, recording

Polarity = Literal["DC+", "DC-", "AC"]
Technique = Literal["stringer", "weave"]
WeldPass = Literal["root", "fill", "cap"]
TECHNIQUES: dict[Technique, str] = {"stringer": "Stringer, drawn straight", "weave": "Weave"}
T = TypeVar("T", bound=str)
_FIRST = {
    "setting": "Put right first",
    "look": "Before you change anything",
    "change": "Change one thing",
    "keep": "Well done",
}
#: Settings that the coach asks for and the fold "How it was welded" takes in.
WELDED = ("electrode_mm", "drawing_size_mm", "current_a", "box_range_a")


def welded(now: Preferences) -> Preferences:
    """The settings of the weld, folded; what was changed."""
    with ui.fold("welded", f"How it was welded: {_in_words(now)}", "bolt"):
        st.text("The coach holds the bead against these. Leave out what you do not know.")
        rod = st.text_input(
            "Electrode, as its box names it",
            value=now.electrode_class or "",
            max_chars=40,
            placeholder="E7018, E 42 4 B 42, E4918",
            key="set_class",
        ).strip()
        if rod and not readings.knows_rod(rod):
            st.warning("This rod is in no table here. Give the current range of its box.")
        current = _number("Current, A", now.current_a, 10, 600, "set_current")
        low = _number("Lowest current on the rod's box, A", now.box_low_a, 10, 600, "set_box_low")
        high = _number("Highest current on the rod's box, A", now.box_high_a, 10, 600, "set_box_high")
        if low is not None and high is not None and low >= high:
            st.warning("The highest current has to be above the lowest; the range is left out.")
        polarity = _choice("Polarity at the electrode", get_args(Polarity), now.polarity, "set_polarity")
        weld_pass = _choice("Pass", get_args(WeldPass), now.weld_pass, "set_pass")
        names = readings.position_names(now.joint)
        position = _choice("Position", names, now.position if now.position in names else None, "set_position")
        technique = _choice("Stringer or weave", get_args(Technique), now.technique, "set_technique", TECHNIQUES)
        wide = components.length_input(
            "Width that was meant", now.intended_width_mm, now.unit, 1.0, 60.0, "set_intended_width"
        )
        preheat = _celsius("Plate before welding", now.preheat_c, now.unit, "set_preheat")
        interpass = _celsius("Weld before this pass", now.interpass_c, now.unit, "set_interpass")
        kept = recording.procedure_names()
        procedure = now.procedure
        if kept:
            chosen = now.procedure if now.procedure in kept else None
            procedure = _choice("Welding procedure, to hold it against", kept, chosen, "set_procedure")
    return now.model_copy(
        update={
            "weld_pass": weld_pass,
            "preheat_c": preheat,
            "interpass_c": interpass,
            "procedure": procedure,
            "electrode_class": rod if prefs.is_rod(rod) else None,
            "current_a": current,
            "box_low_a": low,
            "box_high_a": high,
            "polarity": polarity,
            "position": position,
            "technique": technique,
            "intended_width_mm": wide,
        }
    )


def welding_of(now: Preferences) -> Welding:
    """What these preferences say about the weld."""
    low, high = now.box_low_a, now.box_high_a
    slope, rotation = readings.position_angles(now.position, now.joint)
    return Welding(
        electrode_class=now.electrode_class,
        electrode_mm=now.electrode_mm,
        current_a=now.current_a,
        box_range_a=(low, high) if low is not None and high is not None and low < high else None,
        polarity=now.polarity,
        technique=now.technique,
        intended_width_mm=now.intended_width_mm,
        slope_deg=slope,
        rotation_deg=rotation,
        weld_pass=now.weld_pass,
        preheat_c=now.preheat_c,
        interpass_c=now.interpass_c,
    )


def from_welding(welded: Welding) -> dict[str, object]:
    """The preferences that give this welding again; a position that has no name is left out."""
    low, high = welded.box_range_a or (None, None)
    return {
        "electrode_class": welded.electrode_class if prefs.is_rod(welded.electrode_class or "") else None,
        "electrode_mm": welded.electrode_mm,
        "current_a": welded.current_a,
        "box_low_a": low,
        "box_high_a": high,
        "polarity": welded.polarity,
        "technique": welded.technique,
        "intended_width_mm": welded.intended_width_mm,
        "weld_pass": welded.weld_pass if welded.weld_pass in get_args(WeldPass) else None,
        "preheat_c": welded.preheat_c,
        "interpass_c": welded.interpass_c,
    }


def _in_words(now: Preferences) -> str:
    words = (
        now.electrode_class,
        f"{now.current_a:g} A" if now.current_a is not None else None,
        now.polarity,
        now.position,
        now.technique,
        f"{now.weld_pass} pass" if now.weld_pass else None,
        now.procedure,
    )
    return ", ".join(one for one in words if one) or "not given"


def _number(label: str, value: float | None, low: int, high: int, key: str) -> float | None:
    typed = st.number_input(
        label, min_value=float(low), max_value=float(high), value=value, step=5.0, format="%.0f",
        placeholder="Not given", key=key,
    )  # fmt: skip
    return None if typed is None else float(typed)


def _celsius(label: str, celsius: float | None, unit: Unit, key: str) -> float | None:
    """A temperature typed in °C, or in °F by whoever uses inches; given back in °C."""
    inches = unit == "in"
    value = celsius if celsius is None or not inches else round(celsius * 9 / 5 + 32)
    typed = _number(f"{label}, {'°F' if inches else '°C'}", value, -40, 1100 if inches else 600, f"{key}_{unit}")
    return typed if typed is None or not inches else (typed - 32) * 5 / 9


def _choice(label: str, choices: tuple[T, ...], now: T | None, key: str, words: dict[T, str] | None = None) -> T | None:
    chosen: T | None = st.selectbox(
        label,
        choices,
        index=choices.index(now) if now in choices else None,
        format_func=(words or {one: str(one) for one in choices}).__getitem__,
        placeholder="Not given",
        key=key,
    )
    return chosen


def advice(result: Result) -> None:
    """What to do first, and which cause it comes from, or that causes cannot be told apart."""
    sheet, cause = result.coaching, likely_causes(result)
    if sheet is None:
        st.text(cause or result.causes_why or "")
        return
    lines = (*(sheet.then if sheet.first_is == "look" else ()), *sheet.failing)
    then = "".join(f"<li>{escape(line)}</li>" for line in lines)
    why = "".join(f"<p>{escape(line)}</p>" for line in sheet.why) if sheet.first_is in ("setting", "keep") else ""
    named = f"<p>{escape(cause)}.</p>" if cause and sheet.first_is != "setting" else ""
    st.html(
        f'<div class="tl-cause"><p>{escape(_FIRST[sheet.first_is])}</p><p><strong>{escape(sheet.first)}</strong></p>'
        f"{f'<ul>{then}</ul>' if then else ''}{named}{why}</div>"
    )


def causes(result: Result) -> None:
    """The causes with their evidence, folded away."""
    if not result.causes:
        return
    with ui.fold("causes", "Causes and evidence", "troubleshoot"):
        if len(result.causes) > 1:
            st.text(CHANCES)
        for cause in result.causes:
            st.subheader(f"{capital(cause.title) if cause.title else cause.cause}, {cause.likelihood:.0%}")
            components.listed("For", cause.evidence)
            components.listed("Against", cause.against)
            components.listed("Try, first thing first", cause.try_)
            if cause.told_apart_by:
                st.text(cause.told_apart_by)


def safety(result: Result) -> None:
    """What to mind before the next bead, folded away."""
    sheet = result.coaching
    if sheet is None:
        return
    with ui.fold("safety", "Before the next bead: eyes, hands, fume, current", "health_and_safety"):
        st.text(sheet.repeat)
        st.text("\n".join("• " + caution for caution in sheet.cautions))


# -- what the coach asks ------------------------------------------------------------------------------------------


def with_answers(photo: Photo, settings: Settings) -> Settings:
    """The settings with what was noticed while this bead was welded."""
    about, known = said.about(photo.sha256), readings.noticed_signs(settings.joint)
    fit = {name: state for name, state in about.noticed.items() if name in known}
    welding = about.welding(settings.welding).model_copy(update={"noticed": fit})
    return settings.model_copy(update={"welding": welding})


def questions(shown: Shown, result: Result) -> None:
    """What the coach asks about this bead, each with what takes its answer in; then all else that can be noticed."""
    sheet = result.coaching
    if sheet is None:
        return
    asked = {question.sign: question for question in sheet.asks}
    title = f"The coach asks ({len(asked)})" if asked else "What you noticed while welding"
    with ui.fold("coach", title, "forum"):
        _asked_elsewhere(sheet)
        _gauged(shown, sheet, result)
        _noticed(shown, asked, result.settings.joint)


def _asked_elsewhere(sheet: Coaching) -> None:
    for question in sheet.asks:
        if question.input in WELDED:
            where = "Settings" if question.input in ("electrode_mm", "drawing_size_mm") else "How it was welded"
            st.text(f"{capital(question.ask)}. Give it above, under “{where}”.")


def _gauged(shown: Shown, sheet: Coaching, result: Result) -> None:
    """Questions that a gauge or a look answers."""
    sha256, unit = shown.photo.sha256, prefs.preferences().unit
    for question in sheet.asks:
        name = question.input.removeprefix("gauge.")
        if question.input == name:
            continue
        if not readings.look(name).question:
            st.text(f"{capital(question.ask)}.")
        with st.form(f"ask_{name}_{sha256}", clear_on_submit=True, enter_to_submit=False):
            typed = _typed(name, unit, sha256)
            if not ui.submit("Tell the coach", f"ask_{name}_{sha256}_send") or typed is None:
                continue
            try:
                reading = readings.gauge_reading(name, *typed, unit, looking.name_of_looker())
            except ToelineError as error:
                ui.error(error)
                continue
            said.say(sha256, gauge=(*said.about(sha256).gauge, reading))
            st.rerun()


def _typed(name: str, unit: Unit, sha256: str) -> tuple[float, float | None] | None:
    """What was gauged or seen, and where; None while nothing is given."""
    if readings.look(name).question:
        value = looking.ask(name, f"ask_look_{name}_{sha256}")
    else:
        label = f"Reading ({readings.gauge_unit(name, unit)})"
        value = st.number_input(label, min_value=0.0, value=None, step=0.1, placeholder="Not gauged")
    at = st.number_input(f"Where: distance from the bead's start ({unit})", min_value=0.0, value=None, step=1.0)
    return None if value is None else (float(value), at)


def _noticed(shown: Shown, asked: dict[str, Question], joint: Joint) -> None:
    """What was seen or heard while welding; nothing is filled in."""
    sha, known = shown.photo.sha256, readings.noticed_signs(joint)
    about, unit = said.about(sha), prefs.preferences().unit
    now = about.noticed
    first = [name for name in asked if name in known]
    with st.form(f"noticed_form_{sha}", enter_to_submit=False):
        chosen: dict[str, str] = {}
        for name in (*first, *(name for name in known if name not in first)):
            says = known[name].says
            states = tuple(says)
            state = st.selectbox(
                capital(known[name].ask),
                states,
                index=states.index(now[name]) if now.get(name) in states else None,
                format_func={one: capital(words) for one, words in says.items()}.__getitem__,
                placeholder="Not noticed",
                key=f"noticed_{sha}_{name}",
            )
            if state is not None:
                chosen[name] = state
        time = _number("Seconds that the arc burned on this bead", about.arc_time_s, 1, 3600, f"time_{sha}")
        travel = components.length_input(
            "or travel speed, if it is known: so far in a minute",
            about.travel_mm_min,
            unit,
            10.0,
            2000.0,
            f"travel_{sha}",
        )
        volts = _number("Volts across the arc while welding", about.voltage_v, 5, 60, f"volts_{sha}")
        if ui.submit("Tell the coach", f"noticed_{sha}_send"):
            said.say(sha, noticed=chosen, arc_time_s=time, travel_mm_min=travel, voltage_v=volts)
            st.rerun()
