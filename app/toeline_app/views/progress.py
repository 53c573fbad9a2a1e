"""Before and after: two beads of one learner side by side, and whether what was advised moved."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import streamlit as st

from toeline.coupons.progress import MOVED_MEANS, Change, Progress
from toeline.errors import ToelineError
from toeline.result import Result
from toeline.units import Unit, in_unit, say
from toeline_app import classroom, components, photos, prefs, serving, ui
from toeline_app.service import recording, scoring

Source = Literal["record", "photos"]
SOURCES: dict[Source, str] = {"photos": "Two photos", "record": "Two beads on record"}
#: How a verdict is shown in short: as what, and in which word.
_CHIPS = {
    "moved the right way": ("pass", "Better"),
    "moved the wrong way": ("fail", "Worse"),
    "moved": ("measured", "Moved"),
    "not beyond the tool's spread": ("undecided", "Unsure"),
    "cannot be told": ("undecided", "Unsure"),
}


@dataclass(frozen=True, slots=True)
class Bead:
    """One of the two: when, its result, its picture."""

    when: str
    result: Result
    picture: bytes | None


def page() -> None:
    """The page."""
    st.title("Before and after")
    st.write("What the last advice was, and whether the measure that it aimed at moved beyond the tool's own spread.")
    source: Source = "photos"
    if serving.role() == "inspector":
        source = st.radio("Hold against each other", list(SOURCES), format_func=SOURCES.__getitem__, horizontal=True)
    found = _from_record() if source == "record" else _from_photos()
    if found is None:
        return
    name, before, after = found
    try:
        progress = scoring.progress(before.result, after.result, classroom.rubric())
    except ToelineError as error:
        ui.error(error)
        return
    _show(name, progress, before, after, prefs.preferences().unit)


def _from_photos() -> tuple[str, Bead, Bead] | None:
    found = []
    for key, label in (("before_photos", "Photo of the bead before"), ("after_photos", "Photo of the bead after")):
        file = st.file_uploader(label, type="image", key=f"{key}_file")
        if file is not None and st.session_state.get(f"{key}_id") != file.file_id:
            st.session_state[f"{key}_id"] = file.file_id
            photos.take_in([file], key)
        held = photos.holding(key)
        if held:
            found.append((label, held[0]))
    if len(found) < 2:
        return None
    settings = classroom.settings()
    beads = []
    for (label, photo), shown in zip(found, classroom.measured([photo for _, photo in found]), strict=True):
        result = scoring.said_of(shown.result, settings, ())
        if result is None or result.stopped:
            ui.error(f"{label}: {photo.name}. {shown.problem or (result.stopped if result else '')}")
            return None
        beads.append(Bead(photo.name, result, shown.picture.read_bytes() if shown.picture else None))
    return "Before and after", beads[0], beads[1]


def _from_record() -> tuple[str, Bead, Bead] | None:
    names = recording.people_and_procedures("welder")
    if not names:
        st.info("Nobody is on record yet. Put a class on record on the page Coupons, or save inspections.")
        return None
    name = st.selectbox("Whose beads", names, index=None, placeholder="Choose a name")
    if name is None:
        return None
    seen = scoring.beads_of(name)
    if len(seen) < 2:
        st.info("There is only one bead on record under this name.")
        return None
    titles = [title for _, title in seen]
    first = st.selectbox("Before", range(len(seen)), 1, format_func=titles.__getitem__, key=f"before_{name}")
    second = st.selectbox("After", range(len(seen)), 0, format_func=titles.__getitem__, key=f"after_{name}")
    if first == second:
        st.info("Choose two different beads.")
        return None
    one, two = (_recorded(seen[place or 0]) for place in (first, second))
    return name, one, two


def _recorded(seen: tuple[str, str]) -> Bead:
    inspection = recording.inspection(seen[0])
    try:
        unit = prefs.preferences().unit
        picture = recording.recorded_picture(inspection.photos[0].sha256, inspection.result.to_json(None), unit)
    except ToelineError:  # the photo is missing: its figures still tell
        picture = None
    return Bead(seen[1], inspection.result, picture)


def _show(name: str, progress: Progress, before: Bead, after: Bead, unit: Unit) -> None:
    for column, head, bead in zip(st.columns(2), ("Before", "After"), (before, after), strict=True):
        with column:
            st.markdown(f"**{head}:** {ui.plain(bead.when)}")
            if bead.picture is not None:
                st.image(bead.picture, width="stretch", alt=f"{head}: the bead turned level, with both toes.")
    if progress.advice:
        more = [f"Its drill: {progress.drill.title}."] if progress.drill else []
        ui.card(f"The last advice: {progress.heading.lower()}", progress.advice, more)
    rod = after.result.settings.welding.electrode_mm
    verdict = progress.aim.verdict if progress.aim else "cannot be told"
    words = progress.aim_in_words(unit, rod)
    kind, chip = _CHIPS[verdict]
    ui.line(kind, f"What it aimed at: {verdict}", words, chip=chip)
    for line in progress.differ:
        st.text(f"Mind: {line}")
    ui.table(
        ("Measure", "Before", "After", "Moved?"),
        [
            (in_unit(one.called, unit), _said(one, "before", unit), _said(one, "after", unit), one.verdict)
            for one in progress.others
        ],
    )
    st.text(MOVED_MEANS)
    sheet = (before.when, before.result, before.picture), (after.when, after.result, after.picture)
    components.download(
        "Both on one page (PDF)",
        lambda: scoring.progress_sheet(name, progress, sheet, unit),
        "before-and-after.pdf",
        components.PDF,
    )
    components.download(
        "The comparison (JSON)", lambda: scoring.progress_json(progress), "before-and-after.json", "application/json"
    )


def _said(one: Change, which: Literal["before", "after"], unit: Unit) -> str:
    quantity = one.before if which == "before" else one.after
    return "Not known" if quantity.value is None else say(quantity, unit)
