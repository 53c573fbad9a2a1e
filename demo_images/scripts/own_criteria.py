"""Criteria of your own that rest on a shipped set: change a limit, and say in every report what differs.

python demo_images/scripts/own_criteria.py [PHOTO]
"""

from __future__ import annotations

import sys
from pathlib import Path

import toeline
from toeline.criteria import load_criteria, own_copy

photo = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[1] / "good_stringer.jpg"
out = Path("out")
out.mkdir(exist_ok=True)

base = load_criteria("workmanship")
line = next(one for one in base.lines if one.of == "width_variation")
mine = own_copy(base) + (
    f'\n[[line]]\nid = "{line.id}"\nlimit = "v <= 0.02"\nsource = "the workshop\'s own rule"\nconfidence = "P"\n'
)
(out / "mine.toml").write_text(mine, "utf-8")

result = toeline.measure(photo, check_line=49.7, criteria=out / "mine.toml")
judgement = result.judgement
if judgement is None:
    sys.exit(f"{photo.name}: {result.stopped}")
print(f"{judgement.title}, resting on {judgement.differs_from}")
for difference in judgement.differences:
    print(f"  differs: {difference}")
judged = next(one for one in judgement.lines if one.id == line.id)
print(f"{judged.outcome}: {judged.imperfection}, {judged.why} (limit {judged.limit})")
