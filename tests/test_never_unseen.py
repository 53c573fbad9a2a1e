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

from honest_welds import Weld, draw_weld, failed_though_kept, honest_result, passed_though_broken, weld_of
from toeline.criteria import list_criteria
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
        judged = judge(said, criteria)
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
