"""Components that several pages share: a result's headline and folds, lengths in the user's unit, downloads."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlencode, urlsplit

import streamlit as st
from streamlit.navigation.page import StreamlitPage

from toeline.judgement.decision import RULE_MEANINGS
from toeline.measures.registry import MEASURES, title_of
from toeline.report.content import PROCEDURE_WORDS
from toeline.report.highlights import measures_to_read, severest_first, worst_lines
from toeline.result import Point, Quantity, Result
from toeline.text import sentence
from toeline.units import MM_PER_INCH, Unit, in_unit, say
from toeline_app import seam_charts, serving, ui
from toeline_app.photos import Shown
from toeline_app.service import readings, reporting

PDF = "application/pdf"
_PAGES = "pages"
#: Said where taps led nowhere: the photo may be a good one.
TAPS = "The photo may be good. Undo the last tap, or tap the very start and the very end of the bead."


def set_pages(pages: dict[str, StreamlitPage]) -> None:
    """Tell the pages about each other, for links between them."""
    st.session_state[_PAGES] = pages


def pages() -> dict[str, StreamlitPage]:
    """All pages, by their addresses."""
    found: dict[str, StreamlitPage] = st.session_state[_PAGES]
    return found


def page(name: str) -> StreamlitPage:
    """Another page, by its address."""
    return pages()[name]


#: Problems that two taps on the bead's ends may solve.
ASKS_FOR_ENDS = frozenset({"ends_off", "several_beads", "no_bead", "not_a_bead", "toes_unsure", "ends_unsure"})


def outcome(result: Result | None) -> str:
    """What stands in the badge: the judgement's outcome, ``measured`` without criteria, ``retake`` for a bad photo,
    ``which`` where several beads were found, ``taps`` where none was between the ends that were tapped."""
    stops = {problem.code for problem in result.photo.problems if problem.severity == "stop"} if result else set()
    if result and result.settings.ends_px is not None and result.stopped and stops <= ASKS_FOR_ENDS:
        return "taps"
    if result is None or not result.bead.found:
        return "retake"
    if stops == {"several_beads"}:
        return "which"
    if result.stopped:
        return "retake"
    return result.judgement.outcome if result.judgement else "measured"


def headline(result: Result, shown: Shown, unit: Unit, left: str = "") -> None:
    """What a welder reads in five seconds: what is wrong with the photo, else outcome, picture, worst lines, change.

    ``left``: what would settle an outcome that is undecided; it stands in the worst lines' place. A photo that is
    stopped is shown whole: nothing on it is taken as seen.
    """
    state = outcome(result)
    found = severest_first(result.photo.problems)
    if state == "taps":
        ui.badge(state, TAPS)
        return
    if state in ("retake", "which"):
        ui.badge(state, "" if found else result.bead.why or "")
    ui.problems([one for one in found if one.severity != "note"])
    if state not in ("retake", "which"):
        judged_by = beside(result) if result.judgement else "No criteria chosen: measured only."
        ui.badge(state, *filter(None, (left, judged_by)))
    if result.stopped:
        if result.bead.found:
            whole_photo(shown)
        return
    if shown.picture is not None:
        ui.picture(shown.picture.read_bytes(), _alt(result, unit), shown.photo.sha256)
    if left:
        return
    if result.judgement:
        for line in worst_lines(result.judgement):
            ui.line(line.outcome, line.imperfection, line.why)
    else:
        known = [n for n in measures_to_read(result) if n in MEASURES and MEASURES[n].table == "headline"][:3]
        ui.table(
            ("Measure", "Value"), [(in_unit(title_of(name), unit), say(result.measures[name], unit)) for name in known]
        )


def beside(result: Result) -> str:
    """By what the weld was judged, and what has to be read with that outcome."""
    judged = result.judgement
    return "No criteria" if judged is None else "; ".join((judged.title, *judged.beside))


def whole_photo(shown: Shown) -> None:
    """The whole photo with what was found in it."""
    if shown.overview is not None:
        st.image(shown.overview.read_bytes(), width="stretch", alt="The whole photo, with the bead as it was found.")


def _alt(result: Result, unit: Unit) -> str:
    sizes = ("leg_base", "leg_upright") if result.settings.joint == "fillet" else ("width_mean",)
    said = ", ".join(f"{title_of(name)} {say(result.measures.get(name, Quantity()), unit)}" for name in sizes)
    return f"The bead turned level, both toes drawn, {said}, numbered: {_indications(result)}."


def _indications(result: Result) -> str:
    found = len(result.indications)
    return f"{found} {'indication' if found == 1 else 'indications'}"


def folded(result: Result, unit: Unit) -> None:
    """Everything else, folded away; of a photo that is stopped nothing but its notes."""
    if result.stopped:
        notes(result)
        return
    if result.measures:
        with ui.fold("measures", "All measures", "square_foot"):
            if drawing := reporting.cross_section(result, unit):
                ui.sketch(drawing, "The fillet's cross-section to scale; its figures stand in the table below.")
            seam_charts.sizes_along(result, unit)
            rows = [
                (in_unit(title_of(name), unit), say(quantity, unit))
                for name, quantity in measures_to_read(result).items()
            ]
            ui.table(("Measure", "Value with U (k = 2)"), rows)
    if result.procedure and result.settings.procedure:
        outside = sum(one.outcome == "outside" for one in result.procedure)
        title = f"Welding procedure {result.settings.procedure.name}" + (f": {outside} outside" if outside else "")
        with ui.fold("procedure", ui.plain(title), "description", expanded=bool(outside)):
            ui.table(
                ("Variable", "Allowed", "Welded with", "Within it"),
                [(one.variable, one.allowed, one.used, PROCEDURE_WORDS[one.outcome]) for one in result.procedure],
            )
    if result.judgement:
        with ui.fold("criteria", f"All {len(result.judgement.lines)} criteria lines", "rule"):
            judged = result.judgement
            st.text(
                f"{judged.title}, edition {judged.edition}. {sentence(RULE_MEANINGS[judged.rule])} File digest "
                f"{judged.digest[:12]}."
            )
            if judged.beside:
                st.text(sentence("; ".join(judged.beside)))
            for line in worst_lines(judged, len(judged.lines)):
                ui.line(
                    line.outcome, f"{line.imperfection}: {line.limit}", f"{sentence(line.why)} {sentence(line.source)}"
                )
    if keyed := readings.numbered_indications(result, unit):
        with ui.fold("indications", f"Indications ({len(keyed)})", "pin_drop"):
            ui.table(("No.", "What", "Where and how large"), keyed)
    notes(result)


def notes(result: Result) -> None:
    """What makes the measures less sure, and what a photo cannot show, folded away."""
    noted = [one for one in result.photo.problems if one.severity == "note"]
    cautions = (*result.cautions, *(result.judgement.cautions if result.judgement else ()))
    if noted or cautions:
        with ui.fold("notes", "Notes and what this photo cannot show", "info"):
            ui.problems(noted)
            for caution in dict.fromkeys(cautions):
                st.text("• " + caution)


def listed(title: str, lines: tuple[str, ...]) -> None:
    """A title with its lines, where there are any."""
    if lines:
        st.markdown(f"**{title}**")
        st.text("\n".join("• " + line for line in lines))


def address(**named: str) -> None:
    """The address of what is open, to be copied and sent; who opens it has to be allowed to see it."""
    here, now = urlsplit(st.context.url or ""), serving.now
    base = now.phone_url if now is not None and now.phone_url else f"{here.scheme}://{here.netloc}"
    st.code(f"{base}{here.path}?{urlencode(named)}", language=None, wrap_lines=True)
    st.text(
        "Only this machine can open it."
        if now is None or now.phone_url is None
        else "Who opens it needs the inspector's code, or to be signed in as an inspector or instructor."
    )


def length_input(
    label: str, mm: float | None, unit: Unit, low: float, high: float, key: str, *, help: str | None = None
) -> float | None:
    """A length typed in the user's unit, given back in mm; empty is None."""
    factor = MM_PER_INCH if unit == "in" else 1.0
    typed = st.number_input(
        f"{label} ({unit})",
        min_value=low / factor,
        max_value=high / factor,
        value=None if mm is None else round(mm / factor, 4),
        step=0.1 if unit == "mm" else 0.01,
        format="%.2f" if unit == "mm" else "%.3f",
        placeholder="Not given",
        key=f"{key}_{unit}",
        help=help,
    )
    return None if typed is None else min(max(round(float(typed) * factor, 4), low), high)


def read_ends(text: str) -> tuple[Point, Point] | None:
    """Two points typed as four numbers, or None."""
    try:
        x1, y1, x2, y2 = (float(part) for part in text.replace(";", ",").split(","))
    except ValueError:
        return None
    return ((x1, y1), (x2, y2)) if all(map(math.isfinite, (x1, y1, x2, y2))) else None


def download(
    label: str, make: Callable[[], bytes | str], file: str, mime: str, *, key: str | None = None, primary: bool = False
) -> None:
    """A button that has a file made when it is pressed, and hands it over."""
    st.download_button(
        label,
        make,
        file,
        mime,
        key=key,
        on_click="ignore",
        type="primary" if primary else "secondary",
        width="stretch",
    )


def downloads(shown: Shown, unit: Unit) -> None:
    """The report and the data, made when asked for."""
    result, photo = shown.result, shown.photo
    if result is None or shown.picture is None:
        return
    stem = Path(photo.name).stem or "weld"
    with ui.fold("reports", "Report and data", "download"):
        download("PDF report", lambda: reporting.pdf(result, photo.path, unit), f"{stem}.pdf", PDF)
        download("HTML, one page", lambda: reporting.html(result, photo.path, unit), f"{stem}.html", "text/html")
        download("Picture", shown.picture.read_bytes, f"{stem}-measured.jpg", "image/jpeg")
        download("CSV", lambda: reporting.csv(result), f"{stem}.csv", "text/csv")
        download("JSON", result.to_json, f"{stem}.json", "application/json")
