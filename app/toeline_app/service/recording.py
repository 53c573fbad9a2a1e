"""The record: inspections, welds, tests, procedures, people."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import streamlit as st

from toeline.causes.procedure import allowances as allowances_of
from toeline.causes.procedure import procedure_from, read_procedure
from toeline.criteria import load_criteria
from toeline.datafile import text_of
from toeline.errors import ToelineError
from toeline.record import (
    CheckReport,
    Decision,
    Erasure,
    Filters,
    Hit,
    Identity,
    Inspection,
    Kept,
    NewDecision,
    NewTest,
    Page,
    Receipt,
    Store,
    TrendPoint,
    Weld,
)
from toeline.result import Procedure, Result
from toeline.units import Unit
from toeline_app import jobs, serving
from toeline_app.service import measuring
from toeline_app.service.workers import WORKERS

ROWS_A_PAGE = 20


@st.cache_resource
def store() -> Store:
    """The record, opened once for the whole app; each call on it is its own transaction."""
    return Store.open()


def save(
    result: Result,
    photo: bytes,
    identity: Identity,
    *,
    more_photos: Sequence[tuple[str, bytes]] = (),
    remarks: str,
    decision: NewDecision | None,
) -> Inspection:
    """Put an inspection on record. Raises RecordError."""
    if decision is not None:
        serving.for_inspectors()
    return store().save_inspection(
        result,
        photo,
        identity,
        more_photos=more_photos,
        remarks=remarks or None,
        criteria=_criteria_text(result),
        decision=decision,
    )


def supersede(
    old: Inspection,
    result: Result,
    photo: bytes,
    identity: Identity,
    *,
    why: str,
    more_photos: Sequence[tuple[str, bytes]] = (),
    remarks: str,
    decision: NewDecision | None,
) -> Inspection:
    """Put an inspection in the place of an earlier one. Raises RecordError.

    Where the result is the earlier one's, the criteria stay those that it was judged by.
    """
    serving.for_inspectors()
    same = result == old.result
    return store().supersede(
        old.id,
        result,
        photo,
        identity,
        why=why,
        more_photos=more_photos,
        remarks=remarks or None,
        criteria=old.criteria if same else _criteria_text(result),
        decision=decision,
    )


def recorded_photo(sha256: str) -> bytes:
    """The original bytes of a photo on record. Raises RecordError where it is missing or damaged."""
    return store().photo(sha256)


@st.cache_data(max_entries=40, show_spinner=False)
def recorded_small_copy(sha256: str) -> bytes:
    """A further photo on record as a small JPEG."""
    return measuring.small_copy(store().photo(sha256), "The photo")


def _criteria_text(result: Result) -> str | None:
    """The criteria set in full, as it stood when the result was judged by it."""
    if result.judgement is None or result.settings.criteria is None:
        return None
    return load_criteria(result.settings.criteria).model_dump_json(indent=1)


def decide(inspection: str, decision: NewDecision) -> Decision:
    """Record a decision on an inspection. Raises RecordError."""
    serving.for_inspectors()
    return store().decide(inspection, decision)


def inspection(wanted: str) -> Inspection:
    """An inspection on record. Raises RecordError where there is none."""
    serving.for_inspectors()
    return store().get(wanted)


def weld(inspection: str) -> Weld:
    """All that is on record about the weld that an inspection is of."""
    serving.for_inspectors()
    return store().weld(inspection)


def weld_pdf(weld: Weld, unit: Unit) -> bytes:
    """The PDF report of a whole weld, of the inspections that hold."""
    whole = [inspection(one.id) for one in weld.holding]
    of_tests = {one.sha256: recorded_photo(one.sha256) for test in weld.tests for one in test.photos}
    return WORKERS.submit(
        jobs.weld_pdf, weld, [(one, recorded_photo(one.photos[0].sha256)) for one in whole], of_tests, unit
    ).result()


def add_test(
    inspection: str, test: NewTest, photos: Sequence[tuple[str, bytes]], *, supersedes: str | None, why: str | None
) -> None:
    """Add a later test's result to a weld, perhaps in the place of a wrong one. Raises RecordError, PhotoError."""
    serving.for_inspectors()
    for name, data in photos:
        measuring.small_copy(data, name)  # is it a photo at all
    store().add_test(inspection, test, photos=photos, supersedes=supersedes, why=why)


def undone_by_superseding(inspection: str) -> tuple[str, ...]:
    """What else correcting an inspection undoes, in sentences."""
    serving.for_inspectors()
    return store().undone_by_superseding(inspection)


def continuity(on: date, welder: str | None) -> tuple[Kept, ...]:
    """What each welder, or one, keeps up by a day."""
    serving.for_inspectors()
    return store().continuity(on, welder=welder)


def procedures() -> tuple[Procedure, ...]:
    """The welding procedures on record that hold."""
    return store().procedures()


def procedure_names() -> tuple[str, ...]:
    """The names of the welding procedures on record; none where the record cannot be read."""
    try:
        return tuple(one.name for one in procedures())
    except ToelineError:
        return ()


def procedure_named(name: str | None) -> Procedure | None:
    """The welding procedure on record of that name, or None."""
    if name is None or name not in procedure_names():
        return None
    return next(one for one in procedures() if one.name == name)


def allowances(procedure: Procedure, unit: Unit) -> list[tuple[str, list[tuple[str, str]]]]:
    """What a procedure allows: for which passes, and each variable with its words."""
    return allowances_of(procedure, unit)


def procedure_example() -> str:
    """A procedure's file to start from."""
    return text_of("procedures/example.toml")


def typed_procedure(said: dict[str, str], unit: Unit) -> Procedure:
    """The procedure typed into a form. Raises SettingsError."""
    return procedure_from(said, unit)


def keep_procedure(told: str | Procedure) -> str:
    """Put a procedure, or the one in a file's text, on record; gives its name. Raises SettingsError or RecordError."""
    serving.for_inspectors()
    procedure = read_procedure(told) if isinstance(told, str) else told
    store().keep_procedure(procedure)
    return procedure.name


@st.cache_data(max_entries=200, show_spinner=False)
def recorded_thumbnail(sha256: str) -> bytes:
    """A photo on record as a very small JPEG."""
    return measuring.thumbnail(recorded_small_copy(sha256))


def search(text: str, filters: Filters, *, sort: str, descending: bool, page: int) -> Page:
    """One page of the inspections that match."""
    serving.for_inspectors()
    return store().search(text, filters, sort=sort, descending=descending, page=page, size=ROWS_A_PAGE)


def people_and_procedures(field: str) -> tuple[str, ...]:
    """The values in use of an identity's field."""
    serving.for_inspectors()
    return store().values(field)


def trend(measure: str, welder: str | None, procedure: str | None) -> tuple[TrendPoint, ...]:
    """One measure over time."""
    serving.for_inspectors()
    return store().trend(measure, welder=welder, procedure=procedure)


def check_record(kept: str) -> CheckReport:
    """Go through the whole chain, every row and every photo. ``kept``: a head or a receipt from elsewhere, or blank.

    Raises RecordError where it is neither.
    """
    serving.for_inspectors()
    one = kept.strip()
    if not one:
        return store().check()
    return store().check(one) if len(one.split()) == 1 else store().check(receipt=Receipt.read(kept))


def find_person(name: str) -> tuple[Hit, ...]:
    """Every place on record that names a person. Raises RecordError where nothing does."""
    serving.for_inspectors()
    return store().find_person(name)


def receipt() -> str:
    """A receipt of how far the record has come, to be kept away from it."""
    return store().receipt().text()


def export_person(name: str) -> dict[str, Any]:
    """Everything on record that names a person."""
    serving.for_inspectors()
    return store().export_person(name)


def erase_person(name: str) -> Erasure:
    """Erase a person's name wherever it stands on record. Raises RecordError."""
    serving.for_inspectors()
    return store().erase_person(name)


@st.cache_data(max_entries=40, show_spinner="Drawing the picture")
def recorded_picture(sha256: str, result_json: str, unit: Unit) -> bytes:
    """The annotated picture of a photo on record."""
    return WORKERS.submit(jobs.draw, store().photo(sha256), result_json, unit).result()
