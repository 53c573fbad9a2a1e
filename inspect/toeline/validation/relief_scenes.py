"""How right height and depth from several photos are: scenes of photos of one bead whose surface is known.

A scene is ``NAME_v0.jpg`` (the face photo), ``NAME_v1.jpg`` and so on, each with its truth ``.json``, and
``NAME_relief.npz`` with the true surface, as ``demo_images/make_photos.py`` writes them.

The height map is compared place by place: over the face and over 3 mm of plate beside each toe (from 0.3 mm on), in
the truth's body; on a fillet the cross-sections across the line that halves the plates' angle. A place with no height
counts as not seen. Greatest height, throat and convexity are those of the true surface's median over 1 mm, where no
spatter lies. Undercut: the greatest depth of each run in the body that is 0.25 mm deep or more, not told where none is
told where it is nearly as deep, and every station at least 3 mm from any run.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, median_filter

from toeline.errors import ToelineError
from toeline.photogrammetry.figures import ReliefFigures
from toeline.result import Result
from toeline.validation.figures import AccuracyFigures

F64 = NDArray[np.float64]
#: Nearer to spatter than this the median over 1 mm still shows it.
_NEAR_SPATTER_MM = 0.5
#: A place of a run of undercut that is so much of its greatest depth deep, or more, stands for it.
_NEARLY = 0.9


@dataclass(frozen=True, slots=True)
class Told:
    """A true value, the one told (None where it was not known) and its U."""

    truth: float
    value: float | None
    U: float | None

    @property
    def error(self) -> float:
        """Absolute error; infinite where nothing was told."""
        return float("inf") if self.value is None else abs(self.value - self.truth)


@dataclass(frozen=True, slots=True)
class SceneScore:
    """One scene. ``face`` and ``beside``: median, 90th percentile and bias of the height's error, mm; ``inside`` the
    share of all those places whose error is within U; ``none`` the 95th percentile of the depth where there is none."""

    name: str
    kind: str
    photos: int
    why: str | None = None
    seen: float = 0.0
    face: tuple[float, float, float] | None = None
    beside: tuple[float, float, float] | None = None
    inside: float | None = None
    height: Told | None = None
    undercuts: tuple[Told, ...] = ()
    none: float | None = None
    crater: Told | None = None
    throat: Told | None = None
    convexity: Told | None = None


def scenes_in(folder: Path) -> dict[str, list[Path]]:
    """The photos of every scene in a folder, by the scene's name."""
    out = {}
    for surface in sorted(folder.glob("*_relief.npz")):
        name = surface.name.removesuffix("_relief.npz")
        photos = sorted(folder.glob(f"{name}_v[0-9].jpg"))
        if len(photos) > 1 and all(photo.with_suffix(".json").is_file() for photo in photos):
            out[name] = photos
    return out


def relief_figures(scenes: Sequence[SceneScore]) -> dict[str, tuple[float | None, int]]:
    """Each figure and how many scenes, or places, it rests on; what was not told is infinitely far off."""
    done = [s for s in scenes if s.face is not None]
    face, beside = ([pair for s in done if (pair := getattr(s, name))] for name in ("face", "beside"))
    four = [s for s in done if s.photos >= ReliefFigures.read().groove.fewest]
    errors = {
        "height": [s.height.error for s in done if s.height],
        "undercut": [t.error for s in four for t in s.undercuts],
        "crater": [s.crater.error for s in done if s.crater],
        "throat": [t.error for s in done for t in (s.throat, s.convexity) if t],
    }
    told = [t for s in done for t in (s.height, s.crater, s.throat, s.convexity, *s.undercuts) if t and t.U]
    none = [s.none for s in four if s.none is not None]

    def median(values: Sequence[float]) -> tuple[float | None, int]:
        return (float(np.median(values)) if values else None), len(values)

    out: dict[str, tuple[float | None, int]] = {
        "scenes": (len(done) / len(scenes) if scenes else None, len(scenes)),
        "face_median": median([p[0] for p in face]),
        "face_p90": median([p[1] for p in face]),
        "face_worst": (max(p[0] for p in face) if face else None, len(face)),
        "beside_median": median([p[0] for p in beside]),
        "beside_p90": median([p[1] for p in beside]),
        "seen": median([s.seen for s in done]),
        "undercut_none": median(none),
        "inside_map": median([s.inside for s in done if s.inside is not None]),
        "inside_told": (sum(t.error <= (t.U or 0) for t in told) / len(told) if told else None, len(told)),
    }
    for key, values in errors.items():
        out[f"{key}_p90"] = (float(np.percentile(values, 90, method="higher")) if values else None), len(values)
    return out


def score_scene(name: str, photos: Sequence[Path], inputs: dict[str, Any]) -> SceneScore:
    """Work one scene out from ``photos``, the face photo first, and hold it against its truth."""
    from toeline.pipeline import relief

    truth = json.loads(photos[0].with_suffix(".json").read_text("utf-8"))
    true = dict(np.load(photos[0].with_name(f"{name}_relief.npz"), allow_pickle=False))
    kind = str(truth["kind"])
    with tempfile.TemporaryDirectory() as folder:
        surface = Path(folder) / "surface.npz"
        try:
            result = relief(photos, height_map=surface, **inputs)
        except ToelineError as error:
            return SceneScore(name, kind, len(photos), str(error))
        if result.relief is None or result.relief.state == "none" or not surface.exists():
            return SceneScore(name, kind, len(photos), result.relief.why if result.relief else "no relief")
        told = dict(np.load(surface, allow_pickle=False))
    compare = _sections if "section_s_mm" in true else _sheet
    h, U, true_h, face, beside = compare(told, true, truth, result)
    known = np.isfinite(h)
    here = known & np.isfinite(true_h)
    off = h - true_h
    both = here & (face | beside)
    on_face = face & np.isfinite(true_h)
    fillet = throat_and_convexity(true, truth) if "section_s_mm" in true else {}
    return SceneScore(
        name,
        kind,
        len(photos),
        seen=float((known & on_face).sum() / max(on_face.sum(), 1)),
        face=_spread(off[here & face]),
        beside=_spread(off[here & beside]),
        inside=float((np.abs(off) <= U)[both].mean()) if both.any() else None,
        height=None if fillet else _told(greatest_height(true, truth), result, "height_max"),
        undercuts=_undercuts(result, truth),
        none=_where_none(result, truth),
        crater=_crater(result, truth),
        throat=_told(fillet["throat"], result, "throat_actual_min") if fillet else None,
        convexity=_told(fillet["convexity"], result, "convexity_max") if fillet else None,
    )


def _spread(off: F64) -> tuple[float, float, float] | None:
    if not len(off):
        return None
    return float(np.median(np.abs(off))), float(np.percentile(np.abs(off), 90)), float(np.median(off))


def _told(true: float, result: Result, name: str) -> Told:
    q = result.measures.get(name)
    return Told(true, q.value if q else None, q.U if q else None)


def _body(truth: dict[str, Any]) -> tuple[float, float]:
    body = truth["bead"]["body"]
    return float(body["from_mm"]), float(body["to_mm"])


def _sheet(
    told: dict[str, F64], true: dict[str, F64], truth: dict[str, Any], _: Result
) -> tuple[F64, F64, F64, NDArray[np.bool_], NDArray[np.bool_]]:
    """On the truth's own sheet: height told and its U, true height, and which places lie on the face and beside it."""
    s, t = np.meshgrid(true["s_mm"].astype(float), true["t_mm"].astype(float))
    xy = true["P0"] + s[..., None] * true["d"] + t[..., None] * true["nL"]
    x, y = told["x_mm"], told["y_mm"]
    at = [(xy[..., 1] - y[0]) / (y[1] - y[0]), (xy[..., 0] - x[0]) / (x[1] - x[0])]
    h, U = (map_coordinates(told[k].astype(float), at, order=1, cval=np.nan) for k in ("h_mm", "U_mm"))
    left, right = (np.interp(s, true["toe_s"], true[f"toe_{side}"]) for side in ("left", "right"))
    return h, U, true["h_mm"].astype(float), *_zones(s, t, left, right, truth)


def _zones(s: F64, t: F64, left: Any, right: Any, truth: dict[str, Any]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    low, high = _body(truth)
    body = (s > low) & (s < high)
    out = np.maximum(t - left, right - t)
    return body & (out < 0), body & (out > 0.3) & (out < 3.0)


def _sections(
    told: dict[str, F64], true: dict[str, F64], truth: dict[str, Any], result: Result
) -> tuple[F64, F64, F64, NDArray[np.bool_], NDArray[np.bool_]]:
    """As :func:`_sheet`, across each cross-section told, from the line that halves the plates' right angle."""
    t = np.arange(-12.0, 12.0, 0.1)
    place, _ = _seam_of(result, truth)
    s = place(told["section_s_mm"])
    shape = len(t), len(s)
    h, U, true_h = (np.full(shape, np.nan) for _ in range(3))
    for k in range(len(s)):
        nearest = int(np.abs(true["section_s_mm"] - s[k]).argmin())
        if abs(float(true["section_s_mm"][nearest]) - s[k]) > 0.6:
            continue
        h[:, k] = _across(told["along_base_mm"][:, k], told["up_mm"][:, k], t)
        U[:, k] = _across(told["along_base_mm"][:, k], told["up_mm"][:, k], t, told["U_mm"][:, k])
        true_h[:, k] = _across(true["along_base_mm"][:, nearest], true["up_mm"][:, nearest], t)
    base_left = truth["bead"]["fillet"]["plate_A_side"] == "left"
    base, upright = ("left", "right") if base_left else ("right", "left")
    legs = [np.abs(np.interp(s, true["toe_s"], true[f"toe_{side}"])) / np.sqrt(2.0) for side in (base, upright)]
    grid_s, grid_t = np.meshgrid(s, t)
    return h, U, true_h, *_zones(grid_s, grid_t, legs[0], -legs[1], truth)


def _across(along: F64, up: F64, t: F64, values: F64 | None = None) -> F64:
    """Height over the line square to the half angle, or ``values``, at places ``t`` across it."""
    across, height = (along - up) / np.sqrt(2.0), (along + up) / np.sqrt(2.0)
    good = np.isfinite(across) & np.isfinite(height)
    if good.sum() < 2:
        return np.full(len(t), np.nan)
    order = np.argsort(across[good])
    shown = (height if values is None else values)[good][order]
    return np.asarray(np.interp(t, across[good][order], shown, left=np.nan, right=np.nan))


def _seam_of(result: Result, truth: dict[str, Any]) -> tuple[Callable[[F64], F64], bool]:
    """From the result's seam coordinate to the truth's, and whether they run against each other."""
    seam = truth["bead"]["seam"]
    ends = np.array([result.bead.start, result.bead.end], float)
    a, b = (ends - np.array(seam["start_mm"])[:2]) @ np.array(seam["travel_direction_plate"])
    turned = bool(b < a)
    return (lambda s: a + (-1.0 if turned else 1.0) * np.asarray(s, float)), turned


def greatest_height(true: dict[str, F64], truth: dict[str, Any]) -> float:
    """Of the true surface's face, in the bead's body, mm: its median over 1 mm, where no spatter lies."""
    low, high = _body(truth)
    columns = (true["s_mm"] > low) & (true["s_mm"] < high)
    smooth = median_filter(true["h_mm"].astype(float), 10)
    s, t = np.meshgrid(true["s_mm"], true["t_mm"])
    left, right = (np.interp(s, true["toe_s"], true[f"toe_{side}"]) for side in ("left", "right"))
    return float(smooth[(t < left) & (t > right) & columns & ~_spattered(s, t, true, truth)].max())


def _spattered(s: F64, t: F64, true: dict[str, F64], truth: dict[str, Any]) -> NDArray[np.bool_]:
    """Which places of a sheet lie on spatter, or near enough to be raised by it."""
    balls = []
    for ball in truth.get("spatter", ()):
        off = np.array(ball["plate_mm"][:2], float) - true["P0"]
        balls.append((float(off @ true["d"]), float(off @ true["nL"]), ball["diameter_mm"]))
    return _near_balls(s, t, balls)


def _near_balls(s: F64, t: F64, balls: Sequence[tuple[float, float, float]]) -> NDArray[np.bool_]:
    """Which places lie under or close to balls, given as their place and diameter."""
    on = np.zeros(s.shape, bool)
    for along, across, diameter in balls:
        on |= np.hypot(s - along, t - across) < diameter / 2 + _NEAR_SPATTER_MM
    return on


def throat_and_convexity(true: dict[str, F64], truth: dict[str, Any]) -> dict[str, float]:
    """The least ``throat`` and the greatest ``convexity`` of a true fillet's cross-sections in its body, mm."""
    low, high = _body(truth)
    base_left = truth["bead"]["fillet"]["plate_A_side"] == "left"
    sides = ("left", "right") if base_left else ("right", "left")
    way = (1.0 if base_left else -1.0) / np.sqrt(2.0)  # from along a plate to across the line that halves their angle
    balls = [(ball["s_mm"], way * ball["t_mm"], ball["diameter_mm"]) for ball in truth.get("spatter", ())]
    throats, bulges = [], []
    for k in np.flatnonzero((true["section_s_mm"] > low) & (true["section_s_mm"] < high)):
        s = float(true["section_s_mm"][k])
        base, upright = (abs(float(np.interp(s, true["toe_s"], true[f"toe_{side}"]))) for side in sides)
        along, up = true["along_base_mm"][:, k].astype(float), true["up_mm"][:, k].astype(float)
        on = (along > 0.05) & (up > 0.05) & (along < base) & (up < upright)
        on &= ~_near_balls(np.full(len(along), s), (along - up) / np.sqrt(2.0), balls)
        if not on.any():
            continue
        throats.append(float(median_filter(np.hypot(along, up)[on], 5).min()))
        over = (along * upright + up * base - base * upright) / np.hypot(base, upright)
        bulges.append(float(median_filter(over[on], 5).max()))
    return {"throat": min(throats), "convexity": max(bulges)}


def _true_depth(truth: dict[str, Any], side: str, s: F64) -> F64:
    out = np.zeros(len(s))
    for run in truth["bead"]["undercut"]:
        if run["side"] == side:
            every = run["depth_every_mm"]
            at = every["s0"] + every["step"] * np.arange(len(every["depth"]))
            out = np.maximum(out, np.interp(s, at, every["depth"], left=0.0, right=0.0))
    return out


def _along(result: Result, truth: dict[str, Any], side: str) -> tuple[F64, F64, F64]:
    """True seam coordinates in the body, the depth told there (NaN where none is) and its U, of the truth's side."""
    assert result.relief is not None
    place, turned = _seam_of(result, truth)
    said = {"left": "right", "right": "left"}[side] if turned else side
    s = place(np.array(result.relief.s_mm))
    depth = np.array([np.nan if d is None else d for d in getattr(result.relief, f"undercut_{said}_mm")], float)
    U = np.array([np.nan if d is None else d for d in result.relief.U_mm[f"undercut_{said}_mm"]], float)
    low, high = _body(truth)
    inside = (s > low) & (s < high)
    return s[inside], depth[inside], U[inside]


def _undercuts(result: Result, truth: dict[str, Any]) -> tuple[Told, ...]:
    least = AccuracyFigures.read().relief_scene.undercut_least
    low, high = _body(truth)
    out = []
    for run in truth["bead"]["undercut"]:
        every = run["depth_every_mm"]
        at = every["s0"] + every["step"] * np.arange(len(every["depth"]))
        inside = (at > low) & (at < high)
        depth = np.array(every["depth"], float)
        if not inside.any() or depth[inside].max() < least:
            continue
        s, told, U = _along(result, truth, run["side"])
        here = np.interp(s, at, depth, left=0.0, right=0.0)
        deepest_there = here >= _true_depth(truth, run["side"], s)
        nearly = here > _NEARLY * depth[inside].max()
        if not (deepest_there & nearly).any():  # it lies in a deeper one
            continue
        seen = (here > 0.05) & deepest_there & np.isfinite(told)
        deep = seen & nearly
        k = int(np.flatnonzero(seen)[told[seen].argmax()]) if deep.any() else None
        out.append(
            Told(float(depth[inside].max()), None if k is None else float(told[k]), None if k is None else float(U[k]))
        )
    return tuple(out)


def _where_none(result: Result, truth: dict[str, Any]) -> float | None:
    values = []
    for side in ("left", "right"):
        s, told, _ = _along(result, truth, side)
        near = np.max([_true_depth(truth, side, s + d) for d in (-3.0, -1.5, 0.0, 1.5, 3.0)], axis=0)
        values += told[(near < 0.02) & np.isfinite(told)].tolist()
    return float(np.percentile(values, 95)) if values else None


def _crater(result: Result, truth: dict[str, Any]) -> Told | None:
    crater = truth["bead"].get("crater") or {}
    return _told(float(crater["depth_mm"]), result, "crater_depth") if crater.get("state") == "unfilled" else None
