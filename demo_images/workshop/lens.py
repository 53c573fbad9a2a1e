"""A phone's camera with a lens: world to pixels and back, and the frame of a card that lies on a plate.

World: s right, t up, z towards the viewer, mm. Pixels: (0, 0) is the centre of the first one, y down.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from .scene import look_at

F64 = NDArray[np.float64]

#: Diagonal of the 36 × 24 mm frame that "35 mm equivalent" refers to (CIPA DCG-001).
FILM_DIAGONAL = math.hypot(36.0, 24.0)
#: The card's outline, ISO/IEC 7810 ID-1, mm.
CARD = (85.60, 53.98)


@dataclass(frozen=True, slots=True)
class Lens:
    """Pinhole with radial distortion: x_d = x_u (1 + k1 r² + k2 r⁴) in normalised coordinates."""

    width: int
    height: int
    focal: float
    centre: tuple[float, float]
    k1: float
    k2: float
    eye: F64
    rotation: F64

    @property
    def matrix(self) -> F64:
        """K (3, 3)."""
        return np.array([[self.focal, 0, self.centre[0]], [0, self.focal, self.centre[1]], [0, 0, 1.0]])

    def undistorted(self, world: F64) -> F64:
        """Pixels (N, 2) of world points (N, 3) as a lens without distortion would show them."""
        x = (np.asarray(world, float) - self.eye) @ self.rotation.T
        return x[:, :2] / x[:, 2:] * self.focal + self.centre

    def pixels(self, world: F64) -> F64:
        """Pixels (N, 2) of world points (N, 3)."""
        x = (self.undistorted(world) - self.centre) / self.focal
        r2 = (x * x).sum(axis=1, keepdims=True)
        return x * (1 + self.k1 * r2 + self.k2 * r2 * r2) * self.focal + self.centre

    def targets(self, first: int, last: int) -> Tensor:
        """Where the rays of pixel rows ``first`` to ``last`` meet z = 0: (1, rows, width, 3)."""
        x = (np.arange(self.width) - self.centre[0]) / self.focal
        y = (np.arange(first, last) - self.centre[1]) / self.focal
        bent = np.stack(np.broadcast_arrays(x[None, :], y[:, None]), -1)
        ray = bent.copy()
        for _ in range(12):
            r2 = (ray * ray).sum(axis=-1, keepdims=True)
            ray = bent / (1 + self.k1 * r2 + self.k2 * r2 * r2)
        ahead = np.concatenate([ray, np.ones((*ray.shape[:2], 1))], -1) @ self.rotation
        return torch.from_numpy((self.eye + ahead * (-self.eye[2] / ahead[..., 2:])).astype(np.float32))[None]

    def sees(self, px: F64) -> bool:
        """Whether a pixel place lies in the picture."""
        return bool(-0.5 <= px[0] <= self.width - 0.5 and -0.5 <= px[1] <= self.height - 0.5)


def aim_phone(
    size: tuple[int, int],
    focal_35mm: float,
    focal_error: float,
    px_per_mm: float,
    aim: tuple[float, float, float],
    tilt_deg: float,
    towards_deg: float,
    roll_deg: float,
    centre_off: tuple[float, float],
    k1: float,
) -> Lens:
    """A phone held over ``aim``, leaning ``tilt_deg`` from z, as far off as ``px_per_mm`` at the aim asks for."""
    width, height = size
    focal = focal_35mm / FILM_DIAGONAL * math.hypot(width, height) * (1 + focal_error)
    tilt, towards = math.radians(tilt_deg), math.radians(towards_deg)
    off = np.array([math.sin(tilt) * math.cos(towards), math.sin(tilt) * math.sin(towards), math.cos(tilt)])
    eye = np.array(aim) + focal / px_per_mm * off
    turn = look_at(
        torch.from_numpy(eye)[None], torch.tensor([aim], dtype=torch.float64), torch.tensor([math.radians(roll_deg)])
    )
    centre = ((width - 1) / 2 + centre_off[0], (height - 1) / 2 + centre_off[1])
    return Lens(width, height, focal, centre, k1, -0.5 * k1 * k1, eye, turn[0].numpy().astype(float))


@dataclass(frozen=True, slots=True)
class CardLie:
    """How a card lies: its printed origin on the plate's surface, its axes and the plate's normal, in the world."""

    origin: F64
    x: F64
    y: F64
    normal: F64
    print_scale: float
    thickness: float
    first_id: int

    def world(self, plate: F64) -> F64:
        """World points (N, 3) of points (N, 3) in this card's plate frame, true mm."""
        return self.origin + np.asarray(plate, float) @ np.stack([self.x, self.y, self.normal])

    def plate(self, world: F64) -> F64:
        """Points (N, 3) in this card's plate frame, true mm, of world points (N, 3)."""
        return (np.asarray(world, float) - self.origin) @ np.stack([self.x, self.y, self.normal]).T

    def markers(self) -> dict[int, F64]:
        """World corners (4, 3) of each marker: top-left, top-right, bottom-right, bottom-left as printed."""
        half = 7.5 * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
        centres = ((11.0, 11.0), (74.6, 11.0), (74.6, 42.98), (11.0, 42.98))
        up = np.full((4, 1), self.thickness)
        return {
            self.first_id + k: self.world(np.hstack([(np.array(c) + half) * self.print_scale, up]))
            for k, c in enumerate(centres)
        }


def lie_of(
    centre: tuple[float, float], angle_deg: float, print_scale: float, thickness: float, first_id: int, fold: float
) -> CardLie:
    """A card with its centre at (s, way up the plate) mm. ``fold`` 0: the plate is z = 0; ±1: it rises at 45 degrees
    to the side of positive or negative t, as one plate of a T joint seen along its bisector."""
    a = math.radians(angle_deg)
    along = np.array([1.0, 0.0, 0.0])
    slope = math.radians(45.0) * fold
    up = np.array([0.0, math.cos(slope), math.sin(slope)])
    normal = np.array([0.0, -math.sin(slope), math.cos(slope)])
    x, y = math.cos(a) * along + math.sin(a) * up, math.sin(a) * along - math.cos(a) * up
    middle = centre[0] * along + centre[1] * up
    origin = middle - print_scale * (CARD[0] / 2 * x + CARD[1] / 2 * y)
    return CardLie(origin, x, y, normal, print_scale, thickness, first_id)
