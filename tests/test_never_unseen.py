"""No line passes that the truth fails and none fails that it keeps, whatever honest people and photos say of a weld.

Welds are drawn at random with their truth, or stand in a photo's truth file; what is said of them is any part of what
honest readings, looks, photos and reliefs may say. The truth is held against the limits in ``honest_welds`` by itself.
"""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from honest_welds import (
    Weld,
    draw_weld,
    failed_though_kept,
    honest_result,
    passed_though_broken,
    weld_of,
    with_lengths,
)
from toeline import measure
from toeline.criteria import list_criteria, load_criteria
from toeline.judgement import judge

ROOT = Path(__file__).resolve().parents[1]
FOLDERS = [ROOT / "demo_images", *(ROOT.parent / "shared" / "photos" / name for name in ("dev", "wild"))]
BLOCKS, A_BLOCK, SETS_EACH = 6, 500, 4


def wrongly_judged(weld: Weld, rng: np.random.Generator, sets: int | None, decided: Counter[str]) -> list[str]:
    """What is wrong in the judgement of this weld by ``sets`` sets drawn at random, or by all."""
    unit = "in" if rng.random() < 0.3 else "mm"
    said = honest_result(weld, rng, unit=unit)
    shipped = list_criteria()
    chosen = range(len(shipped)) if sets is None else rng.choice(len(shipped), sets, replace=False)
    wrong: list[str] = []
    for criteria in (shipped[k] for k in chosen):
        judged = judge(with_lengths(said, weld, criteria, rng, inches=unit == "in"), criteria)
        wrong += passed_though_broken(weld, judged, criteria, inches=unit == "in")
        wrong += failed_though_kept(weld, judged, criteria, inches=unit == "in")
        decided.update(line.outcome for line in judged.lines)
    return wrong


@pytest.mark.parametrize("block", range(BLOCKS))
def test_no_line_passes_that_the_truth_fails(block: int) -> None:
    rng = np.random.default_rng(1000 + block)
    decided: Counter[str] = Counter()
    wrong = [each for _ in range(A_BLOCK) for each in wrongly_judged(draw_weld(rng), rng, SETS_EACH, decided)]
    assert wrong == []
    assert min(decided.values()) > 1000  # the welds lie on both sides of the limits, and much is said of them


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_no_line_passes_that_the_truth_of_a_photo_fails(folder: Path) -> None:
    truths = [json.loads(path.read_text("utf-8")) for path in sorted(folder.glob("*.json"))]
    welds = [truth for truth in truths if truth.get("bead")]
    if not welds:
        pytest.skip("these photos lie beside the repository and are not here")
    rng = np.random.default_rng(7)
    decided: Counter[str] = Counter()
    wrong = [e for truth in welds for _ in range(4) for e in wrongly_judged(weld_of(truth, rng), rng, None, decided)]
    assert wrong == []
    assert min(decided.values()) > 100


def test_a_throat_that_was_gauged_too_small_passes_no_photo() -> None:
    """A leg of 6 mm asks for a throat of 4.24 mm: the demo fillet has its legs, and here no throat."""
    seen = ["cracks", "crater_cracks", "lack_of_fusion", "craters", "overlap", "arc_strikes", "slag", "pores"]
    said = {"joint": "fillet", "size": 6.0, "thickness": 8.0, "check_line": 49.8, "looked_by": "A. Boon"}
    gauge = ["throat=2.5", "convexity=0.5", "undercut_depth=0"]
    found = measure(ROOT / "demo_images" / "good_fillet.jpg", gauge=gauge, looked=[f"{n}=none" for n in seen], **said)
    for name in ("aws-d1.1-static", "welder-test-plate"):
        judged = judge(found, load_criteria(name))
        size = next(line for line in judged.lines if "throat" in line.id)
        assert judged.outcome != "pass"
        assert size.outcome != "pass"
        assert "throat undersize 1.7" in size.why


def test_an_undercut_that_no_gauge_read_is_open() -> None:
    """The photo shows a fillet whose undercut is 0.56 mm deep over 30 mm, where 0.5 mm are allowed."""
    photo = ROOT.parent / "shared" / "photos" / "dev" / "dev_15.jpg"
    if not photo.exists():
        pytest.skip("this photo lies beside the repository and is not here")
    said = {"joint": "fillet", "size": 3.0, "thickness": 10.0, "check_line": 48.7, "criteria": "iso5817-2014-c"}
    gauge = ["visible_faults=0", "convexity=0.5", "toe_angle=125", "throat=2.6", "spatter_accepted=1"]
    judged = measure(photo, condition=["unequal-legs=yes"], gauge=gauge, looked_by="A. Boon", **said).judgement
    assert judged is not None
    undercut = next(line for line in judged.lines if line.id == "1.7-undercut")
    assert (undercut.outcome, undercut.gauge) == ("undecided", "undercut_depth")
    assert judged.outcome == "undecided"
