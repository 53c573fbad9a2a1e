"""Measure one photo: values with U, what an uncertainty is made of, and the picture.

python demo_images/scripts/measure_one.py [PHOTO]
"""

from __future__ import annotations

import sys
from pathlib import Path

import toeline
from toeline.photo import read_photo
from toeline.report.picture import draw_picture, encode
from toeline.units import say

photo = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[1] / "good_stringer.jpg"
result = toeline.measure(photo, check_line=49.7)
if result.stopped:
    sys.exit(f"{photo.name}: {result.stopped}")

for name in ("length", "width_mean", "width_sd", "ripple_pitch"):
    print(f"{name:12} {say(result.measures[name])}")

print("\nWhat the mean width's uncertainty is made of, standard uncertainties:")
for row in result.measures["width_mean"].budget:
    print(f"  {row.label:20} {row.u:.4f} mm  {row.distribution}")

out = Path("out")
out.mkdir(exist_ok=True)
(out / f"{photo.stem}.jpg").write_bytes(encode(draw_picture(read_photo(photo), result)))
print(f"\nwrote {out / photo.stem}.jpg")
