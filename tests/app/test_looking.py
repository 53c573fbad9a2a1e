"""The form of looks and gauge readings: nothing is filled in, each look is its own question, who looked is named."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from streamlit.testing.v1 import AppTest

from judged_results import indication, result
from toeline.criteria import load_criteria
from toeline.judgement import judge
from toeline.result import Result
from toeline_app import components, looking
from toeline_app.prefs import Preferences
from toeline_app.said import AboutPhoto, Said
from toeline_app.service import readings

SCRIPT = """
import streamlit as st
from toeline_app import looking
looking.page_part(st.session_state["shown"], st.session_state["result"])
"""
CRITERIA = "iso5817-2014-c"


def judged(**about) -> Result:
    found = result(criteria=CRITERIA, **about)
    return found.model_copy(update={"judgement": judge(found, load_criteria(CRITERIA))})


def form(found: Result) -> AppTest:
    app = AppTest.from_string(SCRIPT, default_timeout=300)
    app.session_state["preferences"] = Preferences()
    app.session_state["shown"] = SimpleNamespace(photo=SimpleNamespace(sha256="a" * 64))
    app.session_state["result"] = found
    return app.run()


def about(app: AppTest) -> AboutPhoto:
    said = app.session_state["said"] if "said" in app.session_state else Said()
    return said.about.get("a" * 64, AboutPhoto())


def kept(app: AppTest):
    return list(about(app).gauge)


def press(app: AppTest, label: str) -> AppTest:
    return next(one for one in app.button if one.label == label).click().run()


def test_an_untouched_form_states_nothing():
    app = form(judged())
    assert not app.exception
    assert app.radio
    assert {one.value for one in app.radio} == {None}
    assert {one.value for one in app.number_input} == {None}
    app = press(app, "Record what I saw")
    assert kept(app) == []
    assert app.error


def test_each_look_is_a_plain_question_of_its_own():
    app = form(judged())
    asked = [one.label for one in app.radio]
    assert "Is there a crack outside the crater?" in asked
    assert "Is there a crack in the crater?" in asked
    assert all(list(one.options) == ["Yes", "No", "Not looked"] for one in app.radio if "?" in one.label)
    assert "How many pores are open to the surface?" in [one.label for one in app.number_input]


def test_who_looked_is_named_and_stands_by_every_look():
    app = form(judged())
    crack = next(one for one in app.radio if one.label == "Is there a crack outside the crater?")
    app = crack.set_value("No").run()
    app = press(app, "Record what I saw")
    assert kept(app) == []
    assert any("who looked" in one.value for one in app.error)
    app = app.text_input[0].set_value("A. Boon").run()
    app = press(app, "Record what I saw")
    assert [(one.name, one.value, one.by) for one in kept(app)] == [("cracks", 0, "A. Boon")]
    assert {one.value for one in app.radio} == {None}  # nothing is carried over to the next look


def test_no_says_so_also_of_the_places_that_the_photo_suspects():
    found = judged(indications=[indication("overlap", 38, 42)])
    said = readings.looked(found, "overlap", 0.0, None, "A. Boon", "mm")
    assert [one.at for one in said] == [None, 40.0]
    again = found.model_copy(update={"settings": found.settings.model_copy(update={"gauge": said})})
    line = next(one for one in judge(again, load_criteria(CRITERIA)).lines if one.id == "1.13-overlap")
    assert line.outcome == "pass"
    assert readings.suspected(found, "overlap", "mm") == ["40 mm"]
    assert [one.at for one in readings.looked(found, "overlap", 1.0, 2.0, "A. Boon", "in")] == [50.8]


def test_every_gauge_that_a_line_goes_by_can_be_given():
    names = readings.gauge_names(judged(joint="fillet"))
    assert {"throat", "concavity", "leg_difference", "convexity", "undercut_depth"} <= set(names)
    assert not {"cracks", "visible_faults"} & set(names)


def test_what_stands_beside_the_outcome_is_in_the_badge():
    assert components.beside(judged(joint="butt")).startswith("ISO 5817, quality level C (middle); root not judged")


@pytest.mark.parametrize(("name", "value", "words"), [("cracks", 0, "none"), ("cracks", 1, "yes"), ("pores", 3, "3")])
def test_an_answer_is_told_in_its_own_words(name, value, words):
    one = readings.looked(judged(), name, float(value), None, "A. Boon", "mm")[0]
    assert readings.gauge_row(one, "mm")[1] == f"{words}, by A. Boon"
    assert looking.ANSWERS == ("Yes", "No", "Not looked")


def test_what_the_criteria_ask_about_the_weld_can_be_said():
    app = form(judged(joint="butt"))
    pipe = next(one for one in app.radio if one.label == "The seam runs round a pipe.")
    assert pipe.value is None
    app = pipe.set_value("No").run()
    assert about(app).conditions == {"pipe": False}
    pipe = next(one for one in app.radio if one.label == "The seam runs round a pipe.")
    app = pipe.set_value("Not known").run()
    assert about(app).conditions == {}
