"""The instructor's coupons: many photos measured and scored, looked through, printed and exported."""

from __future__ import annotations

from typing import get_args

import altair as alt
import pandas as pd
import streamlit as st

from toeline.coupons.coupons import ClassScores, Coupon, place_in_words
from toeline.coupons.log import PutOnRecord
from toeline.coupons.rubric import ELECTRODE, Rubric
from toeline.coupons.score import ItemScore
from toeline.coupons.wall_chart import Paper as ChartPaper
from toeline.errors import ToelineError
from toeline.names import CAUSES
from toeline.result import CauseId, Outcome, Result
from toeline.units import Unit, in_unit, length
from toeline.units import rod as rod_size
from toeline_app import classroom, coach, components, looking, photos, prefs, rubric_form, said, serving, sharing, ui
from toeline_app.classroom import Scored
from toeline_app.photos import Photo, Shown
from toeline_app.prefs import Preferences
from toeline_app.service import readings, scoring
from toeline_app.views.bench import ELECTRODES, in_words

MOST_COUPONS = 100
#: The photos of the class that was last scrolled to.
_IN_VIEW = "class_in_view"
#: The photos of the class that was put on record last, and what came of it.
_PUT = "class_put"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
PAPERS: dict[ChartPaper, str] = {"a3": "A3", "a4": "A4", "us-tabloid": "Tabloid", "us-letter": "Letter"}
SORTS = {"points": "Points, most first", "name": "Name", "outcome": "Outcome"}


def page() -> None:
    """The page."""
    st.title("Coupons")
    sharing.take_up()
    rubric = rubric_form.page_part()
    _roster()
    if rubric is not None:
        _how_welded(rubric)
    st.text(f"Measured as set on the page Measure: {in_words(prefs.preferences())}.")
    reference = _reference(rubric) if rubric else None
    chosen = _choose()
    if rubric is None or not chosen or (rubric.needs_reference and reference is None):
        return
    try:
        found = classroom.score(chosen, reference)
    except ToelineError as error:
        ui.error(error)
        return
    with st.container(key="class_outcome"):
        _overview(found.scores)
    _problems(found.scores)
    _table(found)
    _plan(found.scores, found.settings.unit)
    _exports(found)
    _wall_chart(found)
    _record(found)
    _breakdown(found)
    sharing.page_part()
    _bring_into_view(chosen)


def _bring_into_view(chosen: list[Photo]) -> None:
    """The outcome of a class whose photos are new is scrolled to, when the page is as long as it will be."""
    now = [one.sha256 for one in chosen]
    if st.session_state.get(_IN_VIEW) != now:
        st.session_state[_IN_VIEW] = now
        ui.bring_into_view(".st-key-class_outcome")


def _roster() -> None:
    with ui.fold("names", "Names: from a roster or from the file names", "badge"):
        st.write(
            "Without a roster a coupon is called what its file is called. A roster is a table kept as CSV, a row for "
            "each learner: the name, and the photo's file or the code of a tag laid beside the bead. More columns may "
            "say what differs for one coupon and what somebody who looked found there: see the example."
        )
        components.download("Example of a roster (CSV)", scoring.roster_example, "roster.csv", "text/csv")
        file = st.file_uploader("Roster (CSV)", type=["csv", "txt"], key="roster_file")
        if file is not None and st.session_state.get("roster_id") != file.file_id:
            try:
                scoring.roster(file.getvalue(), file.name)
            except ToelineError as error:
                ui.error(error)
                return
            st.session_state["roster_id"] = file.file_id
            classroom.say(roster=file.getvalue().decode("utf-8-sig"), roster_name=file.name)
        roster = classroom.roster()
        if roster is None:
            return
        st.text(f"{len(roster.names)} names, from {classroom.told().roster_name}.")
        if roster.by_code:
            components.download(
                "Tags to print, one for each code", lambda: scoring.tag_sheets(roster), "tags.pdf", components.PDF
            )
        if ui.button("Go on without this roster"):
            classroom.say(roster="", roster_name="")
            st.rerun()


def _how_welded(rubric: Rubric) -> None:
    """What points and advice need to know, asked once for the class; the same settings as on the page Measure."""
    now = prefs.preferences()
    needs_rod = any(item.per == ELECTRODE for item in rubric.item) and now.electrode_mm is None
    with ui.fold("welded", f"How the class welded: {_welded_in_words(now)}", "bolt", expanded=needs_rod):
        if needs_rod:
            st.info("The rubric gives points for the width by the rod: say its core diameter.")
        edited = _edit(now)
    if edited != now:
        prefs.remember(edited)
        st.rerun()


def _welded_in_words(now: Preferences) -> str:
    words = [f"rod {rod_size(now.electrode_mm, now.unit)}" if now.electrode_mm else "rod's size not given"]
    if now.electrode_class:
        words.append(now.electrode_class)
    if now.intended_width_mm:
        words.append(f"meant {length(now.intended_width_mm, now.unit)} wide")
    words.append(readings.criteria_titles().get(now.criteria or "", "no criteria"))
    return ", ".join(words)


def _edit(now: Preferences) -> Preferences:
    electrode = st.selectbox(
        "Core diameter of the rods",
        ELECTRODES,
        index=ELECTRODES.index(now.electrode_mm) if now.electrode_mm in ELECTRODES else None,
        format_func=lambda mm: rod_size(mm, now.unit),
        placeholder="Not given",
        key="class_electrode",
    )
    rod = st.text_input(
        "Electrode, as its box names it",
        value=now.electrode_class or "",
        max_chars=40,
        placeholder="E7018, E 42 4 B 42, E4918",
        key="class_rod",
    ).strip()
    wide = components.length_input("Width that was meant", now.intended_width_mm, now.unit, 1.0, 60.0, "class_width")
    titles = readings.criteria_titles()
    criteria = st.selectbox(
        "Acceptance criteria: a line that fails comes first in the advice",
        list(titles),
        index=list(titles).index(now.criteria) if now.criteria in titles else None,
        format_func=titles.__getitem__,
        placeholder="None: points alone",
        key="class_criteria",
    )
    if rod and not readings.knows_rod(rod):
        st.warning("This rod is in no table here: nothing is said of its current.")
    changed = {
        "electrode_mm": electrode,
        "electrode_class": rod if prefs.is_rod(rod) else None,
        "intended_width_mm": wide,
        "criteria": criteria,
    }
    return now.model_copy(update=changed)


def _reference(rubric: Rubric) -> Result | None:
    """The reference bead's result, for a rubric that compares with one."""
    if not rubric.needs_reference:
        return None
    file = st.file_uploader("Photo of the reference bead", type="image", key="reference_file")
    if file is not None and st.session_state.get("reference_id") != file.file_id:
        st.session_state["reference_id"] = file.file_id
        photos.take_in([file], classroom.REFERENCE)
    photo = next(iter(photos.holding(classroom.REFERENCE)), None)
    if photo is None:
        st.info("This rubric compares with a reference bead: choose its photo.")
        return None
    (shown,) = classroom.measured([photo])
    found = classroom.reference(shown)
    if found is None:
        ui.error("The reference bead cannot be measured. " + (shown.problem or ""))
        ui.problems(shown.result.photo.problems if shown.result else ())
        return None
    st.success("Reference bead: " + ui.plain(photo.name))
    return found


def _choose() -> list[Photo]:
    turn = st.session_state.setdefault("coupons_turn", 0)
    kept = photos.holding(classroom.COUPONS)
    files = st.file_uploader(
        "Photos of the coupons, one each" if not kept else "More photos",
        type="image",
        accept_multiple_files=True,
        key=f"coupons_files_{turn}",
        help="For height too: ada.jpg with ada left.jpg, ada right.jpg, ada start.jpg and ada end.jpg, of one bead.",
    )
    if files:
        if len(files) > MOST_COUPONS - len(kept):
            st.toast(f"At most {MOST_COUPONS} coupons at once.")
        photos.take_in(files[: MOST_COUPONS - len(kept)], classroom.COUPONS, kept=kept)
        st.session_state["coupons_turn"] = turn + 1
        st.rerun()
    if kept and ui.button(f"Start a new class ({len(kept)} photos go)"):
        photos.take_in((), classroom.COUPONS)
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


def _table(found: Scored) -> None:
    by = st.selectbox("Sort by", list(SORTS), format_func=SORTS.__getitem__, key="coupons_sort")
    rows, places, ordered = [], found.scores.places(), _ordered(found.scores, by)
    for one in ordered:
        place = place_in_words(places.get(one.photo)) or "–"
        practise = [item.title for item in one.score.to_practise] if one.score and _usable(one) else []
        rows.append((one.name, ui.outcome_word(one.outcome), place, _points(one), next(iter(practise), "–")))
    pictures = [photos.thumbnail(found.shown[one.photo]) for one in ordered]
    ui.table(("Coupon", "Outcome", "Place", "Points", "Practise first"), rows, pictures=pictures)


def _points(one: Coupon) -> str:
    return "–" if one.score is None or one.points is None else f"{one.points:.0f} ± {one.score.U:.0f}"


def _usable(one: Coupon) -> bool:
    """Whether the photo can be used; else nothing on it is taken as seen."""
    return components.outcome(one.result) != "retake"


def _exports(found: Scored) -> None:
    scores = found.scores

    def sheets() -> bytes:
        pictures = {name: one.picture.read_bytes() for name, one in found.shown.items() if one.picture}
        return scoring.sheets(scores, pictures, found.settings.unit)

    with ui.fold("exports", "Class list and sheets to print", "download", expanded=True):
        components.download("Sheets for all (PDF)", sheets, "coupons.pdf", components.PDF)
        components.download("Class list (XLSX)", lambda: scoring.class_xlsx(scores), "coupons.xlsx", XLSX)
        components.download("Class list (CSV)", lambda: scoring.class_csv(scores), "coupons.csv", "text/csv")
        components.download(
            "All of it (JSON)",
            lambda: scoring.class_json(scores, found.settings.unit),
            "coupons.json",
            "application/json",
        )


def _wall_chart(found: Scored) -> None:
    """A chart for the wall from the class's own beads; the instructor says which bead stands for which trouble."""
    usable = {one.photo: one.name for one in found.scores.coupons if one.result is not None and _usable(one)}
    with ui.fold("wall_chart", "Wall chart from these beads", "wallpaper"):
        st.text(
            "The best bead, a typical one and one for each trouble, without names. What is proposed is the likeliest; "
            "you know better which bead shows what."
        )
        proposed = scoring.chart_plan(found.scores, {}).troubles
        picks: dict[CauseId, str | None] = {}
        for cause, title in CAUSES.items():
            options = [None, *usable]
            place = options.index(proposed.get(cause)) if proposed.get(cause) in options else 0
            picks[cause] = st.selectbox(
                title,
                options,
                place,
                format_func=lambda photo: "Not on the chart" if photo is None else usable[photo],
                key=f"chart_{cause}",
            )
        paper: ChartPaper = st.radio("Paper", list(PAPERS), format_func=PAPERS.__getitem__, horizontal=True)
        files = {name: shown.photo.path for name, shown in found.shown.items()}
        plan = scoring.chart_plan(found.scores, picks)
        components.download(
            "Wall chart (PDF)",
            lambda: scoring.chart_pdf(found.scores, plan, files, paper, found.settings.unit),
            "wall-chart.pdf",
            components.PDF,
        )


def _record(found: Scored) -> None:
    """Each coupon under its learner's name, so that the next sheet can say what moved since."""
    if serving.role() != "inspector":
        return
    with ui.fold("on_record", "Put this class on record", "inventory_2"):
        st.text(
            "Each coupon is saved under its learner's name. The next sheets then say what moved since, and Trends "
            "follow each hand. A name can be exported and erased on the page Personal data."
        )
        unnamed = found.scores.unnamed
        written = [one.name for one in found.scores.coupons if _usable(one) and one.photo not in unnamed]
        left_out = [one.name for one in found.scores.coupons if one.name not in written]
        st.text(f"Will be written, and is kept for good: {', '.join(written) or 'nothing'}.")
        if left_out:
            st.text(f"Left out, the photo cannot be used or has no name: {', '.join(left_out)}.")
        with st.form("put_on_record", enter_to_submit=False):
            name = st.text_input("Class", max_chars=200, placeholder="Evening class 12")
            day = st.date_input("Day of the welding", value="today", format="YYYY-MM-DD")
            sent = ui.submit("Put the class on record", "class_record_send")
        taken = [photo for one in found.shown.values() for photo in (one.photo, *one.photo.sides)]
        of = [photo.sha256 for photo in taken]
        if sent and not name.strip():
            st.error("Say which class this is.")
        elif sent:
            files = {photo.name: photo.path.read_bytes for photo in taken}
            # kept before it is said: a page that is drawn anew meanwhile says it too
            st.session_state[_PUT] = (of, scoring.put_on_record(found.scores, files, name, day))
        whose, done = st.session_state.get(_PUT, (None, None))
        if done is not None and whose == of:
            _is_put(done)


def _is_put(done: PutOnRecord) -> None:
    """What was put on record of this class, and what was not."""
    count = len(done.saved)
    st.success(f"{count} {'coupon is' if count == 1 else 'coupons are'} put on record.")
    for title, names in (
        ("There already", done.there_already),
        ("Left out, the photo cannot be used or has no name", done.left_out),
    ):
        if names:
            st.text(f"{title}: {', '.join(names)}.")


def _breakdown(found: Scored) -> None:
    st.header("One coupon")
    scores, unit = found.scores, found.settings.unit
    place = st.selectbox(
        "Coupon", range(len(scores.coupons)), format_func=lambda i: scores.coupons[i].name, key="coupons_place"
    )
    one = scores.coupons[place or 0]
    if one.score is None:
        ui.error(one.problem or "")
        return
    shown = found.shown[one.photo]
    points = "not scored" if one.points is None else f"{_points(one)} of {one.score.of:g} points"
    ui.badge(one.outcome, points)
    for reason in one.score.reasons:
        st.text(reason)
    if not _usable(one):
        components.whole_photo(shown)
        return
    _narrow(one, shown)
    if shown.picture is not None:
        picture = shown.picture.read_bytes()
        ui.picture(picture, "The coupon's bead turned level, with both toes.", shown.photo.sha256)
    _since(one, scores.rubric, unit)
    _sheet(one, scores.rubric, unit)
    with ui.fold("lines", "Points, line by line", "list"):
        ui.table(
            ("What counts", "Measured", "Points"),
            [
                (in_unit(item.title, unit), scoring.had_in_words(scores.rubric, item, unit), _earned(item))
                for item in one.score.items
            ],
        )
        for item in one.score.to_practise[:3]:
            ui.line("measured", item.title, item.coaching, chip="Practise")
    if one.result is not None:
        coach.safety(one.result)


def _sheet(one: Coupon, rubric: Rubric, unit: Unit) -> None:
    """What the learner reads: the same sheet as is printed."""
    sheet = scoring.learner_sheet(one, rubric, unit)
    if sheet.well:
        components.listed("What went well", sheet.well)
    if sheet.change is not None:
        more = [*sheet.steps, *([sheet.figure] if sheet.figure else []), *([f"{sheet.cause}."] if sheet.cause else [])]
        ui.card(scoring.heading(sheet.change_is), sheet.change, more)
    if sheet.drill is not None:
        ui.card(f"Next drill: {sheet.drill.title}", sheet.drill.say, [sheet.drill_done or ""], strong=False)


def _since(one: Coupon, rubric: Rubric, unit: Unit) -> None:
    """What moved since the learner's last bead on record."""
    since = scoring.since(one, rubric)
    if since is None or not since[1].advice:
        return
    rod = one.result.settings.welding.electrode_mm if one.result else None
    ui.card(f"Last time, {since[0]}", since[1].advice, [since[1].aim_in_words(unit, rod)], strong=False)


def _plan(scores: ClassScores, unit: Unit) -> None:
    """The next session for the class."""
    rows = scoring.next_session(scores, unit)
    if rows:
        with ui.fold("plan", "Next session: who does which drill", "event_note"):
            ui.table(("Drill", "Who", "What to weld"), rows)


def _earned(item: ItemScore) -> str:
    if item.points is None:
        return "Not counted"
    said = (
        f"{item.points:.1f} ± {item.U:.1f} of {item.weight:g}"
        if item.U >= 0.05
        else f"{item.points:.1f} of {item.weight:g}"
    )
    return said if item.counted else f"Not counted: {said}"


def _narrow(one: Coupon, shown: Shown) -> None:
    """What would make the score surest; a look is answered here."""
    narrow = one.score.narrowed_by if one.score else None
    sha256 = shown.photo.sha256
    kept = said.about(sha256).gauge
    if narrow is not None:
        ui.line("undecided", "What would make the score surest", narrow.text, chip="Next")
    if narrow is not None and narrow.look is not None and one.result is not None:
        by, unit = looking.who(), prefs.preferences().unit
        places = readings.suspected(one.result, narrow.look, unit)
        value = looking.ask(narrow.look, f"class_look_{narrow.look}_{sha256}", places)
        if ui.button("Record what I saw", key=f"class_saw_{sha256}"):
            if value is None:
                st.error("Answer the question first.")
            elif not by:
                st.error("Say who looked: type the name above.")
            else:
                said.say(sha256, gauge=(*kept, *readings.looked(one.result, narrow.look, value, None, by, unit)))
                st.rerun()
    for name in dict.fromkeys(one.name for one in kept):  # an answer stands for the places that were looked at too
        first = next(one for one in kept if one.name == name)
        what, saw = readings.gauge_row(first, prefs.preferences().unit)
        if ui.button(f"Remove: {what} {saw}", key=f"class_look_{sha256}_{name}"):
            said.say(sha256, gauge=tuple(one for one in kept if one.name != name))
            st.rerun()
