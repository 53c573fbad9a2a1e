"""The inspector's record: search, look at one inspection, decide on it, take its report away, check the chain."""

from __future__ import annotations

import json
import re
from functools import partial
from typing import get_args

import streamlit as st

from toeline.errors import ToelineError
from toeline.measures.registry import title_of
from toeline.names import DECIDED
from toeline.record import Filters, Inspection, Summary
from toeline.result import Outcome
from toeline_app import coach, components, prefs, relief, saving, ui
from toeline_app.service import readings, recording, reporting
from toeline_app.uploads import TooMuch
from toeline_app.views import bench
from toeline_app.views import weld as whole_weld

SORTS = {
    "created": "When recorded",
    "date": "Date of inspection",
    "job": "Job",
    "weld": "Weld number",
    "welder": "Welder",
    "procedure": "Procedure",
    "outcome": "Outcome",
    "decision": "Decision",
    **{name: title_of(name) for name in ("width_mean", "undercut_length_total")},
}
ENDINGS = {f"image/{kind}": f".{kind}" for kind in ("jpeg", "png", "heic", "webp", "tiff")}
_OPEN = "inspection"


def page() -> None:
    """The page: the list, or one inspection."""
    st.title("Inspections")
    wanted = st.query_params.get(_OPEN)
    if wanted:
        try:
            _one(recording.inspection(wanted))
        except ToelineError as error:
            ui.error(error)
            if ui.button("Back to the list"):
                _close()
        return
    _list()


def open_inspection(wanted: str) -> None:
    """Show one inspection from now on; its address can be sent, and going back leads to where one was."""
    st.query_params.from_dict({_OPEN: wanted})


def _close() -> None:
    st.query_params.clear()
    st.rerun()


def _list() -> None:
    text = st.text_input("Search", placeholder="Job, weld, welder, remark …", key="record_text")
    with ui.fold("filters", "Filter and sort", "filter_list"):
        filters, sort, descending = _filters()
    place = st.session_state.setdefault("record_page", 1)
    found = recording.search(text, filters, sort=sort, descending=descending, page=place)
    if place > found.pages:
        st.session_state["record_page"] = 1
        st.rerun()
    st.text(f"{found.total} {'inspection' if found.total == 1 else 'inspections'}")
    for row in found.items:
        _row(row)
    if found.pages > 1:
        before, after = st.columns(2)
        for side, words, to in ((before, "Earlier page", place - 1), (after, "Later page", place + 1)):
            with side:
                if ui.button(words, disabled=not 1 <= to <= found.pages):
                    st.session_state["record_page"] = to
                    st.rerun()
        st.text(f"Page {place} of {found.pages}")
    _check()


def _filters() -> tuple[Filters, str, bool]:
    outcome = st.selectbox(
        "Outcome of the tool",
        get_args(Outcome),
        index=None,
        format_func=ui.outcome_word,
        placeholder="Any",
        key="filter_outcome",
    )
    decision = st.selectbox(
        "Decision",
        ("accept", "reject", "refer", "none"),
        index=None,
        format_func=lambda one: DECIDED[None if one == "none" else one],
        placeholder="Any",
        key="filter_decision",
    )
    chosen: dict[str, str | None] = {}
    for field, label in (("job", "Job"), ("welder", "Welder"), ("procedure", "Procedure"), ("inspector", "Inspector")):
        values = recording.people_and_procedures(field)
        chosen[field] = st.selectbox(label, values, index=None, placeholder="Any", key=f"filter_{field}")
    since = st.date_input("From", value=None, key="filter_since")
    until = st.date_input("Until", value=None, key="filter_until")
    superseded = st.checkbox("Show superseded ones too", key="filter_superseded")
    sort = st.selectbox("Sort by", list(SORTS), format_func=SORTS.__getitem__, key="record_sort")
    descending = st.checkbox("Last first", value=True, key="record_descending")
    filters = Filters.model_validate(
        {"outcome": outcome, "decision": decision, "since": since, "until": until, "superseded": superseded, **chosen}
    )
    return filters, sort, descending


def _row(row: Summary) -> None:
    label = f"{ui.outcome_word(row.outcome)} · {ui.plain(saving.title(row.number, row.identity))}"
    tail = f" · {DECIDED[row.decision]}" + (" · superseded" if row.superseded else "")
    tail += ui.plain(f" · {'; '.join(row.beside)}") if row.beside else ""
    if ui.button(label + tail, key=f"open_{row.id}"):
        open_inspection(row.id)
        st.rerun()


def _check() -> None:
    with ui.fold("check", "Check the record", "verified"):
        st.write("Goes through the chain of digests, every record and every photo. A later change shows.")
        kept = st.text_area(
            "A head from a report, or a receipt, if you kept one",
            help="Without one kept elsewhere, a record that was cut off or written anew cannot be told.",
        )
        if ui.button("Check now"):
            try:
                report = recording.check_record(kept)
            except ToelineError as error:
                ui.error(error)
                return
            words = (
                f"{report.entries} entries ({report.inspections} inspections, {report.decisions} decisions, "
                f"{report.tests} tests, {report.procedures} procedures, {report.erasures} erasures), "
                f"{report.photos} photos."
            )
            if report.ok:
                st.success(f"✓ Everything is as it was recorded: {words}")
            else:
                st.error(f"✕ {len(report.findings)} findings. {words}")
                ui.table(("Where", "What"), [(one.where, one.text) for one in report.findings])
            for note in report.notes:
                st.info(ui.plain(note))
            st.text(f"Head: {report.head}")
        components.download("Receipt, to keep elsewhere", recording.receipt, "record-receipt.txt", "text/plain")


def _one(inspection: Inspection) -> None:
    unit = prefs.preferences().unit
    result = inspection.result
    if ui.button("Back to the list", icon=":material/arrow_back:"):
        _close()
    st.header(ui.plain(saving.title(inspection.number, inspection.identity)))
    _neighbours(inspection)
    weld = recording.weld(inspection.id)
    whole_weld.warn(weld)
    state = components.outcome(result)
    ui.badge(
        state,
        f"Tool: {components.beside(result)}. "
        f"Person: {DECIDED[inspection.decision.decision if inspection.decision else None]}.",
    )
    try:
        picture = recording.recorded_picture(inspection.photos[0].sha256, result.to_json(None), unit)
        ui.picture(picture, "The bead turned level, with both toes and numbered indications.", inspection.id)
    except ToelineError as error:  # a missing photo hides nothing else that is on record
        ui.error(error)
    asked = {re.split("[,:]", label)[0]: getattr(inspection.identity, name) for name, label in saving.FIELDS}
    asked |= {label: getattr(inspection.identity, name) for name, label in saving.DAYS} | {
        "Remarks": inspection.remarks
    }
    rows = [(label, str(value)) for label, value in asked.items() if value]
    if blank := [label for label, value in asked.items() if not value]:
        rows.append(("Not given", ", ".join([blank[0], *(label.lower() for label in blank[1:])])))
    rows += [("Recorded", ui.moment(inspection.created_at)), ("Chain digest", inspection.digest)]
    if inspection.erased:
        rows.append(("Erased", ", ".join(one.replace("_", " ") for one in inspection.erased)))
    ui.table(("Field", "Value"), rows)
    if inspection.gauge:
        ui.table(("What", "Answer"), readings.gauge_rows(result, unit), caption="Gauged and seen by a person")
    _decisions(inspection)
    if (wanted := whole_weld.show(weld, inspection.id)) is not None:
        open_inspection(wanted)
        st.rerun()
    _reports(inspection)
    with ui.fold("address", "Send it to someone", "share"):
        components.address(inspection=inspection.id)
    _photos(inspection)
    coach.advice(result)
    components.folded(result, unit)
    relief.recorded(result, unit)
    coach.causes(result)
    if not inspection.superseded_by:
        _supersede(inspection)


def _neighbours(inspection: Inspection) -> None:
    """The inspection that took this one's place, and the one whose place it took."""
    if inspection.superseded_by:
        number = inspection.superseded_by_number
        st.warning(f"### SUPERSEDED by entry {number}\nThis inspection no longer holds.")
        if ui.button("Open the one in its place"):
            open_inspection(inspection.superseded_by)
            st.rerun()
    if inspection.supersedes:
        why = inspection.why_superseded or "the reason was erased"
        st.text(f"It supersedes entry {inspection.supersedes_number}: {why}")
        components.listed("Undone by it", inspection.undid)
        if ui.button("Open the earlier one"):
            open_inspection(inspection.supersedes)
            st.rerun()


def _photos(inspection: Inspection) -> None:
    """The original photos, as they came."""
    with ui.fold("photos", f"Original photos ({len(inspection.photos)})", "photo_library"):
        for number, one in enumerate(inspection.photos, start=1):
            name = one.name or f"inspection-{inspection.number}-{number}{ENDINGS.get(one.media_type, '')}"
            if number > 1:
                use = "Photo for heights" if one.use == "heights" else "Further photo"
                st.image(recording.recorded_small_copy(one.sha256), width="stretch", alt=f"{use} {number - 1}.")
            components.download(
                f"{ui.plain(name)}, {one.size / 1e6:.1f} MB",
                partial(recording.recorded_photo, one.sha256),
                name,
                one.media_type,
                key=f"original_{one.sha256}",
            )


def _supersede(inspection: Inspection) -> None:
    """A wrong inspection is kept; a right one takes its place."""
    with ui.fold("correct", "Correct it", "edit"):
        st.write("What is recorded stays. The corrected inspection takes its place, and both say so.")
        components.listed("Correcting it also undoes", recording.undone_by_superseding(inspection.id))
        if ui.button("Measure the photo again first"):
            try:
                bench.measure_again(inspection)
            except (ToelineError, TooMuch) as error:
                ui.error(error)
                return
            saving.supersede_with_next(inspection)
            st.switch_page(components.page(""))

        def write(filled: saving.Filled) -> bool:
            photo = recording.recorded_photo(inspection.photos[0].sha256)
            saved = saving.record(photo, inspection.result, filled, inspection)
            if saved is not None:
                open_inspection(saved.id)
            return saved is not None

        saving.inspection_form(f"supersede_{inspection.id}", inspection, write)


def _decisions(inspection: Inspection) -> None:
    if inspection.decisions:
        ui.table(
            ("Decision", "By", "Reason", "When"),
            [
                (DECIDED[one.decision], one.by or "–", one.reason or "–", ui.moment(one.at))
                for one in inspection.decisions
            ],
            caption="Decisions, the last one holds",
        )
    if inspection.superseded_by:
        return
    with ui.fold("decide", "Decide", "gavel"), st.form(f"decide_{inspection.id}", enter_to_submit=False):
        decision, reason = saving.decision_fields(f"decide_{inspection.id}")
        by = st.text_input("Decided by", value=inspection.identity.inspector or "", max_chars=200)
        if ui.submit("Record the decision", "decision_send", type="primary"):
            taken = saving.new_decision(decision, reason, by)
            if taken is None:
                st.error("Choose accept, reject or refer.")
                return
            try:
                recording.decide(inspection.id, taken)
            except ToelineError as error:
                ui.error(error)
                return
            st.rerun()


def _reports(inspection: Inspection) -> None:
    stem, result, unit = f"inspection-{inspection.number}", inspection.result, prefs.preferences().unit

    def photo() -> bytes:
        return recording.recorded_photo(inspection.photos[0].sha256)

    def data() -> str:
        return json.dumps(inspection.model_dump(mode="json", by_alias=True), indent=2)

    with ui.fold("reports", "Report and data", "download", expanded=True):
        components.download(
            "PDF report",
            lambda: reporting.pdf(result, photo(), unit, inspection),
            f"{stem}.pdf",
            components.PDF,
            primary=True,
        )
        components.download(
            "HTML, one page", lambda: reporting.html(result, photo(), unit, inspection), f"{stem}.html", "text/html"
        )
        components.download("CSV", lambda: reporting.csv(result, inspection.identity), f"{stem}.csv", "text/csv")
        components.download("JSON", data, f"{stem}.json", "application/json")
