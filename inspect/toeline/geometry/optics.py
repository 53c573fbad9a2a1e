"""The pinhole camera with a radial lens, as plain functions of points and as one frozen object.

Normalised coordinates are x/z, y/z of the camera frame (x right, y down, z forward). The lens moves a point at
radius r to x (1 + k1 r² + k2 r⁴) (the radial part of Brown's model, as in OpenCV's ``calibrateCamera``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

#: Names of the lens and camera parameters, in the order of every vector and covariance of them.
PARAMETERS = ("focal", "centre x", "centre y", "k1", "k2")


def distort(normalised: F64, k1: float, k2: float) -> F64:
    """Ideal normalised points (N, 2) to where the lens puts them."""
    r2 = np.sum(normalised**2, axis=-1, keepdims=True)
    return np.asarray(normalised * (1.0 + r2 * (k1 + r2 * k2)))


def undistort(normalised: F64, k1: float, k2: float) -> F64:
    """Inverse of :func:`distort`, by Newton's method on the radius (converges for every lens a phone has)."""
    rd = np.linalg.norm(normalised, axis=-1, keepdims=True)
    r = rd.copy()
    for _ in range(8):
        r2 = r * r
        slope = 1.0 + r2 * (3.0 * k1 + 5.0 * k2 * r2)
        r = r - (r * (1.0 + r2 * (k1 + r2 * k2)) - rd) / np.where(slope > 0.2, slope, 0.2)
    scale = np.divide(r, rd, out=np.ones_like(rd), where=rd > 1e-12)
    return np.asarray(normalised * scale)


@dataclass(frozen=True, slots=True)
class Camera:
    """Intrinsics with what is not known of them.

    ``parameters`` (5,): focal length, principal point x and y (px), k1, k2; ``covariance`` (5, 5) of them.
    ``source`` says where the focal length comes from.
    """

    parameters: F64
    covariance: F64
    width: int
    height: int
    source: Literal["profile", "exif", "card"]
    profile_name: str | None = None

    @property
    def K(self) -> F64:
        """The camera matrix (3, 3), px."""
        f, cx, cy = self.parameters[:3]
        return np.array([[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]])

    @property
    def dist(self) -> tuple[float, float]:
        """Radial lens coefficients k1, k2."""
        return float(self.parameters[3]), float(self.parameters[4])

    @property
    def u_focal_px(self) -> float:
        """Standard uncertainty of the focal length, px."""
        return float(np.sqrt(self.covariance[0, 0]))

    def undistort(self, px: F64) -> F64:
        """Photo pixels (N, 2) to the pixels (N, 2) of the same camera with a perfect lens."""
        f, centre = self.parameters[0], self.parameters[1:3]
        return np.asarray(undistort((np.asarray(px, float) - centre) / f, *self.dist) * f + centre)

    def distort(self, px: F64) -> F64:
        """Inverse of :meth:`undistort`."""
        f, centre = self.parameters[0], self.parameters[1:3]
        return np.asarray(distort((np.asarray(px, float) - centre) / f, *self.dist) * f + centre)


def rays(px: F64, parameters: F64) -> F64:
    """Photo pixels (N, 2) to camera rays (N, 3) with z = 1, for ``parameters`` (5,) as in :class:`Camera`."""
    flat = undistort((np.asarray(px, float) - parameters[1:3]) / parameters[0], parameters[3], parameters[4])
    return np.concatenate([flat, np.ones((*flat.shape[:-1], 1))], axis=-1)


def project(points: F64, parameters: F64) -> F64:
    """Points (N, 3) of the camera frame to photo pixels (N, 2)."""
    flat = points[..., :2] / points[..., 2:3]
    return np.asarray(distort(flat, parameters[3], parameters[4]) * parameters[0] + parameters[1:3])


def project_with_derivatives(points: F64, parameters: F64) -> tuple[F64, F64, F64]:
    """As :func:`project`, with the derivatives of the pixels by the points (N, 2, 3) and the parameters (N, 2, 5)."""
    f, centre, k1, k2 = parameters[0], parameters[1:3], parameters[3], parameters[4]
    z = points[:, 2:3]
    flat = points[:, :2] / z
    r2 = np.sum(flat**2, axis=1, keepdims=True)
    stretch = 1.0 + r2 * (k1 + r2 * k2)
    outer = flat[:, :, None] * flat[:, None, :]
    by_flat = f * (stretch[:, :, None] * np.eye(2) + (2.0 * k1 + 4.0 * k2 * r2)[:, :, None] * outer)
    by_point = np.concatenate([by_flat, -by_flat @ flat[:, :, None]], axis=2) / z[:, :, None]
    by_parameters = np.zeros((len(points), 2, 5))
    by_parameters[:, :, 0] = flat * stretch
    by_parameters[:, 0, 1] = by_parameters[:, 1, 2] = 1.0
    by_parameters[:, :, 3] = f * flat * r2
    by_parameters[:, :, 4] = f * flat * r2**2
    return flat * stretch * f + centre, by_point, by_parameters


def rotation(turn: F64) -> F64:
    """Rotation matrix (3, 3) of a rotation vector (3,)."""
    return np.asarray(cv2.Rodrigues(np.asarray(turn, float))[0], float)


def by_turn(levers: F64) -> F64:
    """Derivative (N, 3, 3) of vectors (N, 3) by a small turn about the axes they are given in."""
    D = np.zeros((len(levers), 3, 3))
    x, y, z = levers.T
    D[:, 0, 1], D[:, 0, 2], D[:, 1, 2] = z, -y, x
    return np.asarray(D - D.transpose(0, 2, 1))
