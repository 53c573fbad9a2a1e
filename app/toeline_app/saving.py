"""Putting an inspection on record: whose weld it is, what the person decides, and why where that differs."""

from __future__ import annotations

from datetime import date

import streamlit as st

from toeline.errors import ToelineError
from toeline.record import DecisionKind, Identity, NewDecision
from toeline_app import parts, service
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
_LAST = "last_identity"


def save_form(shown: Shown, *, supersedes: str | None = None) -> None:
    """A form, folded, that records the inspection with its photo."""
    if shown.result is None:
        return
    done: str | None = st.session_state.get(f"saved_{shown.photo.sha256}")
    with st.expander("Save to the record", icon=":material/inventory_2:", expanded=done is not None):
        if done is not None:
            st.success("Saved to the record.")
            if st.button("Open the inspection", width="stretch"):
                st.session_state["inspection"] = done
                st.switch_page(parts.page("record"))
            return
        with st.form(f"save_{shown.photo.sha256}"):
            identity = identity_fields(f"save_{shown.photo.sha256}")
            remarks = st.text_area("Remarks", max_chars=2000)
            decision, reason = decision_fields(f"save_{shown.photo.sha256}")
            pressed = st.form_submit_button("Save the inspection", type="primary", width="stretch")
        if pressed:
            _save(shown, identity, remarks, decision, reason)


def identity_fields(key: str) -> dict[str, str | date | None]:
    """Fields of a weld's identity, filled with what was last saved in this session, save the weld's number."""
    last: dict[str, str | date | None] = st.session_state.get(_LAST, {})
    values: dict[str, str | date | None] = {}
    for name, label in FIELDS:
        before = "" if name == "weld" else str(last.get(name) or (_signed_in() if name == "inspector" else ""))
        values[name] = st.text_input(label, value=before, max_chars=200, key=f"{key}_{name}")
    values["date"] = st.date_input("Date of inspection", value="today", key=f"{key}_date")
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


def _save(shown: Shown, identity: dict[str, str | date | None], remarks: str, decision: str, reason: str) -> None:
    if shown.result is None:
        return
    inspector = identity["inspector"]
    try:
        saved = service.save(
            shown.result,
            shown.photo.path.read_bytes(),
            Identity.model_validate(identity),
            remarks=remarks,
            decision=new_decision(decision, reason, str(inspector) if inspector else None),
        )
    except ToelineError as error:
        st.error(str(error))
        return
    st.session_state[_LAST] = identity
    st.session_state[f"saved_{shown.photo.sha256}"] = saved.id
    st.rerun()
