"""What is left to settle the outcome, led through one thing at a time; the outcome moves as each is answered."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import streamlit as st

from toeline.errors import ToelineError
from toeline.evidence.needs import spoken
from toeline.result import Ask, GaugeReading, Result
from toeline.text import capital, one_line
from toeline.units import Unit
from toeline_app import components, gauge_drawings, looking, prefs, said, ui
from toeline_app.photos import Shown
from toeline_app.service import readings

#: One and several of each kind of what is asked for.
KINDS = {
    "setting": ("setting", "settings"),
    "condition": ("question", "questions"),
    "look": ("look", "looks"),
    "gauge": ("gauge reading", "gauge readings"),
    "photo": ("better photo", "better photos"),
}


def left_in_words(asks: Sequence[Ask]) -> str:
    """``Left: 2 looks, 1 gauge reading or 2 to 4 photos from the sides``; nothing where nothing is left."""
    counts: Counter[str] = Counter(one.kind for one in asks)
    words = {kind: f"{counts[kind]} {names[counts[kind] > 1]}" for kind, names in KINDS.items() if counts[kind]}
    by_photos = sum(one.by_photos for one in asks)
    if by_photos:
        some = "" if by_photos == counts["gauge"] else f" for {by_photos} of them"
        words["gauge"] += f" or{some} 2 to 4 photos from the sides"
    return f"Left: {', '.join(words.values())}." if words else ""


def page_part(shown: Shown, result: Result) -> None:
    """The next thing that would settle the outcome, with what takes its answer; who answers is named."""
    judged = result.judgement
    if judged is None:
        return
    sha256, unit = shown.photo.sha256, prefs.preferences().unit
    about = said.about(sha256)
    open_asks = [one for one in judged.asks if _key(one) not in about.put_off]
    open_asks.sort(key=lambda one: one.kind == "photo")  # the weld is at hand now; its answers go over to a new photo
    if judged.outcome != "undecided" or not judged.asks:
        _undo(sha256, about.gauge, unit)  # the answer that decided it may have been a slip of the finger
        return
    with st.container(border=True, key="steps"):
        if not open_asks:
            st.text(f"Put off: {len(judged.asks)}. Until then it stays undecided.")
            if ui.button("Go through them again"):
                said.say(sha256, put_off=())
                st.rerun()
            _undo(sha256, about.gauge, unit)
            return
        _take_over(sha256)
        ask = open_asks[0]
        if ask.kind in ("look", "gauge") and not said.now().looked_by:
            _who()
            return
        _step(ask, shown, result, unit, len(open_asks))
        if ui.button("Not now", key=f"put_off_{sha256}_{_key(ask)}", type="tertiary"):
            said.say(sha256, put_off=(*about.put_off, _key(ask)))
            st.rerun()
        _undo(sha256, about.gauge, unit)


def _take_over(sha256: str) -> None:
    """Offers the answers that were given with the photo before: it may be the same bead, photographed anew."""
    before = said.now().before
    if not before or said.about(sha256).gauge:
        return
    by = ", ".join(dict.fromkeys(one.by for one in before if one.by))
    st.text("Is this the bead of the photo before, taken anew?")
    if ui.button(f"The same bead: take over its answers ({len(before)}), by {ui.plain(by)}"):
        said.say(sha256, gauge=before)
        st.rerun()


def _key(ask: Ask) -> str:
    return f"{ask.kind} {ask.name or ask.text}"


def _who() -> None:
    """Asks once who looks and gauges: a statement is a person's own."""
    st.markdown("**Who looks and gauges?**")
    typed = st.text_input("Your name; it stands by each answer", max_chars=200, key="who_first")
    if ui.button("Begin", type="primary"):
        if not one_line(typed or ""):
            st.error("Type your name first.")
            return
        said.change(looked_by=one_line(typed or ""))
        st.rerun()


def _undo(sha256: str, given: tuple[GaugeReading, ...], unit: Unit) -> None:
    """Takes the last answer back; a look's answer also for the places that it spoke for."""
    if not given:
        return
    first = len(given) - 1
    while first and given[first].at is not None and given[first - 1].name == given[first].name:
        first -= 1
    what, words = readings.gauge_row(given[first], unit)
    what = what.partition(";")[0]  # not how it is gauged
    if ui.button(f"Undo: {ui.plain(f'{what} {words}')}", icon=":material/undo:", key="undo_answer"):
        said.say(sha256, gauge=given[:first])
        st.rerun()


def _step(ask: Ask, shown: Shown, result: Result, unit: Unit, left: int) -> None:
    sha256 = shown.photo.sha256
    st.text(f"{left} left" if left > 1 else "The last one")
    match ask.kind:
        case "look":
            _look(ask, sha256, result, unit)
        case "gauge":
            _gauge(ask, sha256, result, unit)
        case "condition":
            _condition(ask, sha256, result)
        case "setting":
            _setting(ask, unit)
        case _:
            st.markdown(f"**{ui.plain(ask.text)}**")


def _record(sha256: str, new: Sequence[GaugeReading]) -> None:
    said.say(sha256, gauge=(*said.about(sha256).gauge, *new))
    st.rerun()


def _by() -> str:
    """Who answers, with a way to say that it is somebody else now."""
    by = said.now().looked_by
    if ui.button(f"Answered by {ui.plain(by)}. Somebody else?", type="tertiary", key="who_else"):
        said.change(looked_by="")
        st.rerun()
    return by


def _look(ask: Ask, sha256: str, result: Result, unit: Unit) -> None:
    """One look, answered by one tap."""
    name = ask.name or ""
    asked = readings.look(name)
    st.markdown(f"**{asked.question}**")
    if not asked.permission:
        st.text("Look along the whole weld, with a lens.")
    places = readings.places(result, name)
    if places:
        st.text(looking.look_there_too(readings.suspected(result, name, unit)))
        _where(result, places, unit)
    key = f"step_{sha256}_{name}_{len(said.about(sha256).gauge)}"
    value: float | None = None
    if asked.counted:
        with st.form(key, enter_to_submit=False, border=False):
            count = st.number_input("How many", min_value=1, value=None, step=1, placeholder="Count them")
            if ui.submit("So many", f"{key}_send"):
                value = None if count is None else float(count)
                if value is None:
                    st.error("Type the number first.")
        if ui.button("None", key=f"{key}_none"):
            value = 0.0
    else:
        with st.container(horizontal=True):
            if ui.button("No", key=f"{key}_no"):
                value = 0.0
            if ui.button("Yes", key=f"{key}_yes"):
                value = 1.0
    by = _by()
    if value is not None:
        _record(sha256, readings.looked(result, name, value, None, by, unit))


def _gauge(ask: Ask, sha256: str, result: Result, unit: Unit) -> None:
    """One reading, with a drawing of what is read and where to begin."""
    name = ask.name or ""
    st.markdown(f"**Gauge: {ui.plain(readings.look(name).meaning)}.**")
    if drawing := gauge_drawings.gauge_drawing(name, result.settings.joint):
        ui.sketch(drawing, f"How it is gauged: {readings.look(name).meaning}.")
    if ask.places:
        st.text("Begin at the mark, go along the whole weld, and give the worst.")
        _where(result, ask.places, unit)
    else:
        st.text("Go along the whole weld and give the worst.")
    if ask.by_photos:
        st.text("Photos from the sides would do as well.")
    with st.form(f"step_{sha256}_{name}_{len(said.about(sha256).gauge)}", enter_to_submit=False, border=False):
        value = st.number_input(
            f"Reading ({readings.gauge_unit(name, unit)})",
            min_value=0.0,
            value=None,
            step=0.1 if unit == "mm" else 0.01,
            format="%.2f" if unit == "mm" else "%.3f",
            placeholder="Not gauged",
        )
        given = ui.submit("Add the reading", f"step_{sha256}_{name}_send", type="primary")
    by = _by()
    if not given:
        return
    if value is None:
        st.error("Type the reading first; 0 where there is none at all.")
        return
    try:
        reading = readings.gauge_reading(name, value, None, unit, by)
    except ToelineError as error:
        ui.error(error)
        return
    _record(sha256, [reading])


def _condition(ask: Ask, sha256: str, result: Result) -> None:
    """What the criteria ask about the weld itself."""
    name = ask.name or ""
    st.markdown(f"**{ui.plain(readings.conditions(result).get(name, spoken(ask.text)))}** Is that so?")
    with st.container(horizontal=True):
        for answer in ("Yes", "No"):
            if ui.button(answer, key=f"step_{sha256}_{name}_{answer}"):
                said.say(sha256, conditions=said.about(sha256).conditions | {name: answer == "Yes"})
                st.rerun()


def _setting(ask: Ask, unit: Unit) -> None:
    """A setting that a limit goes by; it is remembered like the others."""
    st.markdown(f"**{ui.plain(capital(ask.text))}**")
    now = prefs.preferences()
    if ask.name == "thickness":
        given = components.length_input("Plate thickness", None, unit, 0.5, 300.0, "step_thickness")
        if given is not None:
            prefs.remember(now.model_copy(update={"thickness_mm": given}))
            st.rerun()
    elif ask.name == "size":
        given = components.length_input("Fillet's size on the drawing", None, unit, 1.0, 100.0, "step_size")
        if given is not None:
            prefs.remember(now.model_copy(update={"drawing_size_mm": given}))
            st.rerun()


def _where(result: Result, places: Sequence[float], unit: Unit) -> None:
    if drawing := gauge_drawings.where_on_the_bead(result, places, unit):
        ui.sketch(drawing, "Where along the bead, from above.")
