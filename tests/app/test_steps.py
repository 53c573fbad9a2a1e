"""What is left to settle an outcome, one thing at a time: counted, answered by a named person, moving the outcome."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import invented
from judged_results import indication, result
from toeline.criteria import load_criteria
from toeline.evidence.gauge import gauges
from toeline.judgement import judge
from toeline.result import Ask, Result
from toeline_app.gauge_drawings import gauge_drawing, where_on_the_bead
from toeline_app.photos import Photo, Shown
from toeline_app.prefs import Preferences
from toeline_app.said import AboutPhoto, Said
from toeline_app.steps import left_in_words

SHA = "a" * 64
SCRIPT = """
import streamlit as st
from toeline_app import prefs, said, steps
from toeline_app.service import measuring
shown, first = st.session_state["given"]
about = said.about(shown.photo.sha256)
settings = first.settings.model_copy(update={
    "gauge": about.gauge, "conditions": about.conditions, "thickness_mm": prefs.preferences().thickness_mm})
st.session_state["now"] = measuring.judged_again(first, settings)
steps.page_part(shown, st.session_state["now"])
"""


def judged(criteria: str, **about) -> Result:
    found = result(criteria=criteria, **about)
    return found.model_copy(update={"judgement": judge(found, load_criteria(criteria))})


def led(found: Result, **prefs) -> AppTest:
    app = AppTest.from_string(SCRIPT, default_timeout=300)
    app.session_state["preferences"] = Preferences(**prefs)
    app.session_state["given"] = (Shown(Photo("bead.jpg", Path(f"/nowhere/{SHA}.photo"))), found)
    return app.run()


def about(app: AppTest) -> AboutPhoto:
    said = app.session_state["said"] if "said" in app.session_state else Said()
    return said.about.get(SHA, AboutPhoto())


def has(app: AppTest, label: str) -> bool:
    return any(one.label == label for one in app.button)


def press(app: AppTest, label: str) -> AppTest:
    app = next(one for one in app.button if one.label == label).click().run()
    assert not app.exception
    return app


def named(app: AppTest, name: str = "A. Boon") -> AppTest:
    app.text_input[0].set_value(name).run()
    return press(app, "Begin")


def outcome(app: AppTest) -> str:
    return app.session_state["now"].judgement.outcome


def test_who_looks_is_asked_first_and_nothing_is_filled_in():
    app = led(judged("workmanship"))
    assert app.text_input[0].value == ""
    app = press(app, "Begin")
    assert "name first" in app.error[0].value
    assert about(app).gauge == ()
    app = named(app)
    assert not app.text_input
    assert has(app, "Yes")
    assert has(app, "No")
    assert about(app).gauge == ()


def test_answered_one_by_one_the_outcome_becomes_a_pass_in_that_persons_name():
    app = named(led(judged("workmanship", indications=[indication("overlap", 38, 42)])))
    left = [len(app.session_state["now"].judgement.asks)]
    while outcome(app) == "undecided":
        if has(app, "No"):
            app = press(app, "No")
        elif has(app, "None"):
            app = press(app, "None")
        else:
            app.number_input[0].set_value(0.0)
            app = press(app, "Add the reading")
        left.append(len(app.session_state["now"].judgement.asks))
        assert left[-1] < left[-2], "each answer brings the outcome nearer"
    assert outcome(app) == "pass"
    assert {one.by for one in about(app).gauge} == {"A. Boon"}
    assert [one.key for one in app.button] == ["undo_answer"], "a slip of the finger can be taken back"


def test_a_yes_fails_at_once_and_can_be_taken_back():
    app = named(led(judged("workmanship")))
    app = press(app, "No")
    assert has(app, "Undo: Is there a crack outside the crater? none, by A\\. Boon")
    app = press(app, "Undo: Is there a crack outside the crater? none, by A\\. Boon")
    assert about(app).gauge == ()
    app = press(app, "Yes")
    assert outcome(app) == "fail"
    assert [one.key for one in app.button] == ["undo_answer"], "a slip of the finger can be taken back"


def test_what_is_put_off_waits_and_passes_nothing():
    app = named(led(judged("workmanship")))
    for _ in range(len(app.session_state["now"].judgement.asks)):
        app = press(app, "Not now")
    assert outcome(app) == "undecided"
    assert about(app).gauge == ()
    app = press(app, "Go through them again")
    assert has(app, "Not now")


def test_a_reading_that_was_not_typed_is_none():
    app = named(led(judged("workmanship")))
    while not app.number_input or has(app, "None"):
        app = press(app, "Not now")
    assert app.number_input[0].value is None
    app = press(app, "Add the reading")
    assert "Type the reading" in app.error[0].value
    assert about(app).gauge == ()


def test_what_a_limit_goes_by_is_asked_for_on_the_spot():
    found = judged("iso5817-2023-c", joint="butt")
    settings = found.settings.model_copy(update={"thickness_mm": None})
    app = led(found.model_copy(update={"settings": settings}))
    kinds = [one.kind for one in app.session_state["now"].judgement.asks]
    assert "setting" in kinds
    assert "condition" in kinds
    while not (app.number_input and app.number_input[0].label == "Plate thickness (mm)"):
        app = press(app, "Not now")
    app.number_input[0].set_value(8.0).run()
    assert app.session_state["preferences"].thickness_mm == 8.0
    asks = app.session_state["now"].judgement.asks
    assert not any(one.name == "thickness" for one in asks)
    while not any("Is that so?" in one.value for one in app.markdown):
        app = press(app, "Not now")
    app = press(app, "No")
    assert list(about(app).conditions.values()) == [False]


@pytest.mark.parametrize(
    ("kinds", "words"),
    [
        ([], ""),
        (["look", "look", "gauge+"], "Left: 2 looks, 1 gauge reading or 2 to 4 photos from the sides."),
        (["gauge", "gauge+"], "Left: 2 gauge readings or for 1 of them 2 to 4 photos from the sides."),
        (["setting", "condition", "photo"], "Left: 1 setting, 1 question, 1 better photo."),
    ],
)
def test_the_badge_says_what_is_left(kinds, words):
    asks = [Ask(kind=kind.rstrip("+"), name=str(n), by_photos=kind.endswith("+")) for n, kind in enumerate(kinds)]
    assert left_in_words(asks) == words


def test_everything_that_can_be_gauged_has_a_drawing():
    for name, gauge in gauges().items():
        if not gauge.statement:
            for joint in ("bead", "butt", "fillet"):
                drawn = gauge_drawing(name, joint)
                assert drawn is not None, name
                assert drawn.startswith("<svg")


def test_places_are_drawn_where_they_lie_along_the_bead():
    found = invented.result()
    length = found.bead.s[-1] - found.bead.s[0]
    drawn = where_on_the_bead(found, [found.bead.s[0] + length / 2], "mm")
    assert "M160.0,36" in drawn  # half way between 20 and 300
    assert where_on_the_bead(found, [], "mm") is None


def test_answers_go_over_to_a_new_photo_of_the_same_bead_when_it_is_said_to_be_that():
    app = named(led(judged("workmanship")))
    app = press(app, "No")
    given = about(app).gauge
    again = led(judged("workmanship"))
    again.session_state["said"] = Said(before=given, looked_by="A. Boon")
    again = again.run()
    assert about(again).gauge == ()
    again = press(again, "The same bead: take over its answers (1), by A\\. Boon")
    assert about(again).gauge == given
