"""Putting an inspection on record: whose weld it is, what the person decides, and why where that differs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from toeline.errors import ToelineError
from toeline.record import DecisionKind, Identity, Inspection, NewDecision
from toeline.result import Result, Settings
from toeline_app import parts, photos, service, serving, ui
from toeline_app.photos import Shown

DECISIONS: dict[str, str] = {
    "none": "Not decided yet",
    "accept": "Accept",
    "reject": "Reject",
    "refer": "Refer to someone else",
}
FIELDS = (
    ("job", "Job"),
    ("part", "Part"),
    ("weld", "Weld number"),
    ("welder", "Welder"),
    ("procedure", "Welding procedure"),
    ("position", "Position"),
    ("inspector", "Inspector"),
)
MOST_FURTHER = 8
_LAST = "last_identity"
_INSTEAD = "instead_of"

Identifying = dict[str, str | date | None]


@dataclass(frozen=True, slots=True)
class Filled:
    """An inspection's form as it was sent off; ``why`` only where an earlier inspection is superseded."""

    identity: Identifying
    further: tuple[UploadedFile, ...]
    remarks: str
    decision: str
    reason: str
    why: str

    @property
    def new_decision(self) -> NewDecision | None:
        """The decision as the record takes it, or None where none was taken."""
        inspector = self.identity["inspector"]
        return new_decision(self.decision, self.reason, str(inspector) if inspector else None)


def title(number: int, identity: object) -> str:
    """An inspection in a few words: number, weld, welder, date. User text, to be escaped where markup is read."""
    said = [str(value) for name in ("weld", "job", "welder", "date") if (value := getattr(identity, name))]
    return ", ".join([f"Entry {number}", *said])


def supersede_with_next(inspection: Inspection) -> None:
    """What is saved next takes the place of this inspection."""
    st.session_state[_INSTEAD] = inspection.id
    st.session_state.pop(_saved(inspection.photos[0].sha256), None)


def _saved(sha256: str) -> str:
    """Where a session remembers that it saved a photo's inspection, and with which settings."""
    return f"saved_{sha256}"


def save_form(shown: Shown) -> None:
    """A form, folded, that records the inspection with its photos; perhaps in the place of an earlier one."""
    result = shown.result
    if result is None:
        return
    key = f"save_{shown.photo.sha256}"
    done: tuple[str, Settings] | None = st.session_state.get(_saved(shown.photo.sha256))
    decides = serving.role() == "inspector"
    old = (done[0] if done else st.session_state.get(_INSTEAD)) if decides else None
    with ui.fold("save", "Save to the record", "inventory_2", expanded=old is not None):
        if done and done[1] == result.settings:
            st.success("Saved to the record.")
            if decides and st.button("Open the inspection", width="stretch"):
                st.session_state["inspection"] = done[0]
                st.switch_page(parts.page("record"))
            return
        try:
            earlier = service.inspection(old) if old else None
        except ToelineError as error:
            ui.error(error)
            earlier = None
        if earlier is not None:
            st.info(f"This takes the place of {ui.plain(title(earlier.number, earlier.identity))}, which is kept.")
            if st.button("Save it as an inspection of its own instead", width="stretch"):
                st.session_state.pop(_INSTEAD, None)
                st.session_state.pop(_saved(shown.photo.sha256), None)
                st.rerun()
        filled = inspection_form(f"{key}_{old}", earlier)
        if filled is None:
            return
        saved = record(shown.photo.path.read_bytes(), result, filled, earlier)
        if saved is not None:
            st.session_state.pop(_INSTEAD, None)
            st.session_state[_saved(shown.photo.sha256)] = (saved.id, result.settings)
            st.rerun()


def inspection_form(key: str, old: Inspection | None) -> Filled | None:
    """The form of an inspection, filled with what is known; what was sent off, or None.

    With ``old`` it asks why that one is superseded, and starts from what that one says.
    """
    with st.form(key):
        why = st.text_area("Why the earlier one is superseded", max_chars=2000, key=f"{key}_old") if old else ""
        before: Mapping[str, object] = old.identity.model_dump() if old else st.session_state.get(_LAST, {})
        identity = _identity_fields(key, before, again=old is not None)
        remarks = st.text_area("Remarks", (old.remarks or "") if old else "", max_chars=2000, key=f"{key}_remarks")
        further = st.file_uploader(
            "Further photos, of a gauge or the other side", type="image", accept_multiple_files=True, key=f"{key}_more"
        )
        decision, reason = decision_fields(key) if serving.role() == "inspector" else ("none", "")
        if not st.form_submit_button("Save the inspection", type="primary", width="stretch"):
            return None
    return Filled(identity, tuple(further), remarks, decision, reason, why or "")


def record(photo: bytes, result: Result, filled: Filled, old: Inspection | None) -> Inspection | None:
    """Put it on record; what keeps it from being saved is said in the page."""
    if len(filled.further) > MOST_FURTHER:
        ui.error(f"An inspection holds {MOST_FURTHER} further photos at most: leave some out.")
        return None
    try:
        more = [(photos.plain_name(one.name), one.getvalue()) for one in filled.further]
        for name, data in more:
            service.small_copy(data, name)  # is it a photo at all
        identity = Identity.model_validate(filled.identity)
        if old is None:
            saved = service.save(
                result, photo, identity, more_photos=more, remarks=filled.remarks, decision=filled.new_decision
            )
        else:
            kept = [(one.name or "photo", service.recorded_photo(one.sha256)) for one in old.photos[1:]]
            saved = service.supersede(
                old,
                result,
                photo,
                identity,
                why=filled.why,
                more_photos=[*kept, *more],
                remarks=filled.remarks,
                decision=filled.new_decision,
            )
    except ToelineError as error:
        ui.error(error)
        return None
    photos.free(filled.further)
    st.session_state[_LAST] = filled.identity
    return saved


def _identity_fields(key: str, before: Mapping[str, object], *, again: bool) -> Identifying:
    """Fields of a weld's identity, filled with what was last saved, save the weld's number unless it is the same."""
    values: Identifying = {}
    for name, label in FIELDS:
        known = before.get(name) or (_signed_in() if name == "inspector" else "")
        value = "" if name == "weld" and not again else str(known or "")
        values[name] = st.text_input(label, value=value, max_chars=200, key=f"{key}_{name}")
    known_day = before.get("date")
    day = (known_day if isinstance(known_day, date) else None) if again else date.today()
    values["date"] = st.date_input("Date of inspection", value=day, key=f"{key}_date")
    return values


def _signed_in() -> str:
    return str(st.user.get("name", "")) if st.user.get("is_logged_in") else ""


def decision_fields(key: str) -> tuple[str, str]:
    """The person's decision and its reason."""
    decision = st.radio("Your decision", list(DECISIONS), format_func=DECISIONS.__getitem__, key=f"{key}_decision")
    reason = st.text_area("Reason (needed where you decide otherwise than the tool)", max_chars=2000, key=f"{key}_why")
    return decision, reason


def new_decision(kind: str, reason: str, by: str | None) -> NewDecision | None:
    """The decision as the record takes it, or None where none was taken."""
    return None if kind == "none" else NewDecision(decision=_kind(kind), by=by or None, reason=reason or None)


def _kind(kind: str) -> DecisionKind:
    match kind:
        case "accept":
            return "accept"
        case "reject":
            return "reject"
        case _:
            return "refer"
