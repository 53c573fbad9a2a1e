"""The pinhole camera with a radial lens, as plain functions of points and as one frozen object.

Normalised coordinates are x/z, y/z of the camera frame (x right, y down, z forward). The lens moves a point at
radius r to x (1 + k1 r² + k2 r⁴), the radial part of Brown's model. OpenCV projects, differentiates and inverts it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

#: When the inverse of the lens is exact enough: as a rule that is after some ten of these steps.
_LENS_STEPS = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-12)
_NONE = np.zeros(3)


@dataclass(frozen=True, slots=True)
class Camera:
    """Intrinsics with what is not known of them.

    ``parameters`` (5,): focal length, principal point x and y (px), k1, k2; ``covariance`` (5, 5) of them.
    ``source`` says where the focal length comes from; ``otherwise`` is the camera to take where that is contradicted.
    """

    parameters: F64
    covariance: F64
    width: int
    height: int
    source: Literal["profile", "exif", "card"]
    profile_name: str | None = None
    otherwise: Camera | None = None

    @property
    def u_focal_px(self) -> float:
        """Standard uncertainty of the focal length, px."""
        return float(np.sqrt(self.covariance[0, 0]))


def matrix_and_lens(parameters: F64) -> tuple[F64, F64]:
    """OpenCV's camera matrix (3, 3), px, and lens coefficients (4,) of ``parameters`` (5,) as in :class:`Camera`."""
    f, cx, cy, k1, k2 = parameters
    return np.array([[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]]), np.array([k1, k2, 0.0, 0.0])


def rays(px: F64, parameters: F64) -> F64:
    """Photo pixels (N, 2) to camera rays (N, 3) with z = 1, for ``parameters`` (5,) as in :class:`Camera`."""
    K, lens = matrix_and_lens(parameters)
    px = np.asarray(px, float).reshape(-1, 1, 2)
    flat = cv2.undistortPoints(px, K, lens, None, None, None, _LENS_STEPS) if len(px) else px
    return np.concatenate([np.asarray(flat, float)[:, 0], np.ones((len(px), 1))], axis=1)


def project(points: F64, parameters: F64) -> F64:
    """Points (N, 3) of the camera frame to photo pixels (N, 2)."""
    if not len(points):
        return np.zeros((0, 2))
    px, _ = cv2.projectPoints(np.asarray(points, float), _NONE, _NONE, *matrix_and_lens(parameters))
    return np.asarray(px, float)[:, 0]


def project_with_derivatives(levers: F64, place: F64, parameters: F64, turn: F64 = _NONE) -> tuple[F64, F64, F64, F64]:
    """Pixels (N, 2) of the points R ``levers`` (N, 3) + ``place`` (3,), R being the rotation by ``turn`` (3,).

    With their derivatives by the turn (N, 2, 3), by a move of the points (N, 2, 3) and by the parameters (N, 2, 5).
    With no turn the first are those by a small turn about the camera's axes.
    """
    px, J = cv2.projectPoints(levers, turn, place, *matrix_and_lens(parameters))
    each: F64 = np.asarray(J, float).reshape(len(levers), 2, -1)
    # OpenCV tells both focal lengths and the tangential lens apart: columns turn 3, move 3, fx, fy, cx, cy, k1, k2, ...
    by_parameters = np.concatenate([each[:, :, 6:7] + each[:, :, 7:8], each[:, :, 8:12]], axis=2)
    return np.asarray(px, float)[:, 0], each[:, :, :3], each[:, :, 3:6], by_parameters


def rotation(turn: F64) -> F64:
    """Rotation matrix (3, 3) of a rotation vector (3,)."""
    return np.asarray(cv2.Rodrigues(np.asarray(turn, float))[0], float)
