"""Judge a fillet by a standard: what a photo cannot decide is gauged or looked at by a person who is named.

python demo_images/scripts/judge.py [PHOTO]
"""

from __future__ import annotations

import sys
from pathlib import Path

import toeline
from toeline.photo import read_photo
from toeline.report import write_report

photo = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[1] / "good_fillet.jpg"
result = toeline.measure(
    photo,
    joint="fillet",
    size=6,
    thickness=10,
    check_line=49.7,
    criteria="aws-d1.1-static",
    gauge=["throat=4.9", "undercut_depth=0", "convexity=0.4"],
    looked=["cracks=none", "crater_cracks=none", "overlap=none"],
    looked_by="N. Holm",
)
judgement = result.judgement
if judgement is None:
    sys.exit(f"{photo.name}: {result.stopped}")

print(f"{judgement.outcome}: {judgement.title}, {judgement.edition} [{'; '.join(judgement.beside)}]")
for line in judgement.lines:
    print(f"  {line.outcome:9} {line.imperfection}: {line.why}")
for need in judgement.needs:
    print(f"To settle it: {need}")

out = Path("out")
out.mkdir(exist_ok=True)
write_report(result, read_photo(photo), out / "judged.pdf")
print(f"wrote {out / 'judged.pdf'}")
