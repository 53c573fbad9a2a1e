"""A photo that is stopped shows no measures, no causes and no advice, in any output; what is unsure is worded so."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from rich.console import Console

from judged_results import indication, q, reading, result
from toeline import measure
from toeline.cli.show import show_result
from toeline.criteria import load_criteria
from toeline.document import withhold
from toeline.judgement import judge
from toeline.problems import problem
from toeline.report import csv_rows, html_report
from toeline.report.content import report_content
from toeline.report.key import UNSURE, keyed_indications
from toeline.result import Cause, Result

DEMO = Path(__file__).resolve().parents[1] / "demo_images"
CAUSE = Cause.model_validate({"cause": "arc_too_long", "likelihood": 0.8, "try": ["Shorten the arc."]})


def printed(shown: Result) -> str:
    out = io.StringIO()
    show_result(shown, console=Console(file=out, width=200), verbose=True)
    return out.getvalue()


def stopped_on_record() -> Result:
    """As an earlier version stored it: stopped, and yet with measures, causes and advice."""
    made = result(
        problems=[problem("several_beads", n=2)],
        indications=[indication("undercut", 20, 40)],
        measures={"width_mean": q(9.87, 0.1)},
        usable=False,
    )
    judged = judge(made, load_criteria("workmanship"))
    return made.model_copy(
        update={"judgement": judged, "causes": (CAUSE,), "advice": {"settings_lines": ["Start at 90 A."]}}
    )


@pytest.mark.parametrize("say", [printed, lambda r: html_report(r, None), lambda r: str(csv_rows(r))])
def test_a_stopped_photo_says_why_and_nothing_else(say) -> None:  # type: ignore[no-untyped-def]
    text = say(stopped_on_record())
    assert "2 beads were found" in text
    for unwanted in ("9.87", "Arc too long", "arc_too_long", "Shorten", "90 A", "Undercut", "undercut_depth"):
        assert unwanted not in text


def test_the_report_of_a_stopped_photo_holds_no_lines() -> None:
    content = report_content(stopped_on_record())
    assert content.outcome == "NOT MEASURED"
    assert (content.measures, content.key, content.lines, content.causes, content.needs, content.settings_said) == (
        ((),) * 6
    )


def test_a_stopped_document_has_reasons_and_no_values() -> None:
    blank = withhold(stopped_on_record(), "Two beads.")
    assert {(one.value, one.why) for one in blank.measures.values()} == {(None, "Two beads.")}
    assert (blank.indications, blank.causes, blank.advice, blank.causes_why) == ((), (), {}, "Two beads.")


def test_a_photo_that_is_stopped_is_measured_no_further() -> None:
    measured = measure(DEMO / "blurred.jpg", criteria="workmanship")
    assert measured.stopped
    assert all(one.value is None and one.why for one in measured.measures.values())
    assert (measured.indications, measured.causes, measured.coaching, measured.advice) == ((), (), None, {})
    assert measured.judgement is not None
    assert measured.judgement.outcome == "undecided"


def test_what_may_be_something_else_is_worded_so_everywhere() -> None:
    seen = [indication("arc_strike", 30, confidence=0.98), indication("undercut", 50, 70, confidence=0.95)]
    made = result(indications=seen)
    strike, groove = keyed_indications(made)
    assert (strike.title, strike.label, strike.sureness) == ("Perhaps arc strike", "1?", "look there")
    assert (groove.title, groove.label, groove.sureness) == ("Undercut", "2", "95 %")
    assert "1?. Perhaps arc strike" in printed(made)
    assert "Perhaps arc strike" in html_report(made, None)
    assert UNSURE in report_content(made).picture_note
    assert [row["outcome"] for row in csv_rows(made) if row["kind"] == "indication"] == ["perhaps", "read"]
    stated = keyed_indications(result(indications=seen, gauge=[reading("arc_strikes", 1, at=31)]))[0]
    assert (stated.title, stated.sureness) == ("Arc strike", "stated by a person")


def test_where_somebody_looked_and_found_none_the_picture_says_so_and_only_there() -> None:
    seen = [indication("arc_strike", 30, confidence=0.98), indication("undercut", 50, 70, confidence=0.95)]
    looked = result(indications=seen, gauge=[reading("arc_strikes", 0, at=31), reading("undercut", 0, at=60)])
    strike, groove = keyed_indications(looked)
    assert (strike.title, strike.label) == ("Looked at, not so: arc strike", "1")
    assert (groove.title, groove.sureness) == ("Looked at, not so: undercut", "none, by a person's look")
    assert not any(one.sure or one.perhaps for one in (strike, groove))
    assert [row["outcome"] for row in csv_rows(looked) if row["kind"] == "indication"] == ["denied", "denied"]
    whole = result(indications=seen, gauge=[reading("arc_strikes", 0)])
    assert keyed_indications(whole)[0].title == "Perhaps arc strike", "a look along the weld is sent to the very place"


def test_what_stands_beside_an_outcome_is_printed_with_it() -> None:
    made = result(joint="butt", gauge=[reading("toe_angle", 120), reading("cracks", 0)])
    made = made.model_copy(update={"judgement": judge(made, load_criteria("aws-d1.1-static"))})
    for text in (printed(made), html_report(made, None)):
        assert "oot not judged" in text
        assert "limits from memory" in text
        assert "Not used, as no line" in text
        assert "toe_angle 120" in text
