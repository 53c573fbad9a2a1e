"""Fillets in photos with truth: cards as found, toes as they truly are, so that only the geometry is tried."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from fillet_beads import traced
from toeline.geometry.camera import camera_for
from toeline.geometry.card import find_cards
from toeline.geometry.fillet_frame import FilletFrame
from toeline.geometry.fillet_one_card import fillet_from_one_card
from toeline.geometry.fillet_two_cards import FilletError, fillet_from_cards
from toeline.geometry.plate import plate_from_card
from toeline.measures.legs import measure_fillet, plate_of
from toeline.photo import read_photo
from toeline.result import Quantity
from truth_result import PHOTOS, truth_files

FILLETS = ("dev_06", "dev_15", "dev_19", "dev_23")
pytestmark = [pytest.mark.photos, pytest.mark.skipif(not truth_files(), reason="needs ../shared/photos/dev")]


@cache
def measured(name: str) -> tuple[dict, FilletFrame, dict[str, Quantity], dict]:
    truth = json.loads((PHOTOS / f"{name}.json").read_text())
    photo = read_photo(PHOTOS / f"{name}.jpg")
    cards = find_cards(photo)
    frame = fillet_from_cards(cards, camera_for(photo), truth["card"]["check_line_measured_mm"], said_angle_deg=90.0)
    left, right = (frame.to_mm(np.array(truth["bead"]["toes_px"][side])) for side in ("left", "right"))
    bead = traced(frame, np.array(truth["bead"]["s_mm"]), left, right, u=0.02)
    return truth, frame, measure_fillet(frame, bead), plate_of(frame, bead)


@pytest.mark.parametrize("name", FILLETS)
def test_legs_and_throat_from_true_toes(name: str) -> None:
    truth, _, measures, plates = measured(name)
    true = truth["bead"]["fillet"]
    assert plates[true["plate_A_side"]] == "base"
    for ours, theirs in (("leg_base", "leg_A_mm"), ("leg_upright", "leg_B_mm"), ("throat", "throat_from_legs_mm")):
        for what, key in (("", "mean"), ("_min", "min"), ("_max", "max"), ("_sd", "sd")):
            found = measures[ours + what]
            assert found.value == pytest.approx(true[theirs][key], abs=0.08), ours + what
            assert abs(found.value - true[theirs][key]) <= found.U, ours + what


@pytest.mark.parametrize("name", FILLETS)
def test_the_joint_is_square_as_it_truly_is(name: str) -> None:
    _, frame, measures, _ = measured(name)
    assert measures["joint_angle"].value == pytest.approx(90.0, abs=0.1)
    assert abs(measures["joint_angle"].value - 90.0) <= measures["joint_angle"].U
    assert frame.problems == ()


@pytest.mark.parametrize("name", FILLETS)
def test_toes_lie_where_they_are_in_card_as_frame(name: str) -> None:
    truth, frame, *_ = measured(name)
    for side in ("left", "right"):
        seen = frame.to_mm(np.array(truth["bead"]["toes_px"][side]))
        off = frame.to_plate(seen) - truth["bead"]["toes_plate_mm"][side]
        assert np.linalg.norm(off, axis=1).max() < 0.35
        u = np.sqrt(np.trace(frame.covariance_mm(np.array(truth["bead"]["toes_px"][side])), axis1=1, axis2=2))
        assert np.linalg.norm(off, axis=1).max() < 4 * u.max()


def test_a_flat_plate_with_one_card_is_no_fillet() -> None:
    flat = next(path for path in truth_files() if json.loads(path.read_text())["kind"] == "stringer")
    photo = read_photo(Path(flat).with_suffix(".jpg"))
    cards = find_cards(photo)
    with pytest.raises(FilletError, match="Only card A"):
        fillet_from_cards(cards, camera_for(photo))


@pytest.mark.parametrize("name", FILLETS)
@pytest.mark.parametrize("which", ["A", "B"])
def test_one_card_with_the_angle_stated_is_right_within_its_larger_doubt(name: str, which: str) -> None:
    truth = json.loads((PHOTOS / f"{name}.json").read_text())
    photo = read_photo(PHOTOS / f"{name}.jpg")
    cards = [card for card in find_cards(photo) if card.which == which]
    plate = plate_from_card(cards[0], camera_for(photo), truth["card"]["check_line_measured_mm"])
    seam = truth["bead"]["seam"]
    frame = fillet_from_one_card(plate, np.array([seam["start_px"], seam["end_px"]]), 90.0)
    left, right = (frame.to_mm(np.array(truth["bead"]["toes_px"][side])) for side in ("left", "right"))
    at = np.isfinite(left).all(axis=1) & np.isfinite(right).all(axis=1)
    found = measure_fillet(frame, traced(frame, np.array(truth["bead"]["s_mm"])[at], left[at], right[at], u=0.02))
    for ours, theirs in (("leg_base", "leg_A_mm"), ("leg_upright", "leg_B_mm"), ("throat", "throat_from_legs_mm")):
        off = found[ours].value - truth["bead"]["fillet"][theirs]["mean"]
        assert abs(off) < found[ours].U, ours
