"""The tool's own spread: several photos of the same coupon, taken anew each time."""

from __future__ import annotations

import streamlit as st

from toeline.measures.registry import title_of
from toeline.units import Unit, convert
from toeline.validation.repeatability import Spread
from toeline_app import components, photos, prefs, ui
from toeline_app.photos import Photo
from toeline_app.service import scoring
from toeline_app.views.bench import to_settings

MOST_PHOTOS = 60
HOLD_AS = "repeat_photos"


def page() -> None:
    """The page."""
    st.title("Repeatability")
    st.write(
        "Photograph one coupon three times or more, taking phone and card away in between; better, do so with several "
        "coupons. The spread within a coupon is the tool's own: two coupons that differ by less are equal."
    )
    chosen = _choose()
    if not chosen:
        return
    apart = st.radio(
        "The photos show",
        ("one", "many"),
        format_func={
            "one": "one coupon",
            "many": "several coupons, named by file: ada 1, ada 2, bo 1, bo 2",
        }.__getitem__,
        key="repeat_apart",
    )
    settings = to_settings(prefs.preferences())
    shown = photos.measure_all([(photo, settings) for photo in chosen], batch=True)
    for one in shown:
        if components.outcome(one.result) == "retake":
            st.warning(ui.plain(f"{one.photo.name} is left out: {one.problem or 'the photo cannot be used.'}"))
    named = [(one.photo.name, one.result) for one in shown if one.result is not None]
    spreads = scoring.spreads(named, one_coupon=apart == "one")
    if not any(spread.found for spread in spreads):
        st.info("Choose at least two usable photos of one coupon.")
        return
    _table(spreads, settings.unit)


def _choose() -> list[Photo]:
    turn = st.session_state.setdefault("repeat_turn", 0)
    files = st.file_uploader(
        "Photos, several of each coupon", type="image", accept_multiple_files=True, key=f"repeat_files_{turn}"
    )
    if files:
        photos.take_in(files[:MOST_PHOTOS], HOLD_AS)
        st.session_state["repeat_turn"] = turn + 1
        st.rerun()
    return photos.holding(HOLD_AS)


def _table(spreads: tuple[Spread, ...], unit: Unit) -> None:
    rows = []
    for one in spreads:
        if one.found is None:
            continue
        rows.append(
            (
                title_of(one.measure),
                _length(one.found.s, one.unit, unit),
                "–" if one.found.ev is None else _length(one.found.ev, one.unit, unit),
                _length(one.found.least_difference, one.unit, unit),
                "–" if one.stated_U is None else _length(one.stated_U, one.unit, unit),
                f"{one.found.readings} of {one.found.groups} {'coupon' if one.found.groups == 1 else 'coupons'}",
            )
        )
    ui.table(
        ("Measure", "Spread s", "EV (AIAG)", "Differences mean something from", "U as stated", "Photos used"),
        rows,
    )
    st.text(
        "s: pooled standard deviation within coupons. EV: the same by the average range, as in the AIAG manual's gauge "
        "study. Differences mean something from 2.77 s on (repeatability limit, ISO 5725-6). U covers more than the "
        "spread: the card's print scale is the same in every photo and does not show here."
    )


def _length(value: float, own: str, unit: Unit) -> str:
    shown, name = convert(value, own, unit)
    return f"{shown:.3f} {'' if name == '1' else name}".rstrip()
