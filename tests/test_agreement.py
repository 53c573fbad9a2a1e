"""Agreement of two raters over a class."""

from __future__ import annotations

import json
import math
import sys

import pytest
from typer.testing import CliRunner

from test_score import FIRST, result
from toeline.batch import Measured
from toeline.cli.main import app
from toeline.coupons.agreement import agreement, csv_of_marks, marks_of_class, marks_of_scores, read_marks
from toeline.coupons.coupons import score_class
from toeline.errors import RubricError

RATERS = ("Una", "Bo")


def marks(table: list[list[int]], words: list[str]) -> tuple[dict[str, str], dict[str, str]]:
    """Two raters' marks that make a table of counts."""
    pairs = [(a, b) for i, a in enumerate(words) for j, b in enumerate(words) for _ in range(table[i][j])]
    return {f"c{n}": a for n, (a, _) in enumerate(pairs)}, {f"c{n}": b for n, (_, b) in enumerate(pairs)}


def test_kappa_by_hand():
    # 50 coupons: 20 pass by both, 15 fail by both, 5 and 10 apart: p_o = 0.7, p_e = 0.5, kappa 0.4
    # (the worked example of Cohen's kappa common in textbooks; from memory, and by hand)
    found = agreement(*marks([[20, 5], [10, 15]], ["pass", "fail"]), RATERS)
    assert found.coupons == 50
    assert found.same == 35
    assert found.kappa == pytest.approx(0.4)
    assert not found.weighted
    assert found.called == "fair"
    assert len(found.differences) == 15


def test_points_are_weighted_by_squared_steps():
    # points in fifths of the most: rater 2 is one step higher on two of five coupons
    first = dict(zip("abcdef", ["5", "25", "45", "65", "85", "100"], strict=True))
    second = dict(zip("abcdef", ["25", "45", "45", "65", "85", "100"], strict=True))
    found = agreement(first, second, RATERS)
    steps = [(0, 1), (1, 2), (2, 2), (3, 3), (4, 4), (4, 4)]
    seen = sum((a - b) ** 2 for a, b in steps) / 6
    chance = sum((a - b) ** 2 for a, _ in steps for _, b in steps) / 36
    assert found.weighted
    assert found.kappa == pytest.approx(1 - seen / chance)
    assert [one.coupon for one in found.differences] == ["a", "b"]


def test_the_same_mark_for_all_is_no_agreement_beyond_chance():
    everyone = {f"c{n}": "pass" for n in range(8)}
    found = agreement(everyone, everyone, RATERS)
    assert found.kappa is None
    assert "same mark" in found.why


def test_full_agreement_is_one():
    first, _ = marks([[4, 0], [0, 4]], ["pass", "fail"])
    found = agreement(first, first, RATERS)
    assert found.kappa == pytest.approx(1.0)
    assert found.differences == ()
    assert found.U is None or math.isfinite(found.U)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("name,Una,Bo\na,1,2\n", "line 1"),
        ("coupon,Una\na,1\n", "line 1"),
        ("coupon,Una,Bo\n,1,2\n", "line 2"),
        ("coupon,Una,Bo\na,1,2\na,3,2\n", "Una marks a twice"),
        ('coupon,Una,Bo\n"a,1,2\n', "line 2: this is not a CSV row"),
    ],
)
def test_a_wrong_table_names_its_line(text, says):
    with pytest.raises(RubricError, match=says):
        read_marks(text.encode())


def test_marks_are_read_and_empty_cells_left_out():
    assert read_marks(b"coupon;Una;Bo\na;pass;fail\nb;;pass\n") == {
        "Una": {"a": "pass"},
        "Bo": {"a": "fail", "b": "pass"},
    }


def test_too_few_and_mixed_marks_are_refused():
    with pytest.raises(RubricError, match="fewest"):
        agreement({"a": "pass"}, {"a": "pass"}, RATERS)
    mixed = {f"c{n}": "pass" for n in range(5)} | {"c9": "70"}
    with pytest.raises(RubricError, match="points or words"):
        agreement(mixed, mixed, RATERS)


def test_the_tool_is_a_rater_by_its_class_list():
    listed = b"coupon,photo,outcome,points\na,a.jpg,pass,90\nb,b.jpg,fail,40\nc,c.jpg,undecided,\n"
    assert marks_of_class(listed, {"a": "pass"}) == {"a": "pass", "b": "fail", "c": "undecided"}
    assert marks_of_class(listed, {"a": "80"}) == {"a": "90", "b": "40"}
    with pytest.raises(RubricError, match="no class list"):
        marks_of_class(b"a,b\n1,2\n", {"a": "pass"})


def test_marks_go_to_a_file_and_come_back_and_no_cell_is_a_formula():
    marks = {"Una": {"a": "pass", "b": "fail"}, "Bo": {"a": "pass"}}
    assert read_marks(csv_of_marks(marks)) == marks
    assert b"'=1+1" in csv_of_marks({"Una": {"=1+1": "pass"}, "Bo": {}})


def test_the_tools_own_marks_are_points_or_decided_outcomes():
    beads = [Measured("a.jpg", result()), Measured("b.jpg", problem="b.jpg is no photo.")]
    scores = score_class(beads, FIRST)
    assert marks_of_scores(scores, points=True) == {"a": "100.0"}
    assert marks_of_scores(scores, points=False) == {"a": "pass"}


def test_agreement_for_machines(tmp_path):
    path = tmp_path / "marks.csv"
    path.write_text("coupon,Una,Bo\n" + "".join(f"c{n},{n * 10},{n * 10}\n" for n in range(6)))
    found = json.loads(CliRunner().invoke(app, ["agree", str(path), "--json"]).output)
    assert (found[0]["raters"], found[0]["kappa"], found[0]["weighted"]) == (["Una", "Bo"], 1.0, True)


def test_without_the_library_it_is_one_sentence(monkeypatch):
    monkeypatch.setitem(sys.modules, "statsmodels.stats.inter_rater", None)
    with pytest.raises(RubricError, match=r"Agreement needs statsmodels: install toeline\[agreement\]"):
        agreement(*marks([[3, 1], [1, 3]], ["pass", "fail"]), RATERS)


def test_U_of_kappa_is_twice_its_standard_error():
    """Fleiss, Cohen and Everitt 1969, as statsmodels has it."""
    from statsmodels.stats.inter_rater import cohens_kappa

    found = agreement(*marks([[20, 5], [10, 15]], ["pass", "fail"]), RATERS)
    assert pytest.approx(2 * cohens_kappa([[20, 5], [10, 15]]).std_kappa) == found.U
