"""The instructor's coupons: many photos measured and scored, looked through, printed and exported."""

from __future__ import annotations

from typing import get_args

import altair as alt
import pandas as pd
import streamlit as st

from toeline.coupons.coupons import ClassScores, Coupon, place_in_words
from toeline.coupons.roster import Roster
from toeline.coupons.rubric import ELECTRODE, Rubric
from toeline.errors import ToelineError
from toeline.result import Outcome, Result, Settings
from toeline.units import Unit, say
from toeline_app import coach, parts, photos, prefs, service, ui
from toeline_app.photos import Photo, Shown
from toeline_app.views.bench import in_words, to_settings

MOST_COUPONS = 100
LONGEST_RUBRIC = 60_000
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
HOLD_AS = "coupons_photos"
#: Core diameters of ISO 544 (from memory), mm.
DIAMETERS = (1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.0)
SORTS = {"points": "Points, most first", "name": "Name", "outcome": "Outcome"}


def page() -> None:
    """The page."""
    st.title("Coupons")
    rubric = _rubric()
    roster = _roster()
    if rubric is not None:
        _ask_for(rubric)
    now = prefs.preferences()
    settings = to_settings(now)
    st.text(f"Measured as set on the page Measure: {in_words(now)}.")
    reference = _reference(rubric, settings) if rubric else None
    chosen = _choose()
    if rubric is None or not chosen or (rubric.needs_reference and reference is None):
        return
    with_code = bool(roster and roster.by_code)
    shown = photos.measure_all([(photo, settings) for photo in chosen], batch=True, with_code=with_code)
    try:
        scores = service.score_photos(
            [(one.photo.name, one.result, one.problem, one.code) for one in shown], rubric, reference, roster
        )
    except ToelineError as error:
        ui.error(error)
        return
    _overview(scores)
    _problems(scores)
    _table(scores, {one.photo.name: one for one in shown})
    _exports(scores, shown, settings.unit)
    _breakdown(scores, {one.photo.name: one for one in shown}, settings.unit)


def _rubric() -> Rubric | None:
    """The rubric in use, after any editing; None while the edited text is wrong."""
    with ui.fold("rubric", "Rubric: what counts and for how much", "edit_note"):
        titles = service.rubric_titles()
        chosen = st.selectbox("Rubric", list(titles), format_func=titles.__getitem__, key="rubric_id")
        own: dict[str, str] = st.session_state.setdefault("rubric_texts", {})
        file = st.file_uploader("A rubric of your own (TOML file)", type="toml", key="rubric_file")
        if file is not None and st.session_state.get("rubric_file_id") != file.file_id:
            st.session_state["rubric_file_id"] = file.file_id
            own[chosen] = file.getvalue()[:LONGEST_RUBRIC].decode("utf-8", "replace")
            st.session_state["rubric_turn"] = st.session_state.get("rubric_turn", 0) + 1
        text = st.text_area(
            "The rubric's text (TOML); change it as you need",
            value=own.get(chosen, service.rubric_text(chosen)),
            height=360,
            max_chars=LONGEST_RUBRIC,
            key=f"rubric_text_{chosen}_{st.session_state.get('rubric_turn', 0)}",
        )
        own[chosen] = text
        try:
            rubric = service.read_rubric(text)
        except ToelineError as error:
            ui.error(error)
            return None
        st.text(
            f"{rubric.title}: {rubric.points:g} points, pass mark {rubric.pass_share * rubric.points:g}. {rubric.about}"
        )
        ui.table(("What counts", "Points", "Why"), [(item.title, f"{item.weight:g}", item.why) for item in rubric.item])
        ui.table(("Fails outright", "Why"), [(rule.title, rule.why) for rule in rubric.fails])
        parts.download("Keep this rubric as a file", lambda: text, f"{rubric.id}.toml", "application/toml")
        if text != service.rubric_text(chosen) and st.button("Back to the rubric as shipped", width="stretch"):
            own.pop(chosen)
            st.session_state["rubric_turn"] = st.session_state.get("rubric_turn", 0) + 1
            st.rerun()
    return rubric


def _roster() -> Roster | None:
    with ui.fold("names", "Names: from a roster or from the file names", "badge"):
        st.write(
            "Without a roster a coupon is called what its file is called. A roster is a CSV file with a header: name, "
            "and one or both of file and code. A code is the number of a tag laid beside the bead."
        )
        file = st.file_uploader("Roster (CSV)", type=["csv", "txt"], key="roster_file")
        if file is None:
            return None
        try:
            roster = service.roster(file.getvalue(), file.name)
        except ToelineError as error:
            ui.error(error)
            return None
        st.text(f"{len(roster.names)} names.")
        if roster.by_code:
            parts.download(
                "Tags to print, one for each code", lambda: service.tag_sheets(roster), "tags.pdf", parts.PDF
            )
    return roster


def _ask_for(rubric: Rubric) -> None:
    """What the rubric needs to give points, asked once for the class; also a setting of the page Measure."""
    now = prefs.preferences()
    if not any(item.per == ELECTRODE for item in rubric.item):
        return
    given = st.selectbox(
        "Core diameter of the rods, mm: this rubric needs it",
        DIAMETERS,
        index=DIAMETERS.index(now.electrode_mm) if now.electrode_mm in DIAMETERS else None,
        format_func=lambda mm: f"{mm:g}",
        placeholder=f"{now.electrode_mm:g}" if now.electrode_mm else "Not given: no points for the width",
        key="coupons_electrode",
    )
    if given is not None and given != now.electrode_mm:
        prefs.remember(now.model_copy(update={"electrode_mm": given}))


def _reference(rubric: Rubric, settings: Settings) -> Result | None:
    """The reference bead's result, for a rubric that compares with one."""
    if not rubric.needs_reference:
        return None
    file = st.file_uploader("Photo of the reference bead", type="image", key="reference_file")
    if file is not None and st.session_state.get("reference_id") != file.file_id:
        st.session_state["reference_id"] = file.file_id
        photos.take_in([file], "reference_photos")
    photo = next(iter(photos.holding("reference_photos")), None)
    if photo is None:
        st.info("This rubric compares with a reference bead: choose its photo.")
        return None
    (shown,) = photos.measure_all([(photo, settings)])
    if parts.outcome(shown.result) == "retake":
        ui.error("The reference bead cannot be measured. " + (shown.problem or ""))
        ui.problems(shown.result.photo.problems if shown.result else ())
        return None
    st.success("Reference bead: " + ui.plain(photo.name))
    return shown.result


def _choose() -> list[Photo]:
    turn = st.session_state.setdefault("coupons_turn", 0)
    kept = photos.holding(HOLD_AS)
    files = st.file_uploader(
        "Photos of the coupons, one each" if not kept else "More photos",
        type="image",
        accept_multiple_files=True,
        key=f"coupons_files_{turn}",
    )
    if files:
        if len(files) > MOST_COUPONS - len(kept):
            st.toast(f"At most {MOST_COUPONS} coupons at once.")
        photos.take_in(files[: MOST_COUPONS - len(kept)], HOLD_AS, kept=kept)
        st.session_state["coupons_turn"] = turn + 1
        st.rerun()
    if kept and st.button(f"Start a new class ({len(kept)} photos go)", width="stretch"):
        photos.take_in((), HOLD_AS)
        st.rerun()
    return kept


def _overview(scores: ClassScores) -> None:
    median = scores.median_points
    ui.table(
        ("Class", "Count"),
        [
            ("Coupons", str(len(scores.coupons))),
            *((ui.outcome_word(one), str(scores.count(one))) for one in get_args(Outcome)),
            ("Median of points", "–" if median is None else f"{median:.0f} of {scores.rubric.points:g}"),
        ],
    )
    if not scores.scored:
        return
    bars = pd.DataFrame(
        [(f"{one.low:g}–{one.high:g}", one.low, one.count) for one in scores.distribution()],
        columns=["points", "low", "coupons"],
    )
    chart = (
        alt.Chart(bars)
        .mark_bar(color="#3a8fc7")
        .encode(
            x=alt.X(
                "points:N", sort=alt.SortField("low"), title="Points", axis=alt.Axis(labelAngle=-60, labelOverlap=False)
            ),
            y=alt.Y("coupons:Q", title="Coupons", axis=alt.Axis(tickMinStep=1, format="d")),
        )
        .properties(height=220)
    )
    st.altair_chart(chart, width="stretch")


def _problems(scores: ClassScores) -> None:
    """Who has no points, no photo or no name."""
    rows = [(one.name, one.problem or "") for one in scores.problems]
    rows += [(name, "No photo.") for name in scores.absent]
    rows += [(name, "The roster names nobody for this photo.") for name in scores.unnamed]
    if rows:
        with ui.fold("problems", f"{len(rows)} to look after", "warning", expanded=True):
            ui.table(("Coupon", "Why"), rows)


def _ordered(scores: ClassScores, by: str) -> list[Coupon]:
    if by == "points":
        return sorted(scores.coupons, key=lambda one: (one.points is None, -(one.points or 0.0), one.name))
    order = ("pass", "undecided", "fail")
    key = (lambda one: one.name.casefold()) if by == "name" else (lambda one: (order.index(one.outcome), one.name))
    return sorted(scores.coupons, key=key)


def _table(scores: ClassScores, shown: dict[str, Shown]) -> None:
    by = st.selectbox("Sort by", list(SORTS), format_func=SORTS.__getitem__, key="coupons_sort")
    rows, places = [], scores.places()
    for one in _ordered(scores, by):
        place = place_in_words(places.get(one.photo)) or "–"
        points = "–" if one.score is None or one.points is None else f"{one.points:.0f} ± {one.score.U:.0f}"
        practise = [item.title for item in one.score.to_practise] if one.score and _usable(one) else []
        rows.append((one.name, ui.outcome_word(one.outcome), place, points, next(iter(practise), "–")))
    pictures = [photos.thumbnail(shown[one.photo]) for one in _ordered(scores, by)]
    ui.table(("Coupon", "Outcome", "Place", "Points", "Practise first"), rows, pictures=pictures)


def _usable(one: Coupon) -> bool:
    """Whether the photo can be used; else nothing on it is taken as seen."""
    return parts.outcome(one.result) != "retake"


def _exports(scores: ClassScores, shown: list[Shown], unit: Unit) -> None:
    def sheets() -> bytes:
        pictures = {one.photo.name: one.picture.read_bytes() for one in shown if one.picture}
        return service.sheets(scores, pictures, unit)

    with ui.fold("exports", "Class list and sheets to print", "download", expanded=True):
        parts.download("Sheets for all (PDF)", sheets, "coupons.pdf", parts.PDF)
        parts.download("Class list (XLSX)", lambda: service.class_xlsx(scores), "coupons.xlsx", XLSX)
        parts.download("Class list (CSV)", lambda: service.class_csv(scores), "coupons.csv", "text/csv")


def _breakdown(scores: ClassScores, shown: dict[str, Shown], unit: Unit) -> None:
    st.header("One coupon")
    place = st.selectbox(
        "Coupon", range(len(scores.coupons)), format_func=lambda i: scores.coupons[i].name, key="coupons_place"
    )
    one = scores.coupons[place or 0]
    if one.score is None:
        ui.error(one.problem or "")
        return
    points = "not scored" if one.points is None else f"{one.points:.0f} ± {one.score.U:.0f} of {one.score.of:g} points"
    ui.badge(one.outcome, points)
    for reason in one.score.reasons:
        st.text(reason)
    if one.score.narrowed_by is not None and _usable(one):
        st.text(f"What would make the score surest: {one.score.narrowed_by}")
    if not _usable(one):
        parts.whole_photo(shown[one.photo])
        return
    picture = shown[one.photo].picture
    if picture is not None:
        st.image(picture.read_bytes(), width="stretch", alt="The coupon's bead turned level, with both toes.")
    if one.result is not None:
        coach.advice(one.result)
    for number, item in enumerate(one.score.to_practise[:3], start=1):
        ui.line("measured", f"{number}. {item.title}", item.coaching, chip="Practise")
    ui.table(
        ("What counts", "Measured", "Points"),
        [
            (item.title, say(item.value, unit), "–" if item.points is None else f"{item.points:.1f} of {item.weight:g}")
            for item in one.score.items
        ],
    )
    if one.result is not None:
        coach.safety(one.result)
