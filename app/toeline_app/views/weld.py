"""The whole weld of an inspection: its other passes and sides, and the tests made on it later."""

from __future__ import annotations

from datetime import date
from functools import partial

import streamlit as st

from toeline.errors import ToelineError
from toeline.names import DECIDED, TESTS
from toeline.record import Summary, Weld, WeldTest
from toeline.record.models import read_test
from toeline.report.content import part_words, test_rows
from toeline.text import capital
from toeline_app import components, photos, prefs, ui
from toeline_app.photos import plain_name
from toeline_app.service import recording

#: Photos that come with one test.
MOST_PHOTOS = 8


def state(one: Summary) -> str:
    """Outcome with what has to stand beside it, and what a person decided."""
    beside = f" ({'; '.join(one.beside)})" if one.beside else ""
    decided = "superseded" if one.superseded else DECIDED[one.decision]
    return f"{ui.outcome_word(one.outcome)}{beside} · {decided}"


def warn(weld: Weld) -> None:
    """Say beside the outcome that a later test did not pass."""
    for one in weld.failed_tests:
        st.error(ui.plain(f"A later test did not pass: {_test_words(one)}."))


def show(weld: Weld, here: str) -> str | None:
    """The weld with its inspections and tests; the inspection that was asked for, if any."""
    wanted = None
    several = len(weld.inspections) > 1
    title = f"The whole weld ({len(weld.inspections)} inspections)" if several else "The whole weld"
    with ui.fold(f"weld_{len(weld.tests)}", title, "account_tree", expanded=several or bool(weld.tests)):
        # by the tests' number: one that was just added is seen
        if not weld.weld:
            st.text("It has no weld number: only what took its place, or whose place it took, belongs to it.")
        ui.table(
            ("Which part", "Outcome", "Date", "Entry"),
            [
                (_part(one), state(one), str(one.identity.date or one.created_at[:10]), str(one.number))
                for one in weld.inspections
            ],
            pictures=[_small(one) for one in weld.inspections],
        )
        for one in weld.inspections:
            if one.id != here and ui.button(ui.plain(f"Open entry {one.number}, {_part(one)}"), key=f"weld_{one.id}"):
                wanted = one.id
        if weld.tests:
            ui.table(
                ("Test", "Result", "What was found, and the papers", "Who and when"),
                test_rows(weld.tests),
                caption="Tests made later",
            )
        for test in weld.tests:
            _photos(test)
        components.download(
            "Report of the whole weld (PDF)",
            lambda: recording.weld_pdf(weld, prefs.preferences().unit),
            f"{plain_name(weld.weld or 'weld')}.pdf",
            components.PDF,
        )
    with ui.fold("test", "Add a test result", "science"):
        _add(weld, here)
    return wanted


def _photos(test: WeldTest) -> None:
    """The photos of a later test, each to look at and as it came."""
    for number, one in enumerate(test.photos, start=1):
        words = _test_words(test)
        try:
            photo = recording.recorded_small_copy(one.sha256)
            st.image(photo, width="stretch", alt=f"{capital(words)}, photo {number}.")
        except ToelineError as error:  # a missing photo hides nothing else
            ui.error(error)
            continue
        name = one.name or f"test-{test.number}-{number}"
        components.download(
            ui.plain(f"{capital(words)}: {name}, {one.size / 1e6:.1f} MB"),
            partial(recording.recorded_photo, one.sha256),
            name,
            one.media_type,
            key=f"test_photo_{test.id}_{number}",
        )


def _part(one: Summary) -> str:
    return capital(part_words(one.identity))


def _small(one: Summary) -> bytes | None:
    try:
        return recording.recorded_thumbnail(one.photo_sha256)
    except ToelineError:  # a missing photo hides nothing else
        return None


def _test_words(one: WeldTest) -> str:
    return TESTS[one.kind] + (f" of {one.date}" if one.date else "") + f", entry {one.number}"


def _add(weld: Weld, here: str) -> None:
    """A form that adds a bend, break, macro or other test, perhaps in the place of a wrong one."""
    st.write("What is recorded stays. A wrong result is superseded by the right one, and both say so.")
    holding = {one.id: one for one in weld.tests if one.superseded_by is None}
    with st.form(f"test_{here}_{len(weld.tests)}", enter_to_submit=False):  # a blank one after each that was added
        kind = st.selectbox(
            "Test", list(TESTS), index=None, format_func=lambda k: capital(TESTS[k]), placeholder="Choose"
        )
        outcome = st.radio("Result", ("pass", "fail"), index=None, format_func=capital, horizontal=True)
        day = st.date_input("Day of the test", value=None, max_value=date.today())
        by = st.text_input("Who tested it", max_chars=200)
        standard = st.text_input("Standard it was tested by", placeholder="such as ISO 5173", max_chars=200)
        specimen = st.text_input("Specimen", max_chars=200)
        report = st.text_input("Number of the test report", max_chars=200)
        found = st.text_area("What was found", max_chars=2000)
        pictures = st.file_uploader("Photos of the specimen", type="image", accept_multiple_files=True)
        wrong = st.selectbox(
            "In the place of",
            list(holding),
            index=None,
            format_func=lambda k: _test_words(holding[k]),
            placeholder="None",
        )
        why = st.text_input("Why that one was wrong", max_chars=200)
        if not ui.submit("Add the test result", f"test_{here}_{len(weld.tests)}_send", type="primary"):
            return
    if kind is None or outcome is None:
        st.error("Choose the test and its result.")
        return
    if len(pictures) > MOST_PHOTOS:
        st.error(f"A test holds {MOST_PHOTOS} photos at most: leave some out.")
        return
    said = {"by": by, "standard": standard, "specimen": specimen, "report": report, "found": found}
    try:
        recording.add_test(
            holding[wrong].inspection if wrong else here,
            read_test(kind=kind, outcome=outcome, date=day, **said),
            [(plain_name(one.name), one.getvalue()) for one in pictures],
            supersedes=wrong,
            why=why or None,
        )
    except ToelineError as error:
        ui.error(error)
        return
    photos.free(pictures)
    st.rerun()
