"""The surface as a file: NumPy's ``.npz`` as the result contract has it, ``.x3p`` (ISO 25178-72) or a ``.png`` to look
at."""

from __future__ import annotations

import io
from pathlib import Path
from typing import BinaryIO

import cv2
import numpy as np
import x3pio
from scipy.ndimage import map_coordinates

from toeline.errors import SettingsError
from toeline.files import write_whole
from toeline.photogrammetry.figures import ReliefFigures
from toeline.photogrammetry.quantities import seen_places, u_map
from toeline.photogrammetry.relief import Relief
from toeline.photogrammetry.surface_picture import draw_surface
from toeline.text import shown_path
from toeline.trace.band import F64
from toeline.uncertainty import COVERAGE

ENDINGS = (".npz", ".x3p", ".png")
_METRE = 1e-3


def check_surface_name(path: str | Path) -> None:
    """Refuse a name whose ending is no kind of surface.

    Raises:
        SettingsError: the text names the endings.
    """
    if Path(path).suffix.lower() not in ENDINGS:
        raise SettingsError(f"{shown_path(path)} is no surface; end its name with {' or '.join(ENDINGS)}.")


def save_surface(relief: Relief, path: str | Path) -> None:
    """Write the surface, by the name's ending, whole or not at all.

    Raises:
        SettingsError: the file cannot be written.
    """
    out = io.BytesIO()
    match Path(path).suffix.lower():
        case ".x3p":
            _save_x3p(relief, out)
        case ".png":
            out.write(cv2.imencode(".png", draw_surface(relief))[1].tobytes())
        case _:
            np.savez_compressed(out, allow_pickle=False, **(_sections(relief) if relief.side else plate_grid(relief)))
    try:
        write_whole(Path(path), out.getvalue())
    except OSError as error:
        raise SettingsError(f"{shown_path(path)} cannot be written ({error.strerror}).") from error


def plate_grid(relief: Relief) -> dict[str, F64]:
    """``x_mm`` (w,), ``y_mm`` (h,) of card A's plate frame, ``h_mm`` and ``U_mm`` (h, w), NaN where not seen."""
    step = ReliefFigures.read().file.step
    chart = relief.chart
    s, t = np.meshgrid(chart.s[[0, -1]], chart.t[[0, -1]])
    corners = chart.points(s, t, np.zeros_like(s)).reshape(-1, 3)[:, :2]
    low, high = corners.min(axis=0), corners.max(axis=0)
    x, y = (np.arange(a, b, step) for a, b in zip(low, high, strict=True))
    gx, gy = np.meshgrid(x, y)
    at = chart.coordinates(np.stack([gx, gy, np.zeros_like(gx)], axis=-1).reshape(-1, 3))
    rows, cols = (chart.t[0] - at[:, 1]) / chart.step, (at[:, 0] - chart.s[0]) / chart.step
    known = seen_places(relief)

    def on_grid(values: F64) -> F64:
        shown = np.where(known, values, np.nan)
        return np.asarray(map_coordinates(shown, [rows, cols], order=1, cval=np.nan)).reshape(gx.shape)

    return {
        "x_mm": x,
        "y_mm": y,
        "h_mm": on_grid(relief.surface.height).astype(np.float32),
        "U_mm": on_grid(COVERAGE * u_map(relief)).astype(np.float32),
    }


def _sections(relief: Relief) -> dict[str, F64]:
    """A fillet's cross-sections (m, k): where they lie along the base plate, away from the upright, and how far up."""
    chart = relief.chart
    every = max(round(ReliefFigures.read().file.section / chart.step), 1)
    columns = np.arange(0, len(chart.s), every)
    half = np.arctan2(1.0, chart.slope)
    away = np.array([relief.side * np.sin(half), np.cos(half)])
    h = np.where(seen_places(relief), relief.surface.height, np.nan)[:, columns]
    across = np.broadcast_to(chart.t[:, None], h.shape)
    along = away[0] * across + away[1] * h
    seam = np.interp(chart.s[columns], relief.seam[:, 1], relief.seam[:, 0])
    seam += np.where(chart.s[columns] < 0, chart.s[columns], 0.0)
    seam += np.where(chart.s[columns] > chart.length, chart.s[columns] - chart.length, 0.0)
    # measured square to the base plate
    square = np.sin(half) * h - relief.side * np.cos(half) * across
    return {
        "section_s_mm": seam,
        "along_base_mm": along.astype(np.float32),
        "up_mm": square.astype(np.float32),
        "U_mm": (COVERAGE * u_map(relief)[:, columns]).astype(np.float32),
    }


def _save_x3p(relief: Relief, out: BinaryIO) -> None:
    """The heights in metres: of one plate over it, of a fillet over the chart across the line that halves its angle."""
    if relief.side:
        known = seen_places(relief)
        h, step = np.where(known, relief.surface.height, np.nan)[::-1], relief.chart.step
    else:
        grid = plate_grid(relief)
        # the format's axes are right-handed: y up, where the plate frame's runs down
        h, step = grid["h_mm"][::-1], float(grid["x_mm"][1] - grid["x_mm"][0])
    x3pio.write(out, h.astype(float) * _METRE, x_scale=step * _METRE, y_scale=step * _METRE)
