"""Ripples of the weld face: crests, pitch, how pointed the crescents are, and the direction of travel they tell.

A ripple is a past trailing edge of the pool: its apex points back to the bead's start, its arms sweep forward at the
toes. Pitch is the mean spacing of crests along the line midway between the toes, the idea of RSm in ISO 21920-2.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, percentile_filter
from scipy.optimize import minimize

from toeline.band import F64, Band
from toeline.datafile import load


@dataclass(frozen=True)
class Ripples:
    """Crests of a bead. ``s`` (n,) where each crosses the mid line; ``reward`` (n,) how clearly each is seen, -1..1;
    ``rise`` how far the arms run ahead of the apex at the toes over half the width, with its standard uncertainty
    ``rise_u``; positive when the arms sweep towards larger ``s``. ``contrast``: how far
    crests stand out, 1 where they just can be told from noise."""

    s: F64
    reward: F64
    rise: float
    rise_u: float
    contrast: float

    @cached_property
    def gaps(self) -> F64:
        """Spacings of neighbouring crests (n - 1,)."""
        return np.diff(self.s)

    def within(self, lo: float, hi: float) -> Ripples:
        """The crests between two seam coordinates."""
        keep = (self.s >= lo) & (self.s <= hi)
        return Ripples(self.s[keep], self.reward[keep], self.rise, self.rise_u, self.contrast)

    @property
    def doubtful(self) -> int:
        """How many crests are hardly seen, or gaps look like a crest too many or too few."""
        if len(self.s) < 3:
            return len(self.s)
        typical = float(np.median(self.gaps))
        odd = np.sum((self.gaps > 1.7 * typical) | (self.gaps < 0.5 * typical))
        return int(np.sum(self.reward < 0.0) + odd)


@dataclass(frozen=True)
class _Face:
    """A map unrolled between the toes: rows ``x`` (K,) -1 right .. +1 left, columns ``s`` (L,); ``half`` width."""

    values: F64
    x: F64
    s: F64
    half: float

    def aligned(self, shape: F64, weight: F64) -> F64:
        """Rows shifted back by ``shape`` (K,) and averaged by ``weight`` (K,): a profile along the mid line (L,)."""
        out = np.zeros(len(self.s))
        for row, shift, w in zip(self.values, shape, weight, strict=True):
            ground = float(row.mean())
            out += w * np.interp(self.s + shift, self.s, row, left=ground, right=ground)
        return out / float(weight.sum())


def _unroll(values: F64, band: Band, s: F64, t_left: F64, t_right: F64) -> _Face:
    rule = load("ripples.toml")["rise"]
    width = t_left - t_right
    full = np.flatnonzero(width > 0.5 * np.median(width))
    columns = band.s[(band.s >= s[full[0]]) & (band.s <= s[full[-1]])]
    mid = np.interp(columns, s, (t_left + t_right) / 2.0)
    half = np.interp(columns, s, width / 2.0)
    x = np.linspace(-rule["edge"], rule["edge"], rule["rows"])
    per_mm = band.px_per_mm
    rows = (band.t[0] - (mid + x[:, None] * half)) * (len(band.t) - 1) / (band.t[0] - band.t[-1])
    cols = np.broadcast_to((columns - band.s[0]) * per_mm, rows.shape)
    face = cv2.remap(np.asarray(values, np.float32), cols.astype(np.float32), rows.astype(np.float32), cv2.INTER_LINEAR)
    return _Face(face.astype(float), x, columns, float(np.median(half)))


def _basis(x: F64) -> F64:
    """The crest's shape across the face, rise 1 at the toes: parabola, straight-sided V, and a lean (3, K)."""
    return np.stack([x * x, np.abs(x), x])


def _slopes(face: _Face) -> tuple[F64, F64]:
    """Slope of the crest lines ds/dx at each row (K,) from the structure tensor, and its weight (K,)."""
    step_s, step_x = face.s[1] - face.s[0], face.x[1] - face.x[0]
    smooth = cv2.GaussianBlur(face.values, (0, 0), sigmaX=0.15 / step_s, sigmaY=max(0.15 / (step_x * face.half), 0.5))
    along = np.gradient(smooth, step_s, axis=1)
    across = np.gradient(smooth, step_x * face.half, axis=0)
    j_ss, j_tt, j_st = ((a * b).mean(axis=1) for a, b in ((along, along), (across, across), (along, across)))
    angle = 0.5 * np.arctan2(2.0 * j_st, j_ss - j_tt)
    coherence = np.hypot(j_ss - j_tt, 2.0 * j_st) / np.maximum(j_ss + j_tt, 1e-12)
    return -np.tan(np.clip(angle, -1.35, 1.35)) * face.half, coherence * (j_ss + j_tt)


def _shape(face: _Face) -> tuple[F64, float]:
    """Crest shape coefficients (3,) of :func:`_basis` in mm, and the standard uncertainty of the rise in mm.

    The structure tensor gives a first guess without any ambiguity of a whole pitch; sharpening the aligned profile
    refines it; how the two ways and the two halves of the bead differ tells the doubt.
    """

    rule = load("ripples.toml")["rise"]

    def first(f: _Face) -> F64:
        slope, weight = _slopes(f)
        design = np.stack([2.0 * f.x, np.sign(f.x), np.ones_like(f.x)], axis=1) * np.sqrt(weight)[:, None]
        return np.asarray(np.linalg.lstsq(design, slope * np.sqrt(weight), rcond=None)[0])

    whole = first(face)
    basis, weight = _basis(face.x), np.ones(len(face.x))

    level = face.values - gaussian_filter1d(face.values, rule["level"] / (face.s[1] - face.s[0]), axis=1)
    flat = _Face(level, face.x, face.s, face.half)

    def blur(c: F64) -> float:
        outside = max(abs(float(c[:2].sum())) / face.half - rule["most"], 0.0) + max(
            abs(float(c[2])) / face.half - 0.5, 0.0
        )
        return float(outside - np.var(flat.aligned(c @ basis, weight)))

    rises = face.half * np.linspace(-rule["most"], rule["most"], 25)
    starts = [whole, *(np.array([rise * (1.0 - vee), rise * vee, 0.0]) for rise in rises for vee in (0.1, 0.7))]
    start = min(starts, key=blur)
    simplex = np.stack([start, *(start + d for d in 0.25 * np.eye(3))])
    coefficients = minimize(
        blur, start, method="Nelder-Mead", options={"initial_simplex": simplex, "maxfev": 80, "xatol": 0.02}
    ).x
    middle = len(face.s) // 2
    parts = [
        first(_Face(face.values[:, cut], face.x, face.s[cut], face.half))
        for cut in (slice(0, middle), slice(middle, None))
    ]
    ways = [float(p[:2].sum()) for p in (*parts, coefficients, whole)]
    return np.asarray(coefficients), float(np.std(ways, ddof=1))


def _reward(profile: F64, step: float) -> F64:
    """How much each place looks like a crest: +1 on a typical crest, -1 in a typical trough, by local contrast."""
    rule = load("ripples.toml")["crest"]
    smooth = gaussian_filter1d(profile, rule["smooth"] / step)
    size = int(rule["window"] / step) | 1
    low, high = (gaussian_filter1d(percentile_filter(smooth, q, size, mode="nearest"), size / 6) for q in (10, 92))
    contrast = high - low
    floor = 0.4 * float(np.median(contrast)) + 1e-9
    return np.asarray(np.clip(2.0 * (smooth - (low + high) / 2.0) / np.maximum(contrast, floor), -1.0, 1.0))


def _chain(reward: F64, step: float, pitch: float) -> tuple[list[int], float]:
    """The chain of crests that gains most reward at spacings near ``pitch``: indices and its score."""
    rule = load("ripples.toml")["crest"]
    gaps = np.arange(max(int(0.4 * pitch / step), 2), int(2.2 * pitch / step) + 1)
    ratio = np.log(gaps * step / pitch)
    penalty = np.where(ratio > 0, rule["wide_cost"], rule["narrow_cost"]) * ratio**2
    n, widest = len(reward), int(gaps[-1])
    score = np.full(n + widest, -np.inf)
    back = np.full(n, -1)
    for i in range(n):
        before = score[i + widest - gaps] - penalty
        best = int(np.argmax(before))
        free = -0.3 * i * step / pitch  # leaving out the ripples before the first crest is not free
        if before[best] > free:
            score[i + widest], back[i] = reward[i] + before[best], i - gaps[best]
        else:
            score[i + widest] = reward[i] + free
    total = score[widest:] - 0.3 * (n - 1 - np.arange(n)) * step / pitch
    at = int(np.argmax(total))
    best_total = float(total[at])
    chain = []
    while at >= 0:
        chain.append(at)
        at = int(back[at])
    return chain[::-1], best_total


def read_ripples(band: Band, s: F64, t_left: F64, t_right: F64) -> Ripples:
    """The crests of a bead; stations ``s`` (N,) with toes ``t_left``, ``t_right`` (N,).

    They are read from the reader's ``crest`` map; where that shows none, from the light and dark of the photo itself.
    Missing, faint and doubled crests are bridged: the chain that fits best at near-even spacing is taken.
    """
    needed = load("ripples.toml")["crest"]
    by_map = _read(np.asarray(band.maps["crest"], float), needed["contrast"], band, s, t_left, t_right)
    if by_map.contrast >= 1.0:
        return by_map
    by_light = _read(_relief(band), needed["contrast_light"], band, s, t_left, t_right)
    return by_light if by_light.contrast >= 1.0 else by_map


def _relief(band: Band) -> F64:
    """Light and dark at the size of ripples, evened out over the face: the photo's own sign of relief (H, L)."""
    fine, coarse, around = (k * band.px_per_mm for k in load("ripples.toml")["light"]["scales"])
    grey = np.log(cv2.cvtColor(band.image, cv2.COLOR_BGR2GRAY).astype(np.float32) + 8.0)
    detail = cv2.GaussianBlur(grey, (0, 0), fine) - cv2.GaussianBlur(grey, (0, 0), coarse)
    strength = np.sqrt(cv2.GaussianBlur(detail * detail, (0, 0), around))
    return np.asarray(detail / (strength + 0.02), float)


def _read(values: F64, needed: float, band: Band, s: F64, t_left: F64, t_right: F64) -> Ripples:
    """The best chain of crests in one map."""
    rule = load("ripples.toml")
    face = _unroll(values, band, s, t_left, t_right)
    coefficients, rise_u = _shape(face)
    weight = np.exp(-0.5 * (face.x / rule["crest"]["weight_half"]) ** 2)
    step = float(face.s[1] - face.s[0])
    profile = face.aligned(coefficients @ _basis(face.x), weight)
    reward = _reward(profile, step)
    pitches = np.geomspace(rule["pitch"]["least"], rule["pitch"]["most"], 12)
    chain, _ = max((_chain(reward, step, float(p)) for p in pitches), key=lambda found: found[1])
    if len(chain) > 3:
        chain, _ = _chain(reward, step, float(np.median(np.diff(chain))) * step)
    at = np.array(chain)
    between = (at[1:] + at[:-1]) // 2
    return Ripples(
        s=_refined(face.s, gaussian_filter1d(profile, rule["crest"]["smooth"] / step), at),
        reward=reward[at],
        rise=float(coefficients[:2].sum()) / face.half,
        rise_u=rise_u / face.half,
        contrast=float(profile[at].mean() - profile[between].mean()) / needed if len(between) else 0.0,
    )


def _refined(s: F64, smooth: F64, at: NDArray[np.int64]) -> F64:
    """Crest places to a fraction of a column: the top of a parabola through the highest value near by."""
    near = np.clip(at[:, None] + np.arange(-3, 4), 1, len(s) - 2)
    top = near[np.arange(len(at)), np.argmax(smooth[near], axis=1)]
    a, b, c = smooth[top - 1], smooth[top], smooth[top + 1]
    bend = a - 2.0 * b + c
    shift = np.where(bend < -1e-9, 0.5 * (a - c) / np.where(bend < -1e-9, bend, -1.0), 0.0)
    return np.asarray(s[top] + np.clip(shift, -0.5, 0.5) * (s[1] - s[0]))


def travel_from_crests(band: Band, s: F64, t_left: F64, t_right: F64) -> tuple[int, float, str]:
    """Which way the bead was laid: +1 towards larger ``s``, -1 the other way, 0 not to be told; how sure, 0..1; why.

    The crescents' rise and the reader's ``forward`` map are two witnesses; when they disagree, neither is believed.
    """
    ripples = read_ripples(band, s, t_left, t_right)
    forward = _unroll(np.asarray(band.maps["forward"], float), band, s, t_left, t_right)
    lean = float(forward.values.mean()) * 2.0 - 1.0
    seen = float(np.clip(ripples.reward.mean(), 0.0, 1.0))
    crest = float(np.tanh(ripples.rise / 0.2)) * seen * min(1.0, abs(ripples.rise) / (2.0 * ripples.rise_u + 1e-9))
    together = 0.5 * (crest + lean) if crest * lean > 0 else (crest if abs(crest) > abs(lean) else lean) * 0.5
    confidence = min(abs(together), 0.99)
    sign = int(np.sign(together))
    ahead = "forward" if ripples.rise > 0 else "back"
    return (
        sign,
        confidence,
        (
            f"the arms of {len(ripples.s)} ripples sweep {ahead} by {abs(ripples.rise):.2f} of half the width; "
            f"the reader is {abs(lean):.0%} sure that the bead runs {'this' if lean > 0 else 'the other'} way"
        ),
    )
