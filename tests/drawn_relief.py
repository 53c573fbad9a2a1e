"""A relief drawn in projection by ray casting, independent of the library: cv2.projectPoints and plain numpy.

The plate frame: x right, y down, z up. The bead runs along x from 0 to ``LENGTH`` at y = 0; left of travel is -y.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

LENGTH, HALF = 26.0, 4.0
STEP = 0.05
_X = np.arange(-10.0, LENGTH + 10.0, STEP)
_T = np.arange(-14.0, 14.0, STEP)  # positive to the left of travel: t = -y
Height = Callable[[np.ndarray, np.ndarray], np.ndarray]


def dome(height: float = 1.6, groove: float = 0.0, crater: float = 0.0) -> Height:
    """A dome between the toes; ``groove``: depth of an undercut 0.9 mm wide along the left toe's middle half,
    ``crater``: of a hollow 5 mm wide, 5 mm before the end."""

    def h(x: np.ndarray, t: np.ndarray) -> np.ndarray:
        on = (x > 0) & (x < LENGTH) & (np.abs(t) < HALF)
        out = np.where(on, height * (1 - np.abs(t / HALF) ** 2.5), 0.0)
        along = np.clip(np.minimum(x - 0.2 * LENGTH, 0.8 * LENGTH - x) / 2.0, 0.0, 1.0)
        across = np.cos(np.pi * np.clip((t - HALF - 0.2) / 0.9, -0.5, 0.5))
        r = np.hypot(x - (LENGTH - 5.0), t)
        return out - groove * along * across - crater * (0.5 + 0.5 * np.cos(np.pi * np.clip(r / 2.5, 0.0, 1.0)))

    return h


@dataclass(frozen=True)
class Eye:
    """A camera at ``at`` (3,) mm that looks at the bead's middle."""

    at: tuple[float, float, float]
    width: int = 620
    height: int = 420
    focal: float = 2400.0

    @property
    def K(self) -> np.ndarray:
        return np.array([[self.focal, 0, (self.width - 1) / 2], [0, self.focal, (self.height - 1) / 2], [0, 0, 1.0]])

    @property
    def pose(self) -> tuple[np.ndarray, np.ndarray]:
        """R, t of camera = R (x, y, -z) + t: that frame is right-handed, z into the plate."""
        centre = np.array([self.at[0], self.at[1], -self.at[2]])
        ahead = np.array([LENGTH / 2, 0.0, 0.0]) - centre
        ahead /= np.linalg.norm(ahead)
        right = np.cross([0.0, 1.0, 0.0], ahead)
        right /= np.linalg.norm(right)
        R = np.stack([right, np.cross(ahead, right), ahead])
        return R, -R @ centre

    @property
    def camera_centre_mm(self) -> np.ndarray:
        return np.array(self.at)

    def to_px_3d(self, mm: np.ndarray) -> np.ndarray:
        R, t = self.pose
        points = np.asarray(mm, float) * [1.0, 1.0, -1.0]
        return cv2.projectPoints(points, cv2.Rodrigues(R)[0], t, self.K, None)[0].reshape(-1, 2)


def five_eyes(distance: float = 200.0, lean_deg: float = 24.0) -> list[Eye]:
    """Square on, leaning to both sides, leaning along the bead."""
    away, up = distance * np.sin(np.radians(lean_deg)), distance * np.cos(np.radians(lean_deg))
    mid = LENGTH / 2
    places = [(mid, 2.0, distance), (mid, -away, up), (mid, away, up), (mid + away, 0.0, up), (mid - away, 0.0, up)]
    return [Eye(at) for at in places]


@cache
def _speckle(seed: int) -> np.ndarray:
    """Grey values of the surface over t and x, coarse and fine."""
    noise = np.random.default_rng(seed).standard_normal((len(_T), len(_X))).astype(np.float32)
    speckle = sum(gaussian_filter(noise, s / STEP) * s for s in (0.08, 0.16, 0.4))
    return 120 + 32 * speckle / speckle.std()


def photograph(eye: Eye, height: Height, seed: int = 1, noise: float = 1.5) -> np.ndarray:
    """The photo (H, W, 3): a speckled surface in even light, every ray followed to where it meets the relief."""
    v, u = np.mgrid[: eye.height, : eye.width].astype(float)
    R, t = eye.pose
    ray = np.stack([u, v, np.ones_like(u)], -1) @ np.linalg.inv(eye.K).T @ R
    centre = -R.T @ t
    z = np.zeros_like(u)  # height of the point met, by repeated substitution
    for _ in range(25):
        far = (-z - centre[2]) / ray[..., 2]
        x, y = centre[0] + far * ray[..., 0], centre[1] + far * ray[..., 1]
        z = 0.5 * z + 0.5 * height(x, -y)
    grey = map_coordinates(_speckle(seed), [(-y - _T[0]) / STEP, (x - _X[0]) / STEP], order=1, mode="nearest")
    grey = grey + np.random.default_rng([seed, int(abs(eye.at[0] * 7 + eye.at[1]))]).normal(0, noise, grey.shape)
    return np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def toes(count: int = 105) -> tuple[np.ndarray, np.ndarray]:
    """Left and right toe (N, 3) in the plate frame."""
    x = np.linspace(0.0, LENGTH, count)
    zero = np.zeros(count)
    return np.stack([x, zero - HALF, zero], 1), np.stack([x, zero + HALF, zero], 1)
