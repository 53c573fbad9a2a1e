"""Height and depth from several photos of one bead, the face photo first; the surface as a file.

python demo_images/scripts/heights.py [FACE LEFT RIGHT ...]
"""

from __future__ import annotations

import sys
from pathlib import Path

import toeline
from toeline.units import say

bead = Path(__file__).parents[1] / "round_stringer"
photos = [Path(name) for name in sys.argv[1:]] or sorted(bead.glob("*.jpg"))
out = Path("out")
out.mkdir(exist_ok=True)

result = toeline.relief(photos, check_line=49.85, height_map=out / "surface.npz")
if result.relief is None or result.relief.state != "measured":
    sys.exit(f"no heights: {result.relief.why if result.relief else result.stopped}")

for name in ("height_max", "undercut_depth_left", "undercut_depth_right"):
    if name in result.measures:
        print(f"{name:22} {say(result.measures[name])}")
seen = [(s, h) for s, h in zip(result.relief.s_mm, result.relief.crown_mm, strict=True) if h is not None]
at, highest = max(seen, key=lambda one: one[1])
print(f"highest at {at:.0f} mm from the start: {highest:.2f} mm; {len(seen)} places of {len(result.relief.s_mm)} seen")
print(f"wrote {out / 'surface.npz'}")
