"""The surface as the result document holds it: cross-sections a millimetre apart."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import map_coordinates

from toeline.photogrammetry.figures import ReliefFigures
from toeline.photogrammetry.quantities import seen_places, u_map
from toeline.photogrammetry.relief import Relief
from toeline.result import ReliefMap
from toeline.trace.band import F64
from toeline.uncertainty import COVERAGE


def surface_map(relief: Relief) -> ReliefMap:
    """Height and U of the face and some mm of plate beside it, at even places of the seam."""
    rule, chart = ReliefFigures.read().map, relief.chart
    s = np.arange(0.0, float(relief.seam[-1, 0]) + 1e-6, rule.along)
    at = np.interp(s, relief.seam[:, 0], relief.seam[:, 1])
    high, low = (float(f(toe)) for f, toe in ((np.nanmax, chart.left), (np.nanmin, chart.right)))
    first = rule.across * np.ceil((high + rule.beside) / rule.across)
    t = np.arange(first, low - rule.beside, -rule.across)
    grid_s, grid_t = np.meshgrid(at, t)
    where = [(chart.t[0] - grid_t) / chart.step, (grid_s - chart.s[0]) / chart.step]
    known = map_coordinates(seen_places(relief).astype(float), where, order=1, mode="nearest") > 0.5
    h, U = (
        map_coordinates(values, where, order=1, mode="nearest")
        for values in (relief.surface.height, COVERAGE * u_map(relief))
    )
    on = np.isfinite(chart.left)
    left, right = (np.interp(at, chart.s[on], toe[on]) for toe in (chart.left, chart.right))
    return ReliefMap(
        s_mm=_rounded(s),
        t_mm=_rounded(t),
        h_mm=_told(h, known),
        U_mm=_told(U, known),
        plate_mm=_rounded(chart.slope * np.abs(t)),
        left_mm=_rounded(left),
        right_mm=_rounded(right),
    )


def _rounded(values: F64) -> tuple[float, ...]:
    return tuple(round(float(value), 3) for value in values)


def _told(values: F64, known: np.ndarray) -> tuple[tuple[float | None, ...], ...]:
    """To a hundredth of a mm, which is finer than any of it is known."""
    return tuple(
        tuple(round(float(v), 2) if k else None for v, k in zip(row, seen, strict=True))
        for row, seen in zip(values, known, strict=True)
    )
