"""The scoreboard scores what it says it scores: perfect results perfectly, and each spoiled thing in its own row."""

import copy
import io
import itertools
import json
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console
from skimage.draw import line as draw_line

from drawn_beads import Drawing, Spoil, draw, result_of, truth_of
from toeline.errors import SettingsError
from toeline.problems import problem
from toeline.result import Cause
from toeline.validation.accuracy import foreign_files, inputs_of, photos_with_truth, print_tables, summarise
from toeline.validation.against_truth import Compared, Hits, compare, refused, to_line

DRAWING = Drawing(
    length=90.0,
    left=lambda s: 4.5 * np.sqrt(np.clip(np.minimum(s, 90 - s) / 4.5, 0, 1)) + 0.3 * np.sin(s / 3),
    right=lambda s: -4.5 * np.sqrt(np.clip(np.minimum(s, 90 - s) / 4.5, 0, 1)) + 0.1 * np.sin(s / 2),
    crests=np.arange(2.0, 88.0, 1.8),
    undercut=[("left", 20, 40, 1.0), ("right", 50, 60, 0.9)],
    overlap=[("right", 20, 35)],
    spatter=[(10, 12, 1.2), (30, -14, 2.0), (60, 9, 1.0), (70, -9, 0.7)],
    pores=[(45, 0.5, 1.5)],
    crater=(85, 5.0, False),
    restart=55.0,
    slag=[(65, 1.0, 4.0, 2.0)],
    arc_strikes=[(48, 15, 2.5)],
)


@pytest.fixture(scope="module")
def drawn():
    bead = draw(DRAWING, Spoil())
    return bead, truth_of(DRAWING, bead), result_of(bead)


def figure(accuracy, key):
    return next(f for f in accuracy.figures if f.key == key)


def test_an_ideal_reading_scores_full_marks(drawn):
    _, truth, result = drawn
    score = compare("drawn.jpg", result, truth)
    assert (score.found, score.ends_right, score.travel, score.crater_right) == (True, True, "right", True)
    assert np.median(score.toe_mm) < 1e-6
    for name in ("width_mean", "width_sd", "left_edge_deviation", "right_straightness", "ripple_pitch", "length"):
        assert score.measures[name].error == pytest.approx(0, abs=0.02), name
        assert score.measures[name].inside, name
    assert score.undercut_found[0.5].recall > 0.94
    assert score.undercut_said.precision > 0.94
    assert score.things["spatter"] == Hits(3, 0, 0)
    for kind in ("pore", "slag_left", "arc_strike", "poor_restart"):
        assert score.things[kind] == Hits(1, 0, 0), kind
    assert score.things["overlap"].f1 > 0.95


def test_a_seam_turned_round_costs_only_the_direction(drawn):
    bead, truth, result = drawn
    right, turned = (compare("x", r, truth) for r in (result, result_of(bead, turned=True)))
    assert turned.travel == "wrong"
    assert turned.ends_right
    assert np.median(turned.toe_mm) == pytest.approx(np.median(right.toe_mm), abs=1e-6)
    assert turned.measures["left_edge_deviation"] == right.measures["left_edge_deviation"]
    assert turned.measures["undercut_length_left"] == right.measures["undercut_length_left"]
    assert turned.undercut_found[0.5].recall == pytest.approx(right.undercut_found[0.5].recall, abs=0.02)
    assert turned.things == right.things


def test_what_is_invented_and_missed_lands_in_its_own_column(drawn):
    _, truth, result = drawn
    truth = copy.deepcopy(truth)
    truth["bead"]["undercut"] = truth["bead"]["undercut"][:1]  # the right one is now invented
    truth["spatter"] = [*truth["spatter"][1:], {"px": [100.0, 100.0], "diameter_mm": 3.0, "in_frame": True}]
    truth["bead"]["crater"]["state"] = "filled"
    truth["bead"]["pores"] = []
    score = compare("x", result, truth)
    assert score.undercut_said.precision == pytest.approx(20 / 30, abs=0.03)
    assert score.undercut_found[0.5].recall > 0.94
    assert score.things["spatter"] == Hits(2, 1, 1)
    assert score.things["pore"] == Hits(0, 1, 0)
    assert score.crater_right is False


def test_small_balls_count_neither_way(drawn):
    _, truth, result = drawn
    without = copy.deepcopy(truth)
    without["spatter"] = without["spatter"][:3]  # the 0.7 mm ball is in the result, not in the truth
    assert compare("x", result, without).things["spatter"] == Hits(3, 0, 0)


def test_a_toe_drawn_aside_and_an_end_too_far_are_seen(drawn):
    _, truth, result = drawn
    aside = tuple((x, y + 0.2) for x, y in result.bead.left_toe)
    ends = {"end_px": (result.bead.end_px[0] + 12 * 15, result.bead.end_px[1])}
    score = compare(
        "x", result.model_copy(update={"bead": result.bead.model_copy(update={"left_toe": aside, **ends})}), truth
    )
    half = len(score.toe_mm) // 2
    assert np.median(score.toe_mm[:half]) == pytest.approx(0.2, abs=0.02)
    assert np.median(score.toe_mm[half:]) < 1e-6
    assert not score.ends_right


def test_a_cut_bead_is_compared_over_what_is_seen():
    whole = draw(DRAWING, Spoil())
    truth = truth_of(DRAWING, whole)
    keep = whole.s <= 60
    cut = type(whole)(
        **{
            **{k: getattr(whole, k) for k in whole.__slots__},
            **{k: getattr(whole, k)[keep] for k in ("s", "t_left", "t_right", "u_left", "u_right", "confidence")},
            "end_seen": False,
        }
    )
    truth["image"]["width"] = int(whole.frame.to_px(whole.band.to_surface(np.array([60.0]), np.zeros(1)))[0, 0])
    score = compare("x", result_of(cut), truth)
    assert score.ends_right
    assert "length" not in score.measures
    assert score.measures["width_mean"].error == pytest.approx(0, abs=0.02)
    assert score.crater_right is None


@pytest.mark.parametrize("cut", [False, True])
def test_a_trace_that_lies_beyond_the_bead_is_wrong_and_is_compared_with_nothing(drawn, cut):
    _, truth, result = drawn
    ahead = np.subtract(truth["bead"]["seam"]["end_px"], truth["bead"]["seam"]["start_px"])[:2]
    toes = {
        name: tuple((x + 2 * ahead[0], y + 2 * ahead[1]) for x, y in getattr(result.bead, name))
        for name in ("left_toe_px", "right_toe_px")
    }
    bead = result.bead.model_copy(update=toes | {"start_seen": not cut, "end_seen": True})
    score = compare("x", result.model_copy(update={"bead": bead}), truth)
    assert score.toe_mm == ()
    assert not score.trace_right
    assert ("width_mean" in score.measures) is not cut


def test_unusable_photos_only_tell_whether_they_were_refused(drawn):
    _, truth, result = drawn
    bad = {**truth, "usable": False}
    accepted = compare("taken.jpg", result, bad)
    turned_down = refused("no.jpg", bad, "too blurred")
    lost = refused("lost.jpg", truth, "no bead")
    accuracy = summarise([accepted, turned_down, lost])
    assert accuracy.wrongly_accepted == ("taken.jpg",)
    assert accuracy.wrongly_refused == ("lost.jpg",)
    assert figure(accuracy, "accepted").reached == "no"
    assert figure(accuracy, "found").value == 0.0
    width = next(m for m in accuracy.measures if m.name == "width_mean")
    assert (width.photos, width.missing, width.median) == (1, ("lost.jpg",), None)


def test_a_refusal_for_a_true_reason_makes_no_claim_and_is_not_found(drawn):
    _, truth, result = drawn
    unsure = result.model_copy(
        update={
            "photo": result.photo.model_copy(update={"usable": False, "problems": (problem("toes_unsure"),)}),
            "measures": {},
        }
    )
    roped = unsure.model_copy(
        update={
            "photo": result.photo.model_copy(
                update={"usable": False, "problems": (problem("not_a_bead", what="a rope", todo=""),)}
            )
        }
    )
    accuracy = summarise([compare(n, r, truth) for n, r in (("a", result), ("b", unsure), ("c", unsure))])
    assert figure(accuracy, "found").value == pytest.approx(1 / 3)
    assert figure(accuracy, "found_or_refused").value == 1.0
    assert figure(accuracy, "wrong_trace").value == 0
    assert figure(accuracy, "pitch_5").n == 1
    accuracy = summarise([compare("a", result, truth), compare("b", roped, truth)])
    assert figure(accuracy, "found_or_refused").value == 0.5
    assert figure(accuracy, "pitch_5").value == 0.5


def test_a_wrong_trace_that_is_accepted_is_the_worst(drawn):
    _, truth, result = drawn
    half = copy.deepcopy(truth)
    half["bead"]["seam"]["end_px"] = truth["bead"]["toes_px"]["left"][len(truth["bead"]["s_mm"]) // 2]
    accuracy = summarise([compare("short.jpg", result, half)])
    assert accuracy.wrongly_traced == ("short.jpg",)
    assert figure(accuracy, "wrong_trace").reached == "no"
    assert figure(accuracy, "found_or_refused").value == 0.0


def test_a_ripple_spacing_where_there_are_no_ripples_is_counted(drawn):
    _, truth, result = drawn
    plain = copy.deepcopy(truth)
    plain["bead"]["ripples"]["pitch_mean_mm"] = None
    assert figure(summarise([compare("a", result, plain)]), "ripples_invented").value == 1
    assert figure(summarise([compare("a", result, truth)]), "ripples_invented").n == 0


def test_an_unknown_measure_is_no_small_error(drawn):
    _, truth, result = drawn
    scores = [compare("a", result, truth), refused("b", truth, "lost")]
    accuracy = summarise(scores)
    assert figure(accuracy, "pitch_5").value == 0.5
    assert figure(accuracy, "width_mean_p90").reached == "no"


@pytest.mark.parametrize(
    ("errors", "reached"),
    [
        # of U = 1: a normal error of which 95 (99) in 100 lie inside is 0.51 (0.39) U large, by the normal table
        ([0.5, -0.5] * 10, "floor"),
        ([0.2, -0.2] * 10, "no"),
        ([0.5, -0.5] * 50, "no"),
        ([0.3] * 19 + [1.2], "floor"),
        ([0.5] * 8 + [1.2] * 2, "no"),
    ],
    ids=["few and true", "few and too wide", "many and none outside", "one in twenty outside", "too many outside"],
)
def test_few_photos_tell_by_the_size_of_errors_whether_u_is_too_wide(drawn, errors, reached):
    _, truth, result = drawn
    score = compare("drawn.jpg", result, truth)
    photos = [
        replace(score, name=f"{k}.jpg", measures={"width_mean": Compared(10.0, 10.0 + e, 1.0)})
        for k, e in enumerate(errors)
    ]
    accuracy = summarise(photos)
    assert figure(accuracy, "inside_width_mean").reached == reached
    assert accuracy.measures[0].rms == pytest.approx(np.sqrt(np.mean(np.square(errors))))


def test_causes_are_scored_only_where_the_result_speaks_of_them(drawn):
    _, truth, result = drawn
    assert figure(summarise([compare("a", result, truth)]), "silent").reached == "-"
    trouble = {**truth, "cause": "arc_too_long"}
    ranked = tuple(Cause(cause=c, likelihood=0.5) for c in ("current_too_high", "arc_too_long"))
    accuracy = summarise(
        [
            compare("a", result.model_copy(update={"causes_why": "nothing is wrong"}), truth),
            compare("b", result.model_copy(update={"causes": ranked}), trouble),
        ]
    )
    assert (figure(accuracy, "silent").value, figure(accuracy, "cause_first").value) == (1.0, 0.0)
    assert figure(accuracy, "cause_two").value == 1.0
    out = io.StringIO()
    print_tables(accuracy, Console(file=out, width=140, no_color=True))
    assert "b (arc_too_long: current_too_high, arc_too_long)" in out.getvalue()


def test_the_tables_print_plainly_and_the_json_reads_back(drawn):
    _, truth, result = drawn
    accuracy = summarise([compare("drawn.jpg", result, truth)])
    out = io.StringIO()
    print_tables(accuracy, Console(file=out, width=140, no_color=True))
    text = out.getvalue()
    assert "\x1b[" not in text
    for word in ("width_mean", "undercut, 0.5 mm deep or more", "spatter", "worst toe line"):
        assert word in text
    read = json.loads(accuracy.to_json())
    assert {f["key"] for f in read["figures"]} >= {"found", "toe", "accepted"}


@pytest.mark.parametrize("beside", [None, "{}", "[1]", "not JSON", '{"usable": true}', '{"schema": "a result"}'])
def test_a_folder_without_truth_says_what_to_do(tmp_path, beside):
    (tmp_path / "a.jpg").write_bytes(b"")
    if beside is not None:
        (tmp_path / "a.json").write_text(beside)
    with pytest.raises(SettingsError, match="truth file beside it"):
        photos_with_truth(tmp_path)
    assert foreign_files(tmp_path) == (() if beside is None else ("a.json",))


def test_a_foreign_file_beside_a_photo_is_named_and_left_out(tmp_path, drawn):
    for name, text in (("a", json.dumps(drawn[1])), ("b", '{"schema": "x"}'), ("c", '{"usable": false}')):
        (tmp_path / f"{name}.jpg").write_bytes(b"")
        (tmp_path / f"{name}.json").write_text(text)
    assert [photo.stem for photo, _ in photos_with_truth(tmp_path)] == ["a", "c"]
    assert foreign_files(tmp_path) == ("b.json",)


def test_the_users_inputs_come_from_the_truth():
    assert inputs_of({"kind": "cap", "card": {"shown": True, "check_line_measured_mm": 49.8}}) == {
        "joint": "butt",
        "check_line": 49.8,
    }
    assert inputs_of({"kind": "weave", "card": {"shown": False, "check_line_measured_mm": 49.8}})["check_line"] is None


def test_distance_to_a_line_against_a_raster_of_it():
    # scikit-image's own line rasteriser stands in for the polyline: distances agree within the raster's half pixel
    corners = np.array([[5, 5], [60, 20], [90, 80]])
    pixels = np.concatenate([np.stack(draw_line(*a, *b), axis=1) for a, b in itertools.pairwise(corners)])
    points = np.random.default_rng(1).uniform(0, 100, (200, 2))
    near = np.min(np.hypot(*(points[:, None] - pixels[None]).transpose(2, 0, 1)), axis=1)
    assert to_line(points, corners.astype(float)) == pytest.approx(near, abs=0.75)
