"""A fillet's size from its traced toes: legs, throat, face width and joint angle, with their uncertainty budgets.

A leg is the distance on its plate from the root line to the toe. The theoretical throat is the height of the triangle
that both legs and the angle between the plates make, over its third side; that side is the face width. Both presume
the fusion reaches the root and the face is flat or convex: a photo shows neither fusion nor a hollow.

Noise of the traced toes makes the spread along the weld too wide, the least too small and the greatest too large: what
it adds is taken out (:mod:`toeline.measures.toe_errors`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from toeline.geometry.figures import FilletFigures
from toeline.geometry.fillet_frame import FilletFrame
from toeline.measures.body import body_of
from toeline.measures.figures import MeasureFigures
from toeline.measures.registry import MEASURES, ids, unknown_of
from toeline.measures.toe_errors import Statistics, estimate, reader_bias, toe_noise
from toeline.measures.width_and_edges import SHORT
from toeline.problems import problem
from toeline.result import Indication, Problem, Quantity, Side, unknown
from toeline.trace.band import F64, TracedBead
from toeline.uncertainty import COVERAGE, propagate, quantity, rows_of

ONE_PLATE = "both toes were traced on one plate, so the plates or the toes were mistaken"

_GAP = "base less upright"
_SERIES = ("leg_base", "leg_upright", "throat", "face_width", _GAP)


def throat_and_face(base: F64, upright: F64, angle: float | F64) -> tuple[F64, F64]:
    """Theoretical throat and face width of legs at ``angle`` (radians): the triangle's height and its third side."""
    face = np.sqrt(base**2 + upright**2 - 2 * base * upright * np.cos(angle))
    return np.asarray(base * upright * np.sin(angle) / face), np.asarray(face)


def unknown_fillet(why: str) -> dict[str, Quantity]:
    """All of a fillet's measures as what cannot be had, with the reason."""
    return unknown_of(["legs"], why)


def root_ends(bead: TracedBead) -> F64:
    """Where the root line shows beside a traced fillet: midway between the toes at its two ends, px (2, 2)."""
    ends = np.array([0, -1])
    return np.asarray(bead.frame.to_px((bead.left_toe[ends] + bead.right_toe[ends]) / 2))


def measure_fillet(frame: FilletFrame, bead: TracedBead) -> dict[str, Quantity]:
    """Legs, throat, face width and joint angle of a traced fillet by name, each with U (k = 2).

    ``leg_base``, ``leg_upright``, ``throat`` and ``face_width`` are means over the body. With ``_min``, ``_max`` and
    ``_sd`` a leg's or the throat's least, greatest and standard deviation along it, with ``_min_at`` the seam
    coordinate of the least.
    ``leg_inequality`` is the difference of the mean legs, ``leg_inequality_max`` the greatest at any station. The bead
    may have been traced in another frame of the same photo: its toes are looked up in ``frame``.
    """
    toes = _Toes.of(frame, bead, body_of(bead))
    if isinstance(toes, str):
        return unknown_fillet(toes) | {"joint_angle": _joint_angle(frame)}
    noise = toe_noise(toes.s, toes.u_base, toes.u_upright)
    found, _ = estimate(
        lambda sizes: _statistics(toes, sizes),
        _named,
        toes.sizes,
        _sizes(noise[:, 0], noise[:, 1], np.zeros(len(noise))),
        _sources(frame, toes),
    )
    measures = {name: replace(one, n=len(toes.s)).quantity(MEASURES[name].unit) for name, one in found.items()}
    return measures | {"joint_angle": _joint_angle(frame)}


def undersize_share(
    frame: FilletFrame, bead: TracedBead, size_mm: float, size_is: Literal["leg", "throat"] = "leg"
) -> Quantity:
    """Share (0..1) of the body's length over which the weld is below ``size_mm``, the drawing's leg or throat.

    By a leg either one counts, by a throat the theoretical one of both legs there. U is how much that share changes
    when the size is one expanded uncertainty larger or smaller all along.
    """
    toes = _Toes.of(frame, bead, body_of(bead))
    if isinstance(toes, str):
        return unknown(toes, "1")
    size, U = _along(frame, toes, _throat if size_is == "throat" else _least_leg)
    share, large, small = (float((size + off < size_mm).mean()) for off in (0.0, U, -U))
    return Quantity(value=share, U=max(small - share, share - large), unit="1", n=len(toes.s))


def sizes_along(frame: FilletFrame, bead: TracedBead) -> dict[str, F64]:
    """Legs, theoretical throat and the throat's U (k = 2) at the bead's stations: name -> (N,) mm; empty if not known.

    NaN outside the body and where a toe does not lie on its plate.
    """
    toes = _Toes.of(frame, bead, body_of(bead))
    if isinstance(toes, str):
        return {}
    throat, U = _along(frame, toes, _throat)
    base, upright, _ = _legs_and_angle(toes.sizes)
    at = np.searchsorted(bead.s, toes.s)
    along = {}
    for name, values in (("leg_base", base), ("leg_upright", upright), ("throat", throat), ("throat_U", U)):
        along[name] = np.full(len(bead.s), np.nan)
        along[name][at] = values
    return along


def plate_of(frame: FilletFrame, bead: TracedBead) -> dict[Side, Literal["base", "upright"]]:
    """Which plate the left and the right toe lie on: ``base`` or ``upright``; empty where both seem to lie on one, or
    one on neither."""
    across = [_surface(frame, bead, t)[:, 1] for t in (bead.t_left, bead.t_right)]
    left, right = (float(np.median(toe[np.isfinite(toe)])) if np.isfinite(toe).any() else np.nan for toe in across)
    if not left * right < 0:
        return {}
    return {"left": "base", "right": "upright"} if left > 0 else {"left": "upright", "right": "base"}


def name_plates(frame: FilletFrame, bead: TracedBead, indications: tuple[Indication, ...]) -> tuple[Indication, ...]:
    """The indications with the plate named on which their side's toe lies, where they have a side."""
    plates = plate_of(frame, bead)
    return tuple(
        i.model_copy(update={"plate": plates[i.side]}) if i.side is not None and i.side in plates else i
        for i in indications
    )


def toe_problems(frame: FilletFrame, bead: TracedBead) -> tuple[Problem, ...]:
    """A problem where the weld's face is seen so flatly that its bulge hides a toe."""
    toes = _Toes.of(frame, bead, (float(bead.s[0]), float(bead.s[-1])))
    if isinstance(toes, str):
        return ()
    on_base, on_upright = (frame.wedge.points(mm) for mm in (toes.base_mm, toes.upright_mm))
    face = on_upright - on_base
    outward = np.cross(frame.wedge.axes[:, 0], face)
    outward *= np.sign(outward @ (frame.wedge.axes[:, 1] - frame.wedge.axes[:, 2]))[:, None]
    middle = (on_base + on_upright) / 2
    sine = -(outward * middle).sum(axis=1) / (np.linalg.norm(outward, axis=1) * np.linalg.norm(middle, axis=1))
    sight = float(np.degrees(np.arcsin(np.median(sine))))
    if sight >= FilletFigures.read().toe.min_sight:
        return ()
    from_root = frame.wedge.axes.T @ -frame.wedge.root
    low_over_base = -from_root[2] / np.hypot(from_root[1], from_root[2]) < np.sin(frame.wedge.angle / 2)
    return (problem("toe_hidden", plate="upright" if low_over_base else "base plate", deg=f"{max(sight, 0):.0f}"),)


def _surface(frame: FilletFrame, bead: TracedBead, t: F64) -> F64:
    """Surface coordinates (N, 2) in ``frame`` of the offsets ``t`` (N,) from the seam."""
    mm = bead.band.to_surface(bead.s, t)
    return mm if bead.frame is frame else frame.to_mm(bead.frame.to_px(mm))


@dataclass(frozen=True, slots=True)
class _Toe:
    """One toe in the fillet's frame (N, 2), and its standard uncertainty (N,) square to the root."""

    mm: F64
    u: F64

    @classmethod
    def of(cls, frame: FilletFrame, bead: TracedBead, t: F64, u: F64) -> _Toe:
        """The toe at offsets ``t`` from the seam, found to ``u``."""
        mm = _surface(frame, bead, t)
        return cls(mm, np.abs(_surface(frame, bead, t + u)[:, 1] - _surface(frame, bead, t - u)[:, 1]) / 2)


@dataclass(frozen=True, slots=True)
class _Toes:
    """Legs and joint angle, as ``sizes`` (2 N + 1,) of :func:`_sizes`, at even stations ``s`` (N,), with the toes' own
    standard uncertainty and their places on the plates (N, 2)."""

    s: F64
    sizes: F64
    u_base: F64
    u_upright: F64
    base_mm: F64
    upright_mm: F64
    sure: NDArray[np.bool_]

    @classmethod
    def of(cls, frame: FilletFrame, bead: TracedBead, stretch: tuple[float, float] | None) -> _Toes | str:
        """The toes of a stretch of the seam, or why there are none."""
        if stretch is None:
            return SHORT
        plates = plate_of(frame, bead)
        if not plates:
            return ONE_PLATE
        at = (bead.s >= stretch[0]) & (bead.s <= stretch[1])
        left = _Toe.of(frame, bead, bead.t_left, bead.u_left)
        right = _Toe.of(frame, bead, bead.t_right, bead.u_right)
        base, upright = (left, right) if plates["left"] == "base" else (right, left)
        at &= (base.mm[:, 1] > 0) & (upright.mm[:, 1] < 0)
        sure = np.maximum(base.u, upright.u)[at] < MeasureFigures.read().toe.far
        if at.sum() < 2:
            return ONE_PLATE
        return cls(
            s=bead.s[at],
            sizes=_sizes(base.mm[at, 1], -upright.mm[at, 1], np.array(frame.wedge.angle)),
            u_base=base.u[at],
            u_upright=upright.u[at],
            base_mm=base.mm[at],
            upright_mm=upright.mm[at],
            sure=sure if sure.any() else np.ones(int(at.sum()), bool),
        )


def _sizes(base: F64, upright: F64, angle: F64) -> F64:
    """Legs (..., N) and joint angle (...), radians, in one vector (..., 2 N + 1): what a fillet's size is made of."""
    return np.concatenate([base, upright, angle[..., None]], axis=-1)


def _legs_and_angle(sizes: F64) -> tuple[F64, F64, F64]:
    """Base leg (..., N), upright leg (..., N) and joint angle (..., 1) of a vector of :func:`_sizes`."""
    n = sizes.shape[-1] // 2
    return sizes[..., :n], sizes[..., n : 2 * n], sizes[..., 2 * n :]


def _statistics(toes: _Toes, sizes: F64) -> Statistics:
    """Mean, least, greatest, variance over the stations and place of the least of each series; values (...)."""
    base, upright, angle = _legs_and_angle(sizes)
    throat, face = throat_and_face(base, upright, angle)
    out: dict[str, F64] = {}
    for name, values in zip(_SERIES, (base, upright, throat, face, base - upright), strict=True):
        known = values[..., toes.sure]
        out[name], out[f"{name}_var"] = values.mean(axis=-1), values.var(axis=-1)
        out[f"{name}_min"], out[f"{name}_max"] = known.min(axis=-1), known.max(axis=-1)
        out[f"{name}_min_at"] = toes.s[toes.sure][known.argmin(axis=-1)]
    return out


def _named(raw: Statistics, added: Statistics) -> Statistics:
    """The measures from statistics, with the variance that noise ``added`` to each series taken out.

    Least and greatest draw in towards the mean as much as the standard deviation does.
    """
    out: dict[str, F64] = {}
    for name in _SERIES:
        mean, var = raw[name], raw[f"{name}_var"]
        net = np.maximum(var - added[f"{name}_var"], 0.0)
        kept = np.sqrt(net / np.maximum(var, np.finfo(float).tiny))
        out[name], out[f"{name}_sd"], out[f"{name}_min_at"] = mean, np.sqrt(net), raw[f"{name}_min_at"]
        for what in ("_min", "_max"):
            out[name + what] = mean + kept * (raw[name + what] - mean)
    out["leg_inequality"] = np.abs(out[_GAP])
    out["leg_inequality_max"] = np.maximum(np.abs(out[f"{_GAP}_min"]), np.abs(out[f"{_GAP}_max"]))
    return {name: out[name] for name in ids(["legs"]) if name != "joint_angle"}


def _sources(frame: FilletFrame, toes: _Toes) -> dict[str, F64]:
    """What the frame's errors and the toe reader's own bias do to the sizes: source -> (M, 2 N + 1)."""
    base, upright = (frame.error_modes(frame.to_px(mm)) for mm in (toes.base_mm, toes.upright_mm))
    bias = reader_bias(toes.u_base, toes.u_upright)
    return {
        **{
            label: _sizes(base[label][..., 1], -upright[label][..., 1], rows[:, -1])
            for label, rows in frame.modes.items()
        },
        "toe reader": _sizes(bias[:, 0], bias[:, 1], np.zeros(len(bias))),
    }


def _along(frame: FilletFrame, toes: _Toes, size: Callable[[F64], F64]) -> tuple[F64, F64]:
    """A size at each station (N,), a function of the vector of :func:`_sizes`, and its U (k = 2); the toes' scatter is
    left out, as it evens out."""
    moved = propagate(lambda sizes: {"size": size(sizes)}, toes.sizes, _sources(frame, toes))["size"]
    return size(toes.sizes), np.asarray(COVERAGE * np.linalg.norm(np.concatenate(list(moved.values())), axis=0))


def _least_leg(sizes: F64) -> F64:
    """The smaller leg at each station (..., N)."""
    base, upright, _ = _legs_and_angle(sizes)
    return np.minimum(base, upright)


def _throat(sizes: F64) -> F64:
    """The theoretical throat at each station (..., N)."""
    return throat_and_face(*_legs_and_angle(sizes))[0]


def _joint_angle(frame: FilletFrame) -> Quantity:
    """The angle between the plates, degrees."""
    if frame.angle_said:
        return unknown("the joint angle was stated, not measured: that takes a card on each plate", "deg")
    return quantity(frame.joint_angle_deg, rows_of(frame.joint_angle_modes), "deg", 2)
