"""The wall chart: which beads stand on it, and whose names do not."""

from __future__ import annotations

import io

import pypdf
import pytest

from archival import assert_archival
from invented import photo_bytes
from test_causes import FAULTS, result_of_fault
from test_score import FIRST, coached, result
from toeline.batch import Measured
from toeline.coupons.coupons import score_class
from toeline.coupons.roster import read_roster
from toeline.coupons.wall_chart import chosen_photos, plan_chart, wall_chart
from toeline.errors import RubricError
from toeline.names import CAUSES
from toeline.problems import problem
from toeline.result import Quantity


def uneven(spread: float):
    return coached(result(left_straightness=Quantity(value=spread, U=0.02)))


FAULTY = {fault["name"]: coached(result_of_fault(fault)) for fault in FAULTS}
SURE = {
    name: bead
    for name, bead in FAULTY.items()
    if bead.causes and bead.causes[0].likelihood >= 0.5 and bead.causes[0].told_apart_by is None
}


def a_class():
    beads = {"best.jpg": coached(result()), "middle.jpg": uneven(0.6), "low.jpg": uneven(1.2)}
    beads |= {f"{name}.jpg": bead for name, bead in SURE.items()}
    likely = next(iter(SURE.values()))
    unlikely = likely.causes[0].model_copy(update={"cause": "poor_start", "likelihood": 0.3})
    beads["unsure.jpg"] = likely.model_copy(update={"causes": (unlikely,)})
    beads["blurred.jpg"] = coached(result(problems=(problem("blur_strong"),)))
    rows = "".join(f"Ada Nobody {n},{photo}\n" for n, photo in enumerate(beads))
    roster = read_roster(f"name,file\n{rows}".encode())
    return score_class([Measured(photo, bead) for photo, bead in beads.items()], FIRST, roster=roster)


def test_the_best_bead_and_one_for_each_trouble_that_is_sure_are_chosen():
    scores = a_class()
    plan = plan_chart(scores)
    assert plan.best == "best.jpg"
    assert plan.typical not in (None, plan.best, *plan.troubles.values())
    shown = {one.photo: one.result for one in scores.coupons}
    assert set(plan.troubles) == {bead.causes[0].cause for bead in SURE.values()}
    for cause, photo in plan.troubles.items():
        first = shown[photo].causes[0]
        assert (first.cause, first.told_apart_by) == (cause, None)
        assert first.likelihood == max(b.causes[0].likelihood for b in SURE.values() if b.causes[0].cause == cause)
    assert set(plan.missing) == {title for cause, title in CAUSES.items() if cause not in plan.troubles}
    assert "blurred.jpg" not in chosen_photos(plan)


def test_an_instructors_pick_goes_before_the_likeliest():
    scores = a_class()
    (cause, proposed), *_ = plan_chart(scores).troubles.items()
    plan = plan_chart(scores, {cause: "low.jpg", "arc_blow": "middle.jpg"})
    assert (plan.troubles[cause], plan.troubles["arc_blow"]) == ("low.jpg", "middle.jpg")
    assert proposed != "low.jpg"
    without = plan_chart(scores, {cause: None})
    assert cause not in without.troubles
    assert CAUSES[cause] not in without.missing  # it was left out on purpose
    with pytest.raises(RubricError, match="no photo of this class"):
        plan_chart(scores, {cause: "blurred.jpg"})
    with pytest.raises(RubricError, match="no trouble 'bad luck'"):
        plan_chart(scores, {"bad luck": "low.jpg"})


@pytest.mark.parametrize("paper", ["a3", "a4"])
def test_the_chart_names_troubles_and_nobody(paper):
    scores = a_class()
    plan = plan_chart(scores)
    pdf = wall_chart(scores, plan, dict.fromkeys(chosen_photos(plan), photo_bytes()), paper=paper)
    assert_archival(pdf, part=2)
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    text = " ".join(" ".join(page.extract_text().split()) for page in reader.pages)
    for words in ("Best", "Typical", *(CAUSES[cause] for cause in plan.troubles)):
        assert words in text, words
    assert "Ada" not in text
    assert ".jpg" not in text
    assert "Ada" not in str(reader.metadata)
    wide = {"a3": 842, "a4": 595}[paper]  # points, ISO 216: 297 and 210 mm
    assert reader.pages[0].mediabox.width == pytest.approx(wide, abs=1)


def test_a_class_without_a_usable_photo_still_says_what_is_missing():
    scores = score_class([Measured("a.jpg", problem="a.jpg is no photo.")], FIRST)
    plan = plan_chart(scores)
    assert (plan.best, plan.typical, dict(plan.troubles)) == (None, None, {})
    assert wall_chart(scores, plan, {}).startswith(b"%PDF")
