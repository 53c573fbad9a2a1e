"""Fit the poses of one or several cards and the camera together: least squares over all marker corners.

The unknowns are the camera (5, with what is known of it as a prior), and for each card its pose (6) and the ink gain
(2, with a prior). Cards are taken at their designed size: lengths come out in *card* mm, and the print scale is
applied afterwards, by the plate. The result's covariance is kept split by source, so that a budget can name them
(law of propagation, JCGM 100:2008, 5.2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from toeline.errors import CardError
from toeline.geometry.card import FoundCard
from toeline.geometry.figures import CameraFigures, CardFigures
from toeline.geometry.optics import Camera, matrix_and_lens, project_with_derivatives, rotation

F64 = NDArray[np.float64]

#: Labels of the sources of uncertainty of a fit.
CORNERS, FOCAL, LENS = "corners", "focal length", "lens"
_CAMERA, _CARD = 5, 8  # steps of the camera, and of a card: turn 3, move 3, ink gain 2
_MOST = 100  # looks at the residuals before a fit that goes nowhere is left where it is; ten are usual
_TRIAL, _HOPELESS = 10, 1000.0  # a second pose that is so many times worse after so many looks is let go


@dataclass(frozen=True, slots=True)
class Pose:
    """Where a card is: camera point = ``rotation`` @ (x, y, z) + ``place``, card mm, z into the plate."""

    rotation: F64
    place: F64

    def of(self, points: F64) -> F64:
        """Points (N, 3) of the card in the camera's frame."""
        return np.asarray(points @ self.rotation.T + self.place)

    def moved(self, step: F64) -> Pose:
        """After a small turn about the camera's axes and a move: ``step`` (6,)."""
        return Pose(rotation(step[:3]) @ self.rotation, self.place + step[3:6])


@dataclass(frozen=True, slots=True)
class CardFit:
    """Camera and cards fitted together.

    ``poses`` and ``ink_gains`` (2,) px are one per card. ``modes``: label -> (M, 5 + 8 m), each row a step of the
    camera (5) and of every card (turn about the camera's axes 3, move 3, ink gain 2) that one independent source makes
    when it is one standard uncertainty off; the covariance is the sum of their outer products. ``misfit`` is the root
    mean square residual in units of what the edges promised, ``rms_px`` the same in px.
    """

    camera: Camera
    poses: tuple[Pose, ...]
    ink_gains: tuple[F64, ...]
    modes: dict[str, F64]
    misfit: float
    rms_px: float
    chi_square: float

    def modes_of(self, index: int) -> dict[str, F64]:
        """The modes (M, 11) of the camera (5) and of the pose of one card (6)."""
        own = np.concatenate([np.arange(_CAMERA), _CAMERA + _CARD * index + np.arange(6)])
        return {label: rows[:, own] for label, rows in self.modes.items()}


def first_poses(card: FoundCard, camera: Camera) -> tuple[Pose, ...]:
    """The poses that a flat target allows, best first (OpenCV's infinitesimal plane-based solver)."""
    seen = _flat(card), card.corners_px, *matrix_and_lens(camera.parameters)
    _, turns, places, _ = cv2.solvePnPGeneric(*seen, flags=cv2.SOLVEPNP_IPPE)
    if not np.isfinite(turns).all():  # that solver divides by zero at some rare exact alignments
        _, *one = cv2.solvePnP(*seen, flags=cv2.SOLVEPNP_ITERATIVE)
        turns, places = ([np.asarray(part)] for part in one)
    return tuple(
        Pose(rotation(np.asarray(r)), np.asarray(t, float).ravel()) for r, t in zip(turns, places, strict=True)
    )


def fit_cards(cards: Sequence[FoundCard], camera: Camera, start: Sequence[Pose] | None = None) -> CardFit:
    """Fit ``cards``, seen in one photo or in several by one camera, and ``camera`` together.

    A flat target seen from afar has two poses that fit almost equally: both are tried and the better is kept, unless
    ``start`` says where to begin. Where the cards contradict the camera's focal length, its ``otherwise`` is fitted.

    Raises:
        CardError: no card, or corners that allow no pose.
    """
    if not cards:
        raise CardError("There is no card to work with: lay the printed card beside the bead.")
    try:
        fit = _better_of(cards, camera, start)
        if camera.otherwise is not None and _contradicted(fit, camera):
            fit = _better_of(cards, camera.otherwise, start)
    except (cv2.error, np.linalg.LinAlgError, ValueError) as error:
        raise CardError("The card's corners do not lie like a flat card: show the whole card, flat.") from error
    return fit


def _better_of(cards: Sequence[FoundCard], camera: Camera, start: Sequence[Pose] | None) -> CardFit:
    """The best fit over both poses that each card allows."""
    choices = [(pose,) for pose in start] if start else [first_poses(card, camera) for card in cards]
    best = [choice[0] for choice in choices]
    fit = _fit(cards, camera, best)
    for index, choice in enumerate(choices):
        for other in choice[1:]:
            poses = [*best[:index], other, *best[index + 1 :]]
            if _fit(cards, camera, poses, _TRIAL).chi_square > _HOPELESS * (1.0 + fit.chi_square):
                continue
            again = _fit(cards, camera, poses)
            if again.chi_square < fit.chi_square:
                fit, best[index] = again, other
    return fit


def _contradicted(fit: CardFit, camera: Camera) -> bool:
    """Whether the focal length that the cards alone would tell disagrees with the one that was believed before.

    The fit is the mean of both, weighted by how sure each is: what the fit owes to the one undoes it for the other.
    """
    moved = fit.camera.parameters[0] - camera.parameters[0]
    owed_to_cards = 1.0 - abs(float(fit.modes[FOCAL][0, 0])) / camera.u_focal_px
    u_else = float(np.linalg.norm(np.concatenate([fit.modes[CORNERS], fit.modes[LENS]])[:, 0]))
    limit = CameraFigures.read().check.max_focal_disagreement
    return bool(abs(moved) > limit * np.hypot(u_else, owed_to_cards * camera.u_focal_px))


def _fit(cards: Sequence[FoundCard], camera: Camera, poses: Sequence[Pose], most: int = _MOST) -> CardFit:
    """Least squares from ``poses`` (SciPy's Levenberg-Marquardt), and the covariance of where it ends after ``most``
    looks at the residuals or fewer.

    The unknowns are the camera, and for each card its rotation vector, place and ink gain. Residuals are in standard
    uncertainties.
    """
    roots = [np.linalg.cholesky(np.linalg.inv(c.covariance_px)).transpose(0, 2, 1) for c in cards]
    prior_camera = np.linalg.cholesky(np.linalg.inv(camera.covariance)).T
    gain_weight = 1.0 / CardFigures.read().find.u_gain_px
    flats = [_flat(card) for card in cards]
    counts = np.cumsum([0, *(2 * len(flat) for flat in flats)])
    own = [slice(_CAMERA + _CARD * k, _CAMERA + _CARD * (k + 1)) for k in range(len(cards))]
    gains = np.concatenate([np.arange(o.stop - 2, o.stop) for o in own])

    def residuals(x: F64) -> F64:
        off = []
        for card, root, flat, at in zip(cards, roots, flats, own, strict=True):
            turn, place, gain = np.split(x[at], [3, 6])
            px, *_ = project_with_derivatives(flat, place, x[:_CAMERA], turn)
            off.append((root @ (px - _seen(card, gain))[..., None]).ravel())
        return np.concatenate([*off, prior_camera @ (x[:_CAMERA] - camera.parameters), gain_weight * x[gains]])

    def derivatives(x: F64, about_camera: bool = False) -> F64:
        J = np.zeros((counts[-1] + _CAMERA + len(gains), len(x)))
        for k, (card, root, flat, at) in enumerate(zip(cards, roots, flats, own, strict=True)):
            turn, place, _ = np.split(x[at], [3, 6])
            if about_camera:  # a small turn about the camera's axes on top of the turn
                flat, turn = flat @ rotation(turn).T, np.zeros(3)
            _, by_turn, by_move, by_camera = project_with_derivatives(flat, place, x[:_CAMERA], turn)
            block = J[counts[k] : counts[k + 1]]
            block[:, :_CAMERA] = (root @ by_camera).reshape(-1, _CAMERA)
            by_card = np.concatenate([by_turn, by_move, -card.gain_slope], axis=2)
            block[:, at] = (root @ by_card).reshape(-1, _CARD)
        J[counts[-1] : counts[-1] + _CAMERA, :_CAMERA] = prior_camera
        J[np.arange(counts[-1] + _CAMERA, len(J)), gains] = gain_weight
        return J

    first = [
        np.concatenate([cv2.Rodrigues(pose.rotation)[0].ravel(), pose.place, card.ink_gain_px])
        for card, pose in zip(cards, poses, strict=True)
    ]
    found = least_squares(
        residuals, np.concatenate([camera.parameters, *first]), derivatives, method="lm", x_scale="jac", max_nfev=most
    )
    return _outcome(cards, camera, found.x, found.fun, derivatives(found.x, about_camera=True), int(counts[-1]))


def _outcome(cards: Sequence[FoundCard], camera: Camera, x: F64, r: F64, J: F64, count: int) -> CardFit:
    """The fit where it ended, at ``x``: residuals ``r``, the first ``count`` of them of corners, and their derivatives
    ``J`` by small steps."""
    off = r[:count]
    misfit = float(np.sqrt(off @ off / max(count - 6 * len(cards), 1)))
    size = np.linalg.norm(J, axis=0)
    gain = (np.linalg.inv((J / size).T @ (J / size)) @ (J / size).T / size[:, None]).T  # step per unit of residual
    modes = {
        # scatter beyond what the edges promised (a bent card, dirt) widens their share; never narrows it
        CORNERS: _thin(np.concatenate([gain[:count] * max(1.0, misfit), gain[count + _CAMERA :]])),
        FOCAL: gain[count : count + 1],
        LENS: gain[count + 1 : count + _CAMERA],
    }
    covariance = np.asarray(sum(rows.T @ rows for rows in modes.values()))
    u_px = np.concatenate([card.u_px for card in cards])
    each = x[_CAMERA:].reshape(-1, _CARD)
    return CardFit(
        camera=replace(camera, parameters=x[:_CAMERA], covariance=covariance[:_CAMERA, :_CAMERA]),
        poses=tuple(Pose(rotation(own[:3]), own[3:6]) for own in each),
        ink_gains=tuple(own[6:] for own in each),
        modes=modes,
        misfit=misfit,
        rms_px=misfit * float(np.sqrt(np.mean(u_px**2))),
        chi_square=float(r @ r),
    )


def _flat(card: FoundCard) -> F64:
    return np.concatenate([card.corners_mm, np.zeros((len(card.corners_mm), 1))], axis=1)


def _seen(card: FoundCard, gain: F64) -> F64:
    """The true corners if ``gain`` is the ink gain, not the one that was taken out when the card was found."""
    return np.asarray(card.corners_px + card.gain_slope @ (gain - card.ink_gain_px))


def _thin(modes: F64) -> F64:
    """Modes of the same covariance with no more rows than columns."""
    return np.asarray(np.linalg.qr(modes)[1], float) if len(modes) > modes.shape[1] else modes
