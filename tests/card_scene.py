"""Photos of the reference card drawn by ray casting through a known camera, with the exact place of every corner.

Independent of the library: markers come from OpenCV's own generator, the projection from ``cv2.projectPoints``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

SIZE_MM = (85.60, 53.98)  # ISO/IEC 7810 ID-1
CENTRES = np.array([[11.0, 11.0], [74.6, 11.0], [74.6, 42.98], [11.0, 42.98]])
SIDE = 15.0
PX_PER_MM = 10
IDS = {"A": (0, 1, 2, 3), "B": (4, 5, 6, 7)}


def card_picture(which: str, paper: int = 235, ink: int = 25) -> np.ndarray:
    """The card as printed, 10 px per mm; the pixel centre (0, 0) lies 0.05 mm inside the card's corner."""
    fine = 5 * PX_PER_MM  # every length of the card is a whole number of fiftieths of a mm
    picture = np.full((54 * fine, 856 * fine // 10), paper, np.uint8)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    side = round(SIDE * fine)
    for marker_id, (x, y) in zip(IDS[which], CENTRES, strict=True):
        marker = cv2.aruco.generateImageMarker(family, marker_id, side, borderBits=1)
        left, top = round((x - SIDE / 2) * fine), round((y - SIDE / 2) * fine)
        picture[top : top + side, left : left + side] = np.where(marker > 127, paper, ink)
    return cv2.resize(picture, (856 * PX_PER_MM // 10, 54 * PX_PER_MM), interpolation=cv2.INTER_AREA)


def corners_mm(which: str) -> dict[int, np.ndarray]:
    """Marker id -> corners (4, 2) as designed."""
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * SIDE / 2
    return {i: c + square for i, c in zip(IDS[which], CENTRES, strict=True)}


@dataclass(frozen=True)
class View:
    """A camera before a plate. ``turn``: rotation vector of the card; ``at``: where the card's middle is, mm."""

    width: int = 1600
    height: int = 1200
    focal: float = 1250.0
    k1: float = 0.0
    k2: float = 0.0
    centre_off: tuple[float, float] = (0.0, 0.0)
    turn: tuple[float, float, float] = (0.0, 0.0, 0.0)
    at: tuple[float, float, float] = (0.0, 0.0, 200.0)
    scale: float = 1.0
    K: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        cx, cy = (self.width - 1) / 2 + self.centre_off[0], (self.height - 1) / 2 + self.centre_off[1]
        object.__setattr__(self, "K", np.array([[self.focal, 0, cx], [0, self.focal, cy], [0, 0, 1.0]]))

    @property
    def R(self) -> np.ndarray:
        return cv2.Rodrigues(np.array(self.turn, float))[0]

    @property
    def t(self) -> np.ndarray:
        middle = np.array([SIZE_MM[0] / 2, SIZE_MM[1] / 2, 0.0]) * self.scale
        return np.array(self.at) - self.R @ middle

    @property
    def tilt_deg(self) -> float:
        return float(np.degrees(np.arccos(self.R[2, 2])))

    def project(self, mm: np.ndarray) -> np.ndarray:
        """True mm (N, 2 or 3; z into the plate) to px (N, 2), by OpenCV."""
        mm = np.asarray(mm, float)
        if mm.shape[1] == 2:
            mm = np.concatenate([mm, np.zeros((len(mm), 1))], axis=1)
        lens = np.array([self.k1, self.k2, 0.0, 0.0])
        px, _ = cv2.projectPoints(mm, np.array(self.turn, float), self.t, self.K, lens)
        return px.reshape(-1, 2)

    def corners_px(self, which: str) -> dict[int, np.ndarray]:
        return {i: self.project(c * self.scale) for i, c in corners_mm(which).items()}


def draw(
    view: View,
    which: str = "A",
    *,
    blur: float = 0.8,
    noise: float = 1.5,
    gamma: float = 1.0,
    seed: int = 0,
    ground: np.ndarray | None = None,
    picture: np.ndarray | None = None,
) -> np.ndarray:
    """A grey photo (H, W) uint8 of one card on ``ground`` (a photo of the bare plate, or a rough grey by ``seed``).

    ``gamma`` below 1 brightens mid tones after the blur, as tone mapping does: white then grows over black.
    """
    rng = np.random.default_rng(seed)
    picture = card_picture(which) if picture is None else picture
    if ground is None:
        coarse = cv2.resize(rng.normal(0, 25, (view.height // 8, view.width // 8)), (view.width, view.height))
        ground = np.clip(110 + coarse + rng.normal(0, 12, coarse.shape), 0, 255)
    over = 2  # rays per pixel and axis
    grid = (np.arange(over) + 0.5) / over - 0.5
    total = np.zeros((view.height, view.width))
    y, x = np.mgrid[0 : view.height, 0 : view.width].astype(float)
    R, t = view.R, view.t
    centre = -R.T @ t
    for dy in grid:
        for dx in grid:
            px = np.stack([x + dx, y + dy], axis=-1).reshape(-1, 2)
            flat = (px - view.K[:2, 2]) / view.focal
            if view.k1 or view.k2:
                flat = cv2.undistortPoints(px[:, None], view.K, np.array([view.k1, view.k2, 0, 0])).reshape(-1, 2)
            ray = np.concatenate([flat, np.ones((len(flat), 1))], axis=1) @ R
            mm = (centre[:2] - centre[2] / ray[:, 2:] * ray[:, :2]) / view.scale
            at = (mm * PX_PER_MM - 0.5).astype(np.float32).reshape(view.height, view.width, 2)
            sample = cv2.remap(picture.astype(np.float32), at, None, cv2.INTER_LINEAR, borderValue=-1000.0)
            total += np.where(sample < 0, ground, sample)
    image = cv2.GaussianBlur(total / over**2, (0, 0), blur) if blur else total / over**2
    image = 255 * (np.clip(image, 0, 255) / 255) ** gamma + rng.normal(0, noise, image.shape)
    return np.clip(np.rint(image), 0, 255).astype(np.uint8)
