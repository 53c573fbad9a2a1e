"""The photos tied together by the plate itself: what small turns and moves make it lie alike in all of them.

A card shows each photo's stand to some hundredths of a degree, which is a tenth of a mm of height at the bead. The
plate beside the bead is seen in every photo and is one surface: its well-matched places say the rest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np

from toeline.geometry.plate import Plate
from toeline.photo import U8
from toeline.photogrammetry.chart import Chart, Mask
from toeline.photogrammetry.features import features_of
from toeline.photogrammetry.figures import ReliefFigures, ReliefTie
from toeline.photogrammetry.sight import Sightlines
from toeline.trace.band import F32, F64


@dataclass(frozen=True, slots=True)
class Tied:
    """A photo whose stand is mended by a small turn and move (6,) of what it sees, about ``about`` (3,), mm."""

    frame: Plate
    about: F64
    motion: F64

    def to_px_3d(self, mm: F64) -> F64:
        """Points (N, 3) of the plate frame to photo pixels (N, 2)."""
        return self.frame.to_px_3d(mm + np.cross(self.motion[:3], mm - self.about) + self.motion[3:])


@dataclass(frozen=True, slots=True)
class Ties:
    """The tied photos, and how they matched: for each photo the number of places that agree with others, and the
    root mean square, mm, of what is left between them."""

    frames: tuple[Tied, ...]
    places: tuple[int, ...]
    rms: float


@dataclass(frozen=True, slots=True)
class _Match:
    i: int
    j: int
    s: F64
    t: F64
    shift: F64


def tie(images: Sequence[U8], plates: Sequence[Plate], chart: Chart, scale: Sequence[float]) -> Ties:
    """Tie BGR photos (H, W, 3) of ``scale`` px a mm by the plate beside the bead."""
    rules = ReliefFigures.read()
    rule = rules.tie
    centres = [chart.coordinates(plate.camera_centre_mm[None])[0] for plate in plates]
    sight = [Sightlines.of(plate, chart, chart.ground, 1.0) for plate in plates]
    features = features_of(images, sight, scale, rules.feature)
    flat = np.zeros((len(chart.t), len(chart.s)), np.float32)
    seen = [f.at(line.px(flat)) for f, line in zip(features, sight, strict=True)]
    bare = _bare(chart, rule.clear)
    found = [_matched(seen, i, j, bare, chart, rule) for i, j in combinations(range(len(plates)), 2)]
    counts = [sum(len(m.s) for m in found if k in (m.i, m.j)) for k in range(len(plates))]
    found = [m for m in found if min(counts[m.i], counts[m.j]) >= rule.fewest]
    about = chart.points(np.array(chart.length / 2), np.array(0.0), np.array(0.0))
    motions, rms, places = _adjust(found, centres, chart, len(plates), rule)
    tied = tuple(
        Tied(frame, about, chart_motion @ _six(chart)) for frame, chart_motion in zip(plates, motions, strict=True)
    )
    return Ties(tied, places, rms)


def _bare(chart: Chart, clear: float) -> Mask:
    """The places of the plate that are no nearer than ``clear`` to a toe or an end."""
    wide = cv2.dilate(chart.face.astype(np.uint8), np.ones((2 * round(clear / chart.step) + 1,) * 2, np.uint8))
    return np.asarray(wide == 0)


def _matched(seen: Sequence[F32], i: int, j: int, bare: Mask, chart: Chart, rule: ReliefTie) -> _Match:
    """Blocks of photo i found again in photo j: where (mm), and how far off (n, 2) mm along and to the left."""
    high, wide, reach = (round(mm / chart.step) for mm in (rule.block_t, rule.block_s, rule.reach))
    out = []
    a, b = seen[i], seen[j]
    for r in range(reach, len(chart.t) - high - reach, high // 2):
        for c in range(reach, len(chart.s) - wide - reach, wide):
            if bare[r : r + high, c : c + wide].mean() < rule.bare_share:
                continue
            block = a[r : r + high, c : c + wide]
            around = b[r - reach : r + high + reach, c - reach : c + wide + reach]
            if min(block.std(), around.std()) < rule.least_spread:
                continue
            r_map = np.asarray(cv2.matchTemplate(around, block, cv2.TM_CCOEFF_NORMED), np.float32)
            _, peak, _, (x, y) = cv2.minMaxLoc(r_map)
            if peak < rule.least or not (0 < x < 2 * reach and 0 < y < 2 * reach):
                continue
            dx, dy = _summit(r_map, x, y)
            out.append((c + wide / 2, r + high / 2, (x + dx - reach) * chart.step, -(y + dy - reach) * chart.step))
    at = np.array(out).reshape(-1, 4)
    return _Match(
        i,
        j,
        chart.s[0] + at[:, 0] * chart.step,
        chart.t[0] - at[:, 1] * chart.step,
        at[:, 2:],
    )


def _summit(r: F32, x: int, y: int) -> tuple[float, float]:
    """Where a peak is, in parts of a pixel."""
    out = []
    for a, b, c in ((r[y, x - 1], r[y, x], r[y, x + 1]), (r[y - 1, x], r[y, x], r[y + 1, x])):
        bend = a - 2 * b + c
        out.append(float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5)) if bend < -1e-6 else 0.0)
    return out[0], out[1]


def _moves(s: F64, t: F64, centre: F64, chart: Chart) -> F64:
    """How the plate's places (n,) seem to move (n, 2), along and to the left, by a photo's turn and move: (n, 2, 6)."""
    z = chart.slope * np.abs(t)
    x = np.stack([s - chart.length / 2, t, z], axis=-1)
    turn = np.zeros((len(s), 3, 3))
    turn[:, 0, 1], turn[:, 0, 2], turn[:, 1, 2] = x[:, 2], -x[:, 1], x[:, 0]
    turn = turn - turn.transpose(0, 2, 1)  # columns: what a turn about each axis does
    motion = np.concatenate([turn, np.broadcast_to(np.eye(3), (len(s), 3, 3))], axis=2)
    place = np.stack([s, t, z], axis=-1)
    ray = place - centre
    normal = np.stack([0 * s, -chart.slope * np.sign(t), np.ones_like(s)], axis=-1)
    onto = np.eye(3) - ray[:, :, None] * normal[:, None, :] / np.einsum("ni,ni->n", ray, normal)[:, None, None]
    return np.asarray((onto @ motion)[:, :2])


def _adjust(
    found: Sequence[_Match], centres: Sequence[F64], chart: Chart, count: int, rule: ReliefTie
) -> tuple[F64, float, tuple[int, ...]]:
    """Turns and moves (count, 6) in chart axes by robust least squares; the first photo stays."""
    rows, values, who = [], [], []
    for m in found:
        if not len(m.s):
            continue
        block = np.zeros((len(m.s), 2, count, 6))
        # where photo j's stand is off, what lies at x in i is seen at x plus its own move in j
        block[:, :, m.j] = _moves(m.s, m.t, centres[m.j], chart)
        block[:, :, m.i] = -_moves(m.s, m.t, centres[m.i], chart)
        rows.append(block.reshape(2 * len(m.s), -1))
        values.append(m.shift.ravel())
        who += [(m.i, m.j)] * len(m.s)
    prior = np.tile([rule.u_turn] * 3 + [rule.u_move] * 3, count)
    prior[:6] = 1e-9
    if not rows:
        return np.zeros((count, 6)), float("nan"), (0,) * count
    J, d = np.concatenate(rows), np.concatenate(values)
    weight = np.ones(len(d) // 2)
    for _ in range(rule.rounds):
        w = np.repeat(weight, 2) / rule.u_match**2
        normal = J.T @ (J * w[:, None]) + np.diag(1 / prior**2)
        motion = np.asarray(np.linalg.solve(normal, J.T @ (w * d)), float)
        off = np.linalg.norm((d - J @ motion).reshape(-1, 2), axis=1)
        weight = 1 / (1 + (off / rule.u_match) ** 2) ** 2
    good = off < 3 * rule.u_match
    places = tuple(int(sum(g for g, pair in zip(good, who, strict=True) if k in pair)) for k in range(count))
    rms = float(np.sqrt(np.mean(off[good] ** 2))) if good.any() else float("nan")
    return motion.reshape(count, 6), rms, places


def _six(chart: Chart) -> F64:
    """From a turn and a move in chart axes to the plate frame's (6, 6): row vectors times this."""
    # the plate frame is left-handed, so a turn's vector changes sign with the axes' handedness
    hand = np.linalg.det(chart.axes)
    out = np.zeros((6, 6))
    out[:3, :3] = hand * chart.axes
    out[3:, 3:] = chart.axes
    return out
