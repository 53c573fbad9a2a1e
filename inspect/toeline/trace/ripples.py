"""Ripples of the weld face: crests, pitch, how pointed the crescents are, and the direction of travel they tell.

A ripple is a past trailing edge of the pool: its apex points back to the bead's start, its arms sweep forward at the
toes. Pitch is the mean spacing of crests along the line midway between the toes, the idea of RSm in ISO 21920-2.

Two witnesses see the same crests: the reader's ``crest`` map and the photo's own light and dark. From one photo a
crest and a trough can look alike, and light from one side shows the two flanks of a bead differently; but each strip
of the face repeats with the same period. So strips are put together by what they share, whatever their phase.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len
from scipy.ndimage import gaussian_filter1d

from toeline.trace.band import F32, F64, U8, Band
from toeline.trace.figures import RippleFigures


@dataclass(frozen=True)
class Ripples:
    """Crests of a bead. ``s`` (n,) where each crosses the mid line; ``reward`` (n,) how clearly each is seen, -1..1;
    ``rise`` how far the arms run ahead of the apex at the toes over half the width, with its standard uncertainty
    ``rise_u``; positive when the arms sweep towards larger ``s``. ``contrast``: how far
    crests stand out, 1 where they just can be told from noise; ``charted``: the reader's crest map (0..1) on the middle
    of the face, on average: light alone repeats on flow lines along the travel, too."""

    s: F64
    reward: F64
    rise: float
    rise_u: float
    contrast: float
    charted: float

    @cached_property
    def gaps(self) -> F64:
        """Spacings of neighbouring crests (n - 1,)."""
        return np.diff(self.s)

    def within(self, lo: float, hi: float) -> Ripples:
        """The crests between two seam coordinates."""
        keep = (self.s >= lo) & (self.s <= hi)
        return Ripples(self.s[keep], self.reward[keep], self.rise, self.rise_u, self.contrast, self.charted)

    @property
    def across(self) -> bool:
        """Whether something runs across the face, be it coarse: the fainter it is, the more the reader has to hold for
        crests."""
        rule = RippleFigures.read().crest
        return float(np.log(max(self.charted, 1e-6))) + rule.told_contrast * self.contrast >= rule.told

    @property
    def told(self) -> bool:
        """Whether ripples are told: what lies far apart may be lumps, or a crest in two."""
        coarse = len(self.s) > 1 and float(self.gaps.mean()) >= RippleFigures.read().crest.coarsest
        return self.across and not coarse

    @property
    def doubtful(self) -> int:
        """How many crests are hardly seen, or gaps look like a crest too many or too few."""
        if len(self.s) < 3:
            return len(self.s)
        typical = float(np.median(self.gaps))
        odd = np.sum((self.gaps > 1.7 * typical) | (self.gaps < 0.5 * typical))
        return int(np.sum(self.reward < 0.0) + odd)


C64 = NDArray[np.complex64]
C128 = NDArray[np.complex128]


def _phases(turns: F64) -> C64:
    """exp(2 pi i ``turns``), in single precision, which is plenty."""
    angle = (2.0 * np.pi * turns).astype(np.float32)
    factors = np.empty(angle.shape, np.complex64)
    factors.real, factors.imag = np.cos(angle), np.sin(angle)
    return factors


@dataclass(frozen=True)
class _Waves:
    """Both witnesses unrolled between the toes, as spectra along the seam.

    ``witness`` (2, K, F): crest map and light, rows ``x`` (K,) -1 right .. +1 left, at frequencies ``f`` (F,) per mm;
    ``s`` (L,) the columns, ``half`` the bead's half width, ``size`` the length of the transform; ``charted`` as of
    :class:`Ripples`.
    """

    witness: C64
    x: F64
    f: F64
    s: F64
    half: float
    size: int
    charted: float

    def turned(self, shape: F64) -> C64:
        """Phase factors (K, F) that shift rows back by ``shape`` (K,) mm."""
        return _phases(np.outer(shape, self.f))

    def along(self, spectrum: C128) -> C128:
        """The analytic signal (L,) of a spectrum (F,)."""
        whole = np.zeros(self.size, complex)
        first = round(float(self.f[0] / (self.f[1] - self.f[0])))
        whole[first : first + len(spectrum)] = 2.0 * spectrum
        return np.asarray(np.fft.ifft(whole)[: len(self.s)])


def _unroll(layer: U8 | F32, band: Band, s: F64, t_left: F64, t_right: F64) -> tuple[F32, F64, F64, float]:
    """A layer of the band between the toes: values (K, L), rows ``x`` (K,), columns ``s`` (L,), half width."""
    rule = RippleFigures.read().face
    width = t_left - t_right
    full = np.flatnonzero(width > 0.5 * np.median(width))
    columns = band.s[(band.s >= s[full[0]]) & (band.s <= s[full[-1]])]
    smooth = rule.smooth / float(s[1] - s[0])
    mid = np.interp(columns, s, gaussian_filter1d((t_left + t_right) / 2.0, smooth, mode="nearest"))
    half = np.interp(columns, s, gaussian_filter1d(width / 2.0, smooth, mode="nearest"))
    x = np.linspace(-rule.edge, rule.edge, rule.rows)
    rows = (band.t[0] - (mid + x[:, None] * half)) * (len(band.t) - 1) / (band.t[0] - band.t[-1])
    cols = np.broadcast_to((columns - band.s[0]) * band.px_per_mm, rows.shape)
    face = cv2.remap(layer, cols.astype(np.float32), rows.astype(np.float32), cv2.INTER_LINEAR)
    return np.asarray(face, np.float32), x, columns, float(np.median(half))


def _evened(face: F32, step: float, coarser: float) -> F32:
    """What changes along the face at the size of ripples so much coarser than usual, in units of its local strength
    (K, L)."""
    rule = RippleFigures.read().face
    fine, coarse, around = (coarser * k / step for k in rule.scales)

    def blurred(values: F32, along: float, rows: float) -> F32:
        return np.asarray(cv2.GaussianBlur(values, (0, 0), sigmaX=along, sigmaY=rows), np.float32)

    detail = blurred(face, fine, 1e-3) - blurred(face, coarse, 1e-3)
    strength = np.sqrt(blurred(detail * detail, around, 2.0))
    return np.asarray(np.clip(detail / (strength + rule.floor), -3.0, 3.0), np.float32)


def _waves(band: Band, s: F64, t_left: F64, t_right: F64, coarser: float) -> _Waves:
    rule = RippleFigures.read().face
    grey = np.asarray(cv2.cvtColor(band.image, cv2.COLOR_BGR2GRAY), np.uint8)
    light, x, columns, half = _unroll(grey, band, s, t_left, t_right)
    chance = np.clip(_unroll(np.asarray(band.maps["crest"], np.float32), band, s, t_left, t_right)[0], 1e-3, 1 - 1e-3)
    step = 1.0 / band.px_per_mm
    n = len(columns)
    size = int(next_fast_len(n + 2 * round(rule.pad / step)))
    f: F64 = np.asarray(np.fft.rfftfreq(size, step), np.float64)
    lowest, highest = rule.frequencies
    keep = (f >= lowest) & (f <= highest)
    taper = np.minimum(1.0, np.minimum(np.arange(n) + 1, n - np.arange(n)) * step / rule.taper)

    def spectrum(face: F32) -> C64:
        even = _evened(face, step, coarser)
        even = (even - even.mean(axis=1, keepdims=True)) * taper
        return np.fft.rfft(even, size, axis=1)[:, keep].astype(np.complex64)

    chart = np.float32(rule.crest_weight) * spectrum(np.log(chance / (1.0 - chance)))
    both = np.stack([chart, spectrum(np.log(light + np.float32(8.0)))])
    charted = float(chance[np.abs(x) <= RippleFigures.read().crest.charted].mean())
    return _Waves(both, x, f[keep], columns, half, size, charted)


@dataclass(frozen=True)
class _Shape:
    """The crest's course across the face in half widths: rise at the toes, how straight-sided (0..1), and lean."""

    rise: float
    vee: float
    lean: float

    def at(self, x: F64) -> F64:
        """How far the crest runs ahead of its apex at ``x`` (K,), in half widths."""
        return self.rise * ((1.0 - self.vee) * x * x + self.vee * np.abs(x)) + self.lean * x


def _powers(right: C64, left: C64) -> F64:
    """What the rows summed over the right and over the left arm (2, F, ...) hold in common: power (2, 2, ...) of either
    arm, for each witness.

    The arms are summed apart, for light from one side puts them out of step.
    """

    def power(spectra: C64) -> F64:
        return np.asarray(np.sum(spectra.real**2 + spectra.imag**2, axis=1, dtype=float))

    both = 0.5 * power(right + left)
    return np.stack([power(right) + both, power(left) + both], axis=1)


def _shape(waves: _Waves) -> tuple[_Shape, float]:
    """The shape that brings the rows best into step, and the standard uncertainty of its rise in half widths.

    How far apart the two witnesses and the two arms would each have the rise tells the doubt.
    """
    rule = RippleFigures.read().rise
    total = np.sum(np.abs(waves.witness) ** 2, axis=(1, 2), keepdims=True)
    spectra = np.asarray(waves.witness / np.sqrt(total + 1e-9), np.complex64)

    middle = len(waves.x) // 2

    def power(shape: _Shape) -> F64:
        level = spectra * waves.turned(shape.at(waves.x) * waves.half)
        return _powers(level[:, : middle + 1].sum(axis=1), level[:, middle:].sum(axis=1))

    # without a lean both arms are alike, so all rises go through one product: frequency, witness and arm, row
    arms = np.stack([spectra[:, : middle + 1], spectra[:, : middle - 1 : -1]], axis=1)
    arms = np.ascontiguousarray(arms.transpose(3, 1, 0, 2)).reshape(len(waves.f), 4, middle + 1)
    rises = np.arange(-rule.most, rule.most + rule.step / 2, rule.step)
    best, best_power = _Shape(0.0, 0.0, 0.0), -1.0
    for vee in rule.vees:
        ahead = _Shape(1.0, vee, 0.0).at(waves.x[: middle + 1]) * waves.half
        summed = (arms @ _phases(np.multiply.outer(waves.f, np.multiply.outer(ahead, rises)))).swapaxes(0, 1)
        each = _powers(summed[:2], summed[2:]).sum(axis=(0, 1))
        top = int(each.argmax())
        if each[top] > best_power:
            best, best_power = _Shape(float(rises[top]), vee, 0.0), float(each[top])
    steps = {"lean": 0.1, "rise": rule.step, "vee": 0.2}
    for _ in range(rule.rounds):
        for name, step in steps.items():
            for way in (-step, step):
                while True:
                    tried = replace(best, **{name: getattr(best, name) + way})
                    here = float(power(tried).sum()) if 0.0 <= tried.vee <= 1.0 and abs(tried.lean) < 0.5 else -1.0
                    if here <= best_power:
                        break
                    best, best_power = tried, here
        steps = {name: step / 2.0 for name, step in steps.items()}
    around = best.rise + rule.step * np.arange(-4, 5)
    apart = np.stack([power(replace(best, rise=float(rise))) for rise in around])
    seen = total.ravel() > 0
    single = around[apart.argmax(axis=0)][seen]
    return best, float(np.hypot(np.std(single), rule.step / 4.0))


def _strips(waves: _Waves, shape: _Shape) -> C128:
    """Rows brought into step and averaged into a few strips of the face for each witness (2 * strips, F)."""
    level = waves.witness * waves.turned(shape.at(waves.x) * waves.half)
    groups = np.array_split(np.arange(len(waves.x)), RippleFigures.read().face.strips)
    return np.concatenate([[seen[g].mean(axis=0) for g in groups] for seen in level]).astype(complex)


def _usual_pitch(waves: _Waves, strips: C128) -> float:
    """The pitch at which the strips hold most power in a band of even ratio."""
    rule = RippleFigures.read().pitch
    tried = np.geomspace(1.0 / rule.most, 1.0 / rule.least, 90)
    near = np.exp(-0.5 * ((waves.f / tried[:, None] - 1.0) / rule.band) ** 2)
    power = near @ np.sum(np.abs(strips) ** 2, axis=0)
    tops = np.flatnonzero((power[1:-1] > power[:-2]) & (power[1:-1] >= power[2:])) + 1
    return float(1.0 / tried[tops[power[tops].argmax()] if len(tops) else power.argmax()])


def _together(waves: _Waves, strips: C128, pitch: float) -> tuple[C128, float]:
    """One analytic signal (L,) of ripples near ``pitch``, 0 phase on a crest, and the share of power it explains.

    It is the leading principal component of the strips: each comes in at the phase and strength at which it follows
    the others. Crests are where the strips of the crest map near the mid line say.
    """
    rule = RippleFigures.read().crest
    octave = np.log(waves.f * pitch)
    outside = np.maximum(octave - np.log(rule.highest), 0.0) + np.maximum(np.log(rule.lowest) - octave, 0.0)
    banded = strips * np.exp(-0.5 * (outside / 0.12) ** 2)
    strength, ways = np.linalg.eigh(banded @ banded.conj().T)
    way = ways[:, -1]
    n = len(way) // 2
    middle = np.exp(-0.5 * (np.linspace(-1.0, 1.0, n) / rule.middle) ** 2)
    chart, light = np.sum(middle * way[:n]), np.sum(middle * way[n:])
    way = way * np.exp(-1j * np.angle(chart if abs(chart) > 1e-3 else light))
    return waves.along(way.conj() @ banded), float(strength[-1] / max(strength.sum(), 1e-12))


def _chain(s: F64, reward: F64, pitch: float) -> NDArray[np.int64]:
    """The columns of the chain of crests that gains most ``reward`` (L,) at spacings near ``pitch``."""
    rule = RippleFigures.read().crest
    each = rule.places  # places tried in each pitch
    places = np.arange(s[0], s[-1], pitch / each)
    gain = np.interp(places, s, reward).tolist()
    gaps = np.arange(round(rule.narrowest * each), round(rule.widest * each) + 1)
    uneven = rule.uneven * np.log(gaps / each) ** 2
    least, widest, left_out = int(gaps[0]), int(gaps[-1]), rule.left_out / each
    score = np.full(len(places) + widest, -np.inf)
    back = [-1] * len(places)
    for i, own in enumerate(gain):
        before = score[i : i + widest - least + 1][::-1] - uneven  # of the places so far off, the nearest first
        best = int(before.argmax())
        alone = -left_out * i  # leaving out the ripples before the first crest is not free
        if before[best] > alone:
            score[i + widest], back[i] = own + before[best], i - least - best
        else:
            score[i + widest] = own + alone
    k = int((score[widest:] + left_out * np.arange(len(places))).argmax())
    chain = []
    while k >= 0:
        chain.append(k)
        k = back[k]
    return np.asarray(np.searchsorted(s, places[chain[::-1]] - 0.5 * (s[1] - s[0])), np.int64)


def read_ripples(band: Band, s: F64, t_left: F64, t_right: F64) -> Ripples:
    """The crests of a bead; stations ``s`` (N,) with toes ``t_left``, ``t_right`` (N,).

    They are read from the reader's ``crest`` map and from the light and dark of the photo together. Missing, faint
    and doubled crests are bridged: the chain that fits best at near-even spacing is taken. Coarse ripples are read once
    more, evened out over as much as their size asks for; their course across the face is that of the first reading.
    """
    waves = _waves(band, s, t_left, t_right, 1.0)
    shape = _shape(waves)
    found, pitch = _read(waves, *shape)
    coarser = pitch / RippleFigures.read().face.usual_pitch
    if coarser <= 1.0:
        return found
    # what evens out light and dark over a usual ripple takes a coarse one's own away
    return _read(_waves(band, s, t_left, t_right, coarser), *shape)[0]


def _read(waves: _Waves, shape: _Shape, rise_u: float) -> tuple[Ripples, float]:
    """The crests as of :func:`read_ripples`, of this course across the face, and their pitch, mm."""
    rule = RippleFigures.read().crest
    strips = _strips(waves, shape)
    pitch = _usual_pitch(waves, strips)
    signal, share = _together(waves, strips, pitch)
    wave, step = signal.real, float(waves.s[1] - waves.s[0])
    usual = gaussian_filter1d(np.abs(signal), 2.0 * pitch / step, mode="nearest")
    usual = np.maximum(usual, 0.5 * np.median(usual)) + 1e-12
    reward = np.clip(wave / usual, -1.5, 1.5)
    chain = _chain(waves.s, reward, pitch)
    if len(chain) > 3:
        pitch = float(np.diff(waves.s[chain]).mean())
        chain = _chain(waves.s, reward, pitch)
    crests = _refined(waves.s, wave, chain)
    ripples = Ripples(
        s=crests,
        reward=np.clip(reward[chain], -1.0, 1.0),
        rise=shape.rise,
        rise_u=rise_u,
        contrast=share / rule.share,
        charted=waves.charted,
    )
    return ripples, pitch


def _refined(s: F64, wave: F64, at: NDArray[np.int64]) -> F64:
    """Crest places to a fraction of a column: the top of a parabola through the highest value near by."""
    near = np.clip(at[:, None] + np.arange(-3, 4), 1, len(s) - 2)
    top = near[np.arange(len(at)), np.argmax(wave[near], axis=1)]
    a, b, c = wave[top - 1], wave[top], wave[top + 1]
    bend = a - 2.0 * b + c
    shift = np.where(bend < -1e-9, 0.5 * (a - c) / np.where(bend < -1e-9, bend, -1.0), 0.0)
    return np.asarray(s[top] + np.clip(shift, -0.5, 0.5) * (s[1] - s[0]))


def travel_from_crests(band: Band, s: F64, t_left: F64, t_right: F64) -> tuple[int, float, str]:
    """Which way the bead was laid: +1 towards larger ``s``, -1 the other way, 0 not to be told; how sure, 0..1; why.

    ``s``, ``t_left`` and ``t_right`` are (N,) mm. The crescents' rise and the reader's ``forward`` map are two
    witnesses: where they disagree the surer one decides, half as surely.
    """
    waves = _waves(band, s, t_left, t_right, 1.0)
    ripples, _ = _read(waves, *_shape(waves))
    forward = _unroll(np.asarray(band.maps["forward"], np.float32), band, s, t_left, t_right)[0]
    lean = float(forward.mean()) * 2.0 - 1.0
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
