"""Putting an inspection on record: whose weld it is, what the person decides, and why where that differs."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from toeline.errors import ToelineError
from toeline.record import DecisionKind, Identity, Inspection, NewDecision
from toeline.result import Result, Settings
from toeline_app import components, photos, said, serving, ui
from toeline_app.photos import Shown
from toeline_app.service import measuring, recording

DECISIONS: dict[str, str] = {
    "none": "Not decided yet",
    "accept": "Accept",
    "reject": "Reject",
    "refer": "Refer to someone else",
}
#: What an entry should not lack stands first.
FIELDS = (
    ("weld", "Weld number"),
    ("welder", "Welder"),
    ("job", "Job"),
    ("part", "Part"),
    ("drawing", "Drawing number"),
    ("weld_pass", "Pass, such as root, fill or cap"),
    ("layer", "Layer"),
    ("face", "Side: face or root"),
    ("procedure", "Welding procedure"),
    ("position", "Position"),
    ("inspector", "Inspector"),
)
DAYS = (("welded_on", "Day it was welded"), ("date", "Date of inspection"))
MOST_FURTHER = 8
#: What an entry should not lack.
NEEDED = ("weld", "welder")
#: What is likely the same for the next weld.
LASTING = ("job", "part", "drawing", "welder", "procedure", "position", "inspector")

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
    said = [str(value) for name in ("weld", "weld_pass", "job", "welder", "date") if (value := getattr(identity, name))]
    return ", ".join([f"Entry {number}", *said])


def supersede_with_next(inspection: Inspection) -> None:
    """What is saved next takes the place of this inspection."""
    said.change(instead_of=inspection.id)
    said.say(inspection.photos[0].sha256, saved=None)


def save_form(shown: Shown) -> None:
    """What is asked, folded, to record the inspection with its photos; perhaps in the place of an earlier one."""
    result = shown.result
    if result is None:
        return
    sha256 = shown.photo.sha256
    done = said.about(sha256).saved
    decides = serving.role() == "inspector"
    old = (done[0] if done else said.now().instead_of) if decides else None
    with ui.fold("save", "Save to the record", "inventory_2", expanded=old is not None):
        if done and done[1] == result.settings:
            st.success("Saved to the record.")
            if decides and ui.button("Open the inspection"):
                st.switch_page(components.page("record"), query_params={"inspection": done[0]})
            return
        try:
            earlier = recording.inspection(old) if old else None
        except ToelineError as error:
            ui.error(error)
            earlier = None
        if earlier is not None:
            st.info(f"This takes the place of {ui.plain(title(earlier.number, earlier.identity))}, which is kept.")
            components.listed("It also undoes", recording.undone_by_superseding(earlier.id))
            if ui.button("Save it as an inspection of its own instead"):
                said.change(instead_of=None)
                said.say(sha256, saved=None)
                st.rerun()

        def write(filled: Filled) -> bool:
            sides = [(one.name, one.path.read_bytes()) for one in shown.photo.sides]
            saved = record(shown.photo.path.read_bytes(), result, filled, earlier, sides)
            if saved is not None:
                said.change(instead_of=None)
                said.say(sha256, saved=(saved.id, result.settings), typed={})
            return saved is not None

        inspection_form(f"save_{sha256}_{old}", earlier, write, remember=sha256, welded=result.settings)


def inspection_form(
    key: str,
    old: Inspection | None,
    write: Callable[[Filled], bool],
    *,
    remember: str | None = None,
    welded: Settings | None = None,
) -> None:
    """What is asked about an inspection, filled with what is known; written once that was looked over and saved.

    ``write`` says whether it could be written; then the page is drawn anew.
    With ``old`` it asks why that one is superseded, and starts from what that one says. ``remember``: what is typed is
    kept with that photo (digest), and what is likely the same for the next weld for that one too. ``welded``: the
    settings it was measured with, which say the procedure and the pass.
    """
    before: dict[str, object] = _said_by(welded) | dict(said.now().typed)
    if remember:
        before |= said.about(remember).typed
    if old is not None:
        before = old.identity.model_dump() | {"remarks": old.remarks}
    why = _text(f"{key}_old", "Why the earlier one is superseded", "", area=True) if old else ""
    identity = _identity_fields(key, before, again=old is not None)
    remarks = _text(f"{key}_remarks", "Remarks", str(before.get("remarks") or ""), area=True)
    further = st.file_uploader(
        "Further photos, of a gauge or the other side", type="image", accept_multiple_files=True, key=f"{key}_more"
    )
    decision, reason = decision_fields(key) if serving.role() == "inspector" else ("none", "")
    filled = Filled(identity, tuple(further), remarks, decision, reason, why)
    if remember:
        typed = {name: str(value) for name, value in (identity | {"remarks": remarks}).items() if value}
        said.say(remember, typed=typed)
        said.change(typed={name: value for name, value in typed.items() if name in LASTING})
    if _looked_over(key, filled):
        try:
            written = write(filled)
        except Exception:  # not where another run breaks this one off: that one writes it
            st.session_state.pop(f"{key}_tapped")
            raise
        st.session_state.pop(f"{key}_tapped")
        if written:
            st.session_state.pop(f"{key}_asked")
            st.rerun()


def _said_by(welded: Settings | None) -> dict[str, object]:
    """What the settings of a weld say of its identity."""
    if welded is None:
        return {}
    procedure = welded.procedure.name if welded.procedure else None
    return {"procedure": procedure, "weld_pass": welded.welding.weld_pass}


def _looked_over(key: str, filled: Filled) -> bool:
    """Shows what will be written and what is missing; whether to save it. No key pressed in a field ever does that.

    A tap is noted in the session before the page is drawn: a run that another one breaks off does not lose it.
    """
    asked, tapped = f"{key}_asked", f"{key}_tapped"
    if not st.session_state.get(asked):
        st.button("Look it over and save", type="primary", width="stretch", key=f"{key}_look", on_click=_note(asked))
        return False
    rows = [(label, str(filled.identity[name])) for name, label in FIELDS if filled.identity[name]]
    rows += [(label, str(filled.identity[name])) for name, label in DAYS if filled.identity[name]]
    rows += [("Remarks", filled.remarks)] if filled.remarks else []
    rows += [("Further photos", str(len(filled.further)))] if filled.further else []
    rows += [("Decision", DECISIONS[filled.decision])] if filled.decision != "none" else []
    ui.table(("What", "Will be written"), rows, caption="This will be written, with the photo and what it shows")
    missing = [label.lower() for name, label in FIELDS if name in NEEDED and not filled.identity[name]]
    if filled.decision != "none" and not filled.identity["inspector"]:
        missing.append("inspector, who decides")
    if missing:
        st.warning(f"Missing: {', '.join(missing)}. An entry stays as it is written: fill in above what you know.")
    st.text("What is recorded is kept for good. It can be superseded, not changed.")
    st.button("Save the inspection", type="primary", width="stretch", key=f"{key}_save", on_click=_note(tapped))
    st.button("Not yet", width="stretch", key=f"{key}_not_yet", on_click=_note(asked, False))
    return bool(st.session_state.get(tapped))


def _note(name: str, so: bool = True) -> Callable[[], None]:
    """What notes a tap in the session."""

    def note() -> None:
        st.session_state[name] = so

    return note


def _text(key: str, label: str, known: str, *, area: bool = False) -> str:
    """A text field that starts from what is known."""
    if key not in st.session_state:
        st.session_state[key] = known
    typed = st.text_area(label, max_chars=2000, key=key) if area else st.text_input(label, max_chars=200, key=key)
    return typed or ""


def record(
    photo: bytes,
    result: Result,
    filled: Filled,
    old: Inspection | None,
    sides: Sequence[tuple[str, bytes]] = (),
) -> Inspection | None:
    """Put it on record, with the photos from its sides that told height; what keeps it from being saved is said."""
    if len(filled.further) > MOST_FURTHER:
        ui.error(f"An inspection holds {MOST_FURTHER} further photos at most: leave some out.")
        return None
    try:
        further = [(photos.plain_name(one.name), one.getvalue()) for one in filled.further]
        for name, data in further:
            measuring.small_copy(data, name)  # is it a photo at all
        more = [*sides, *further]
        identity = Identity.model_validate(filled.identity)
        if old is None:
            saved = recording.save(
                result, photo, identity, more_photos=more, remarks=filled.remarks, decision=filled.new_decision
            )
        else:
            now = {hashlib.sha256(data).hexdigest() for _, data in sides}
            kept = [
                (one.name or "photo", recording.recorded_photo(one.sha256))
                for one in old.photos[1:]
                if one.sha256 not in now
            ]
            saved = recording.supersede(
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
    return saved


def _identity_fields(key: str, before: Mapping[str, object], *, again: bool) -> Identifying:
    """Fields of a weld's identity, filled with what is known."""
    values: Identifying = {}
    for first in range(0, len(FIELDS), 2):  # side by side on a desk, one below the other on a phone
        for column, (name, label) in zip(st.columns(2), FIELDS[first : first + 2], strict=False):
            known = before.get(name) or (_signed_in() if name == "inspector" else "")
            with column:
                values[name] = _text(f"{key}_{name}", label, str(known or ""))
    day = _day(before.get("date")) or (None if again else date.today())
    values["date"] = st.date_input("Date of inspection", value=day, key=f"{key}_date")
    values["welded_on"] = st.date_input(
        "Day it was welded, if known",
        value=_day(before.get("welded_on")),
        max_value=date.today(),
        key=f"{key}_welded_on",
        help="A welder's continuity counts by this day; without it by the day of inspection.",
    )
    return values


def _day(known: object) -> date | None:
    """A day as it is on record, or as it was kept with what was typed."""
    return date.fromisoformat(known) if isinstance(known, str) else known if isinstance(known, date) else None


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
