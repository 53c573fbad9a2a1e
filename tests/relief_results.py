"""The invented result with an invented surface, as several photos would have told it."""

from __future__ import annotations

from invented import result
from toeline.measures.registry import ids
from toeline.result import Quantity, ReliefAlong, ReliefMap, Result, SeenFrom


def with_relief(**more: object) -> Result:
    """The invented result with an invented surface: a dome 2 mm high."""
    s, t = tuple(map(float, range(0, 61, 5))), tuple(float(x) for x in range(6, -7, -1))
    h = tuple(tuple(max(2.0 - x * x / 8, 0.0) for _ in s) for x in t)
    along = ReliefAlong(
        state="measured",
        seen=1.0,
        s_mm=s,
        crown_mm=(2.0,) * len(s),
        undercut_left_mm=(0.0, 0.0, 0.0, 0.0, 0.4) + (0.0,) * 8,
        undercut_right_mm=(0.0,) * len(s),
        U_mm={name: (0.2,) * len(s) for name in ("crown_mm", "undercut_left_mm", "undercut_right_mm")},
        seen_from=(SeenFrom(photo=0, side="above", lean=3.0), SeenFrom(photo=1, side="left", lean=24.0)),
        missing=("right", "start", "end"),
        map=ReliefMap(
            s_mm=s,
            t_mm=t,
            h_mm=h,
            U_mm=tuple((0.2,) * len(s) for _ in t),
            plate_mm=(0.0,) * len(t),
            left_mm=(4.0,) * len(s),
            right_mm=(-4.0,) * len(s),
        ),
    )
    found = result()
    told = {"height_max": Quantity(value=2.0, U=0.2), "height_mean": Quantity(why="not known")}
    rest = {name: Quantity(why="not known") for name in ids(["relief"]) if name not in told}
    return found.model_copy(update={"relief": along, "measures": found.measures | told | rest, **more})
