"""``toeline relief`` from end to end, on the demo scene of five photos whose surface is known."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
import x3pio
from PIL import Image
from typer.testing import CliRunner

from given_photos import card_moved, saved
from toeline.cli.main import app
from toeline.geometry.plate import print_scale
from toeline.photo import read_photo
from toeline.photogrammetry import outcome, quantities, sides_seen
from toeline.photogrammetry.figures import ReliefFigures
from toeline.photogrammetry.relief import on_base
from toeline.photogrammetry.toe_looks import look_at_toes
from toeline.pipeline import relief
from toeline.report.relief_map import cuts, draw_height_map, draw_section
from toeline.result import Result
from toeline.validation.relief_scenes import _undercuts, greatest_height, scenes_in, throat_and_convexity

SCENE = Path(__file__).resolve().parents[1] / "demo_images" / "round_stringer"
PHOTOS = sorted(SCENE.glob("*_v?.jpg"))
TRUTH = json.loads(PHOTOS[0].with_suffix(".json").read_text("utf-8"))


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """What the command says and writes: its outcome, the document and the height map."""
    out = tmp_path_factory.mktemp("relief")
    words = ["--check-line", "49.85", "--thickness", "10", "--criteria", "iso5817-2014-c"]
    files = ["--json", str(out / "r.json"), "--height-map", str(out / "r.npz")]
    said = CliRunner().invoke(app, ["relief", *map(str, PHOTOS), *words, *files])
    return said, Result.model_validate_json((out / "r.json").read_text("utf-8")), dict(np.load(out / "r.npz"))


def test_the_command_tells_height_and_depth_and_is_judged_by_them(run):
    said, result, _ = run
    assert said.exit_code == 0, said.output
    assert [info.usable for info in result.photos] == [True] * 5
    assert result.relief is not None
    assert result.relief.state == "measured"
    assert "the relief gives" in said.output
    undercut = next(line for line in result.judgement.lines if "undercut" in line.imperfection.lower())
    assert undercut.evidence == "relief"
    assert undercut.outcome != "pass"  # it is more than 1 mm deep, where 0.5 mm is allowed


def test_what_is_told_holds_the_truth_within_U(run):
    _, result, _ = run
    # with its ripples: what a gauge touches
    height = greatest_height(dict(np.load(SCENE / "round_stringer_relief.npz")), TRUTH)
    measures = result.measures
    for name, true in (("height_max", height), ("crater_depth", TRUTH["bead"]["crater"]["depth_mm"])):
        assert abs(measures[name].value - true) < measures[name].U, name
    for side in ("left", "right"):
        deepest = max(run["max_depth_mm"] for run in TRUTH["bead"]["undercut"] if run["side"] == side)
        told = measures[f"undercut_depth_{side}"]
        assert abs(told.value - deepest) < told.U, side
    assert all(i.depth is not None and i.depth.known for i in result.indications if i.kind == "undercut")
    assert all(q.budget for q in (measures["height_max"], measures["undercut_depth_left"]))


def test_every_row_of_a_budget_is_there_and_the_plain_ones_by_hand(run):
    _, result, _ = run
    u, scale = ReliefFigures.read().u, print_scale(49.85)
    both = {quantities.MATCHING, quantities.PLATE, quantities.PLACE, quantities.SCALE}
    height, groove = both | {quantities.BIAS}, both | {quantities.GROOVE_FORM}
    labels = {
        "height_max": height | {quantities.SMOOTHED},
        "height_mean": height - {quantities.PLACE},
        "undercut_depth_left": groove,
        "undercut_depth_right": groove,
        "crater_depth": {quantities.MATCHING, "level of the face", quantities.BIAS, quantities.FORM, quantities.SCALE},
        "toe_angle_left_min": {quantities.MATCHING, quantities.PLACE},
    }
    for name, wanted in labels.items():
        q = result.measures[name]
        rows = {row.label: row.u for row in q.budget}
        assert rows.keys() - {quantities.DOUBTED, quantities.DOUBTED_HOLLOW, quantities.RIVAL} == wanted, name
        assert pytest.approx(2 * np.sqrt(sum(v * v for v in rows.values()))) == q.U
        if quantities.SCALE in wanted:
            assert rows[quantities.SCALE] == pytest.approx(q.value * scale.u / scale.value, rel=0.3)
        if quantities.PLATE in wanted:
            assert rows[quantities.PLATE] == pytest.approx(u.tie)
        if quantities.PLACE in wanted and q.unit == "mm":
            assert rows[quantities.PLACE] == pytest.approx(u.extreme)


def test_the_seam_is_told_every_millimetre(run):
    along = run[1].relief
    assert np.diff(along.s_mm) == pytest.approx(1.0)
    for name in ("crown_mm", "undercut_left_mm", "undercut_right_mm"):
        assert len(getattr(along, name)) == len(along.U_mm[name]) == len(along.s_mm)


def test_the_height_map_lies_on_the_plate_as_the_truth_does(run):
    told, true = run[2], dict(np.load(SCENE / "round_stringer_relief.npz"))
    assert told["h_mm"].shape == (len(told["y_mm"]), len(told["x_mm"])) == told["U_mm"].shape
    s, t = np.meshgrid(true["s_mm"], true["t_mm"])
    x, y = np.moveaxis(true["P0"] + s[..., None] * true["d"] + t[..., None] * true["nL"], -1, 0)
    body = (s > 10) & (s < 48)
    rows = np.round((y - told["y_mm"][0]) / 0.1).astype(int).clip(0, len(told["y_mm"]) - 1)
    columns = np.round((x - told["x_mm"][0]) / 0.1).astype(int).clip(0, len(told["x_mm"]) - 1)
    face = body & (np.abs(t) < 3.5)
    off = (told["h_mm"][rows, columns] - true["h_mm"])[face]
    assert np.nanmedian(np.abs(off)) < 0.12


def test_the_map_s_U_is_neither_too_small_nor_too_wide(run):
    """Errors over U at thousands of places of face and plate: half or twice the U would lie outside these bounds."""
    told, true = run[2], dict(np.load(SCENE / "round_stringer_relief.npz"))
    s, t = np.meshgrid(true["s_mm"], true["t_mm"])
    x, y = np.moveaxis(true["P0"] + s[..., None] * true["d"] + t[..., None] * true["nL"], -1, 0)
    rows = np.round((y - told["y_mm"][0]) / 0.1).astype(int).clip(0, len(told["y_mm"]) - 1)
    columns = np.round((x - told["x_mm"][0]) / 0.1).astype(int).clip(0, len(told["x_mm"]) - 1)
    over_u = 2 * (told["h_mm"][rows, columns] - true["h_mm"]) / told["U_mm"][rows, columns]
    body, aside = (s > 10) & (s < 48), np.abs(t)
    for places, low, high in ((body & (aside < 3.5), 0.7, 1.6), (body & (aside > 5.5) & (aside < 9), 0.4, 1.2)):
        size = float(np.sqrt(np.nanmean(over_u[places] ** 2)))
        assert low < size < high, size


def depth_at(run: dict, s: float) -> float:
    """How deep a run of undercut truly is at a place, mm; 0 beside it."""
    every = run["depth_every_mm"]
    at = every["s0"] + every["step"] * np.arange(len(every["depth"]))
    return float(np.interp(s, at, every["depth"], left=0.0, right=0.0))


def test_U_along_the_seam_is_neither_too_small_nor_too_wide(run):
    """As above, for the crown and both toes' undercut at every mm of the body; depths are surer here than in most."""
    along, bead = run[1].relief, TRUTH["bead"]
    crown = bead["reinforcement_height_mm"]

    def height(s: float) -> float:
        return float(np.interp(s, crown["step_mm"] * np.arange(len(crown["height"])), crown["height"]))

    def undercut(side: str) -> Callable[[float], float]:
        return lambda s: max(depth_at(one, s) for one in bead["undercut"] if one["side"] == side)

    bounds = {"crown_mm": (height, 0.6, 1.5)}
    bounds |= {f"undercut_{side}_mm": (undercut(side), 0.12, 1.0) for side in ("left", "right")}
    for name, (true, low, high) in bounds.items():
        seam = zip(along.s_mm, getattr(along, name), along.U_mm[name], strict=True)
        over_u = [2 * (told - true(s)) / U for s, told, U in seam if told is not None and 10 < s < 48]
        assert len(over_u) > 25
        assert low < float(np.sqrt(np.mean(np.square(over_u)))) < high, name


def test_photos_that_do_not_belong_are_named_and_the_rest_stands(tmp_path):
    """The same file, the same stand once more, no card, no photo: each is left out, said, and the exit code 3."""
    twin = shutil.copy(PHOTOS[0], tmp_path / "twin.jpg")
    with Image.open(PHOTOS[0]) as face:
        face.save(tmp_path / "again.jpg", quality=93, exif=face.info["exif"])
    cv2.imwrite(str(tmp_path / "bare.png"), np.full((900, 1200, 3), 120, np.uint8))
    (tmp_path / "torn.jpg").write_bytes(b"torn")
    others = [twin, *(tmp_path / name for name in ("again.jpg", "bare.png", "torn.jpg"))]
    words = ["--check-line", "49.85", "--json", str(tmp_path / "r.json")]
    said = CliRunner().invoke(app, ["relief", str(PHOTOS[0]), *map(str, others), *words])
    assert said.exit_code == 3, said.output
    result = Result.model_validate_json((tmp_path / "r.json").read_text("utf-8"))
    codes = [[problem.code for problem in info.problems] for info in result.photos[1:]]
    assert codes == [["relief_same_file"], ["relief_same_stand"], ["relief_no_card"], ["relief_unread"]]
    assert result.relief is not None
    assert result.relief.state == "none"
    assert "at least two photos" in result.relief.why
    assert result.measures["width_mean"].known
    assert "at least two photos" in result.measures["height_max"].why


def test_a_photo_of_another_bead_place_or_stand_is_left_out_and_formats_may_differ(tmp_path):
    """HEIC and PNG beside JPEG; another bead, a card that was moved and a stand that is there already."""
    photos = [
        PHOTOS[0],
        Path(__file__).parent / "data" / "from_the_side.heic",  # the demo scene's second photo, by pillow-heif
        saved(PHOTOS[1], tmp_path / "again.jpg"),
        SCENE.parent / "good_stringer.jpg",
        card_moved(PHOTOS[2], 9.0, tmp_path / "moved.jpg"),
        saved(PHOTOS[3], tmp_path / "fourth.png"),
    ]
    result = relief(photos, check_line=49.85)
    codes = [[problem.code for problem in info.problems] for info in result.photos[1:]]
    assert codes == [[], ["relief_same_stand"], ["relief_other_bead"], ["relief_card_moved"], []]
    moved = result.photos[4].problems[0].text
    assert "about 9 mm off" in moved
    assert "leave it" in moved
    assert "from_the_side.heic" in result.photos[2].problems[0].text
    assert result.relief is not None
    assert result.relief.state == "measured"
    assert {one.photo for one in result.relief.seen_from} == {0, 1, 5}
    assert "takes 4 photos or more" in (result.measures["undercut_depth_left"].why or "")
    # with its ripples: what a gauge touches
    height = greatest_height(dict(np.load(SCENE / "round_stringer_relief.npz")), TRUTH)
    assert abs(result.measures["height_max"].value - height) < result.measures["height_max"].U


@pytest.mark.parametrize("count", [1, 30])
def test_a_wrong_number_of_photos_is_one_sentence(count):
    said = CliRunner().invoke(app, ["relief", *[str(PHOTOS[0])] * count])
    assert said.exit_code != 0
    assert "2 to 9 photos of one bead" in str(said.exception)


def test_a_surface_is_read_back_by_a_library_of_its_format(tmp_path, run):

    said = CliRunner().invoke(app, ["relief", *map(str, PHOTOS[:2]), "--height-map", str(tmp_path / "r.x3p")])
    assert said.exit_code == 0, said.output
    layer = x3pio.read(tmp_path / "r.x3p").layers[0]
    top = float(np.nanmax(layer.z)) * 1e3
    assert top == pytest.approx(run[1].measures["height_max"].value, abs=0.6)


def test_the_scene_is_found_by_the_scoreboard():
    assert [len(photos) for photos in scenes_in(SCENE).values()] == [5]


def test_a_run_of_undercut_with_no_depth_told_where_it_is_deep_counts_as_not_told(run):
    result = run[1]
    bead = {"bead": TRUTH["bead"] | {"undercut": [one for one in TRUTH["bead"]["undercut"] if one["side"] == "left"]}}
    (told,) = _undercuts(result, bead)
    assert told.value == max(depth for depth in result.relief.undercut_left_mm[9:48] if depth is not None)
    shallow = tuple(
        depth if depth is not None and depth_at(bead["bead"]["undercut"][0], s) < 0.8 * told.truth else None
        for s, depth in zip(result.relief.s_mm, result.relief.undercut_left_mm, strict=True)
    )
    assert any(depth is not None and depth > 0.5 for depth in shallow)
    relief_ = result.relief.model_copy(update={"undercut_left_mm": shallow})
    assert _undercuts(result.model_copy(update={"relief": relief_}), bead)[0].value is None


def test_of_undercut_that_lies_in_a_deeper_one_only_what_is_its_own_counts(run):
    left, right = sorted(TRUTH["bead"]["undercut"], key=lambda one: one["side"])
    every = left["depth_every_mm"]
    half = left | {"depth_every_mm": every | {"depth": [0.5 * depth for depth in every["depth"]]}}
    whole, *others = _undercuts(run[1], {"bead": TRUTH["bead"] | {"undercut": [left, half]}})
    assert (whole.truth, others) == (max(every["depth"]), [])
    reaches_further = right | {"side": "left"}
    whole, own = _undercuts(run[1], {"bead": TRUTH["bead"] | {"undercut": [left, reaches_further]}})
    assert own.truth == max(right["depth_every_mm"]["depth"])
    assert own.value < whole.value - 0.3


def test_spatter_on_the_face_is_no_height_of_the_bead():
    """A face 1 mm high, 1.2 mm at one place, with a ball of 1.5 mm lying on it."""
    along, across = np.arange(0.0, 40.0, 0.1), np.arange(-5.0, 5.0, 0.1)
    s, t = np.meshgrid(along, across)
    h = np.where(np.abs(t) < 3.0, 1.0 + 0.2 * (np.hypot(s - 30.0, t) < 2.0) + 0.7 * (np.hypot(s - 10.0, t) < 0.75), 0.0)
    sheet = {"s_mm": along, "t_mm": across, "h_mm": h, "toe_s": along}
    sheet |= {"toe_left": np.full(len(along), 3.0), "toe_right": np.full(len(along), -3.0)}
    sheet |= {"P0": np.array([100.0, 50.0]), "d": np.array([0.0, 1.0]), "nL": np.array([-1.0, 0.0])}
    bead = {"body": {"from_mm": 2.0, "to_mm": 38.0}}
    ball = {"plate_mm": [100.0, 60.0, 0.0], "diameter_mm": 1.5}
    assert greatest_height(sheet, {"bead": bead, "spatter": [ball]}) == pytest.approx(1.2)
    assert greatest_height(sheet, {"bead": bead, "spatter": []}) == pytest.approx(1.7)


def test_spatter_on_a_fillet_s_face_is_no_convexity():
    """Legs of 6 mm, a face 0.5 mm over their chord, with a ball of 1.5 mm on its upper half from 19 to 21 mm."""
    s, across = np.arange(0.0, 40.0, 0.5), np.linspace(-4.2, 4.2, 141)
    x, at = np.meshgrid(across, s, indexing="ij")
    over = 0.5 * np.cos(np.pi * x / 8.4) + 1.0 * (np.hypot(at - 20.0, x + 2.0) < 0.75)
    chord = 6.0 / np.sqrt(2.0)
    sheet = {"section_s_mm": s, "along_base_mm": (chord + over + x) / np.sqrt(2.0)}
    sheet |= {"up_mm": (chord + over - x) / np.sqrt(2.0), "toe_s": s}
    sheet |= {"toe_left": np.full(len(s), -6.0), "toe_right": np.full(len(s), 6.0)}
    bead = {"body": {"from_mm": 5.0, "to_mm": 35.0}, "fillet": {"plate_A_side": "right"}}
    # unfolded, the upper plate lies to the left of travel
    ball = {"s_mm": 20.0, "t_mm": 2.0 * np.sqrt(2.0), "diameter_mm": 1.5}
    for balls, wanted in (([ball], 0.5), ([], 1.4)):
        told = throat_and_convexity(sheet, {"bead": bead, "spatter": balls})
        assert told["convexity"] == pytest.approx(wanted, abs=0.05)
        assert told["throat"] == pytest.approx(chord + 0.5, abs=0.02)  # at the middle


def true_side(truth: dict) -> tuple[str, float]:
    """From which side a photo of the scene was taken, by the renderer's own pose, and how far it leans."""
    R, t = (np.array(truth["camera"]["pose"][key]) for key in ("R", "t"))
    camera = -R.T @ t * [1, 1, -1]
    seam = TRUTH["bead"]["seam"]
    way = camera - (np.array(seam["start_mm"]) + np.array(seam["end_mm"])) / 2
    along, left = (way[:2] @ np.array(seam[key]) for key in ("travel_direction_plate", "left_direction_plate"))
    lean = float(np.degrees(np.arctan2(np.hypot(along, left), way[2])))
    if lean < 12:
        return "above", lean
    if abs(left) > abs(along):
        return ("left" if left > 0 else "right"), lean
    return ("end" if along > 0 else "start"), lean


def test_from_which_side_each_photo_was_taken_and_from_which_none_was(run):
    result = run[1]
    assert result.relief.missing == ()
    for one in result.relief.seen_from:
        side, lean = true_side(json.loads(PHOTOS[one.photo].with_suffix(".json").read_text("utf-8")))
        assert (one.side, one.lean) == (side, pytest.approx(lean, abs=0.5))
    read = [read_photo(path) for path in (PHOTOS[0], PHOTOS[3])]
    found = sides_seen(read, result)
    assert [(one.photo, one.side) for one in found.seen_from] == [(0, "above"), (1, "end")]
    assert set(found.missing) == {"left", "right", "start"}
    assert [p.code for p in sides_seen([read[0], read[0]], result).left_out.values()] == ["relief_same_file"]


def test_the_document_holds_the_surface_that_the_file_holds(run):
    _, result, file = run
    held, bead = result.relief.map, result.bead
    off = []
    for k in range(12, 46, 4):
        nearest = int(np.abs(np.array(bead.s) - held.s_mm[k]).argmin())
        left, right = np.array(bead.left_toe[nearest]), np.array(bead.right_toe[nearest])
        for row in range(0, len(held.t_mm), 3):
            if abs(held.t_mm[row]) < 3.0 and held.h_mm[row][k] is not None:
                share = (held.t_mm[row] - held.right_mm[k]) / (held.left_mm[k] - held.right_mm[k])
                x, y = right + share * (left - right)
                i, j = (np.abs(file[axis] - at).argmin() for axis, at in (("y_mm", y), ("x_mm", x)))
                off.append(held.h_mm[row][k] - file["h_mm"][i, j])
    assert len(off) > 50
    assert np.nanpercentile(np.abs(off), 90) < 0.04


def test_sections_lie_at_the_worst_places_and_where_somebody_asks(run):
    result = run[1]

    def at(mm):
        said = result.settings.model_copy(update={"section_at_mm": mm})
        return result.model_copy(update={"settings": said})

    shown = cuts(at(30.2))
    assert [cut.letter for cut in shown] == ["A", "B", "C", "D"]
    highest, left, right, chosen = shown
    relief = result.relief
    assert relief.crown_mm[relief.s_mm.index(highest.at)] == pytest.approx(result.measures["height_max"].value, abs=0.1)
    told = [depth for depth in relief.undercut_left_mm[9:48] if depth is not None]
    assert relief.undercut_left_mm[relief.s_mm.index(left.at)] == max(told)
    assert "right toe" in right.shows
    assert chosen.at == 30.2
    assert cuts(at(900))[-1].at == relief.map.s_mm[-1]
    for drawn in (draw_height_map(result, "in", shown), *(draw_section(result, cut) for cut in shown)):
        ElementTree.fromstring(drawn)
    assert cuts(result.model_copy(update={"relief": None})) == ()
    assert draw_height_map(result.model_copy(update={"relief": None})) is None


def test_a_toe_is_looked_at_from_every_stand_where_that_photo_shows_it():
    """The demo bead's undercut on the left, in the face photo and from elsewhere; a photo whose end is cut off says
    nothing there."""
    with patch.object(outcome, "look_at_toes", wraps=look_at_toes) as looked:
        relief(PHOTOS, check_line=49.85)
    found, bead = looked.call_args.args
    looks = look_at_toes(found, bead)["left"]
    assert len(looks.scores) == 5
    run = next(one for one in TRUTH["bead"]["undercut"] if one["side"] == "left")
    depth = np.array([depth_at(run, s) for s in looks.s])
    for score in looks.scores:
        assert score[depth > 0.4].mean() > 3 * score[depth < 0.01].mean()
    stand = found.stands[2]
    x = stand.plate.to_px_3d(on_base((bead.left_toe + bead.right_toe) / 2, bead, found.stands[0]))[:, 0]
    middle = int(np.median(x))
    cut = replace(stand, photo=replace(stand.photo, image=stand.photo.image[:, :middle]))
    stands = (*found.stands[:2], cut, *found.stands[3:])
    score = look_at_toes(replace(found, stands=stands), bead)["left"].scores[2]
    assert 0.4 < np.isnan(score).mean() < 0.6
