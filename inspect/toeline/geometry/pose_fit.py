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

from toeline.datafile import load
from toeline.errors import CardError
from toeline.geometry.card import FoundCard
from toeline.geometry.optics import Camera, by_turn, project, project_with_derivatives, rotation

F64 = NDArray[np.float64]

#: Labels of the sources of uncertainty of a fit.
CORNERS, FOCAL, LENS = "corners", "focal length", "lens"
_CAMERA, _CARD = 5, 8  # steps of the camera, and of a card: turn 3, move 3, ink gain 2
_MAX_STEPS = 60
_TRIAL_STEPS, _HOPELESS = 12, 1000.0  # a second pose that is so many times worse after so many steps is let go


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


@dataclass(frozen=True, slots=True)
class _State:
    camera: F64
    poses: tuple[Pose, ...]
    gains: tuple[F64, ...]

    def moved(self, step: F64) -> _State:
        per_card = step[_CAMERA:].reshape(-1, _CARD)
        return _State(
            self.camera + step[:_CAMERA],
            tuple(pose.moved(own[:6]) for pose, own in zip(self.poses, per_card, strict=True)),
            tuple(gain + own[6:] for gain, own in zip(self.gains, per_card, strict=True)),
        )


def first_poses(card: FoundCard, camera: Camera) -> tuple[Pose, ...]:
    """The poses that a flat target allows, best first (OpenCV's infinitesimal plane-based solver)."""
    px = camera.undistort(card.corners_px)
    _, turns, places, _ = cv2.solvePnPGeneric(_flat(card), px, camera.K, None, flags=cv2.SOLVEPNP_IPPE)
    if not np.isfinite(turns).all():  # that solver divides by zero at some rare exact alignments
        _, *one = cv2.solvePnP(_flat(card), px, camera.K, None, flags=cv2.SOLVEPNP_ITERATIVE)
        turns, places = ([np.asarray(part)] for part in one)
    return tuple(
        Pose(rotation(np.asarray(r)), np.asarray(t, float).ravel()) for r, t in zip(turns, places, strict=True)
    )


def fit_cards(cards: Sequence[FoundCard], camera: Camera, start: Sequence[Pose] | None = None) -> CardFit:
    """Fit ``cards``, seen in one photo or in several by one camera, and ``camera`` together.

    A flat target seen from afar has two poses that fit almost equally: both are tried and the better is kept, unless
    ``start`` says where to begin.

    Raises:
        CardError: no card, or corners that allow no pose.
    """
    if not cards:
        raise CardError("There is no card to work with: lay the printed card beside the bead.")
    try:
        choices = [(pose,) for pose in start] if start else [first_poses(card, camera) for card in cards]
        best = [choice[0] for choice in choices]
        fit = _fit(cards, camera, best)
        for index, choice in enumerate(choices):
            for other in choice[1:]:
                again = _fit(
                    cards, camera, [*best[:index], other, *best[index + 1 :]], _HOPELESS * (1.0 + fit.chi_square)
                )
                if again.chi_square < fit.chi_square:
                    fit, best[index] = again, other
    except (cv2.error, np.linalg.LinAlgError) as error:
        raise CardError("The card's corners do not lie like a flat card: show the whole card, flat.") from error
    return fit


def _fit(cards: Sequence[FoundCard], camera: Camera, poses: Sequence[Pose], hopeless: float = np.inf) -> CardFit:
    """Levenberg-Marquardt from ``poses``, and the covariance of where it ends; given up where chi square stays above
    ``hopeless``."""
    roots = [np.linalg.cholesky(np.linalg.inv(c.covariance_px)).transpose(0, 2, 1) for c in cards]
    prior_camera = np.linalg.cholesky(np.linalg.inv(camera.covariance)).T
    gain_weight = 1.0 / load("card.toml")["find"]["u_gain_px"]
    flats = [_flat(card) for card in cards]
    rows = [2 * len(flat) for flat in flats]
    width = _CAMERA + _CARD * len(cards)

    def residuals(state: _State) -> F64:
        off = [
            (root @ (project(pose.of(flat), state.camera) - _seen(card, gain))[..., None]).ravel()
            for card, root, flat, pose, gain in zip(cards, roots, flats, state.poses, state.gains, strict=True)
        ]
        prior = prior_camera @ (state.camera - camera.parameters)
        return np.concatenate([*off, prior, gain_weight * np.concatenate(state.gains)])

    def derivatives(state: _State) -> F64:
        J = np.zeros((sum(rows) + _CAMERA + 2 * len(cards), width))
        top = 0
        for k, (card, root, flat, pose) in enumerate(zip(cards, roots, flats, state.poses, strict=True)):
            lever = flat @ pose.rotation.T
            _, by_point, by_camera = project_with_derivatives(lever + pose.place, state.camera)
            own = _CAMERA + _CARD * k
            block = J[top : top + rows[k]]
            block[:, :_CAMERA] = (root @ by_camera).reshape(-1, _CAMERA)
            by_pose = np.concatenate([by_point @ by_turn(lever), by_point, -card.gain_slope], axis=2)
            block[:, own : own + _CARD] = (root @ by_pose).reshape(-1, _CARD)
            top += rows[k]
        J[top : top + _CAMERA, :_CAMERA] = prior_camera
        for k in range(len(cards)):
            own = _CAMERA + _CARD * k + 6
            J[top + _CAMERA + 2 * k : top + _CAMERA + 2 * k + 2, own : own + 2] = gain_weight * np.eye(2)
        return J

    state = _State(camera.parameters, tuple(poses), tuple(card.ink_gain_px for card in cards))
    r = residuals(state)
    damping = 1e-4
    for count in range(_MAX_STEPS):
        if count >= _TRIAL_STEPS and float(r @ r) > hopeless:
            break
        J = derivatives(state)
        size = np.linalg.norm(J, axis=0)  # unit columns: the normal equations keep their digits
        normal, slope = (J / size).T @ (J / size), (J / size).T @ r
        step = -np.linalg.solve(normal + damping * np.eye(width), slope) / size
        moved = state.moved(step)
        again = residuals(moved)
        gained = float(r @ r - again @ again)
        if gained >= 0:
            state, r, damping = moved, again, damping / 10
            if gained <= 1e-9 * (1.0 + float(r @ r)) and damping < 1e-6:
                break
        else:
            damping *= 10
            if damping > 1e10:
                break
    return _outcome(cards, camera, state, r, derivatives(state), sum(rows))


def _outcome(cards: Sequence[FoundCard], camera: Camera, state: _State, r: F64, J: F64, count: int) -> CardFit:
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
    fitted = replace(camera, parameters=state.camera, covariance=covariance[:_CAMERA, :_CAMERA])
    u_px = np.concatenate([card.u_px for card in cards])
    return CardFit(
        camera=fitted,
        poses=state.poses,
        ink_gains=state.gains,
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
