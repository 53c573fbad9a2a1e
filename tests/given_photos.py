"""Photos as people give them: in other formats, or with the card moved in between."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
from PIL import Image


def card_moved(path: Path, by: float, to: Path) -> Path:
    """The photo with card A ``by`` mm further to the right on its plate, and plate where it lay."""
    image, H = (
        cv2.imread(str(path)),
        np.array(json.loads(path.with_suffix(".json").read_text())["H_plate_to_undistorted_px"]),
    )
    y, x = np.mgrid[: image.shape[0], : image.shape[1]]
    px = np.stack([x, y], axis=-1).reshape(-1, 1, 2).astype(float)
    on_plate = cv2.perspectiveTransform(px, np.linalg.inv(H))[:, 0]

    def on_card(at: np.ndarray) -> np.ndarray:
        return (at > [-1.0, -1.0]).all(axis=1) & (at < [87.0, 55.5]).all(axis=1)

    was, now = on_card(on_plate), on_card(on_plate - [by, 0.0])
    source = on_plate.copy()
    source[was, 1] = 62.0 - 0.1 * on_plate[was, 1]  # a strip of plate beyond the card
    source[now] = on_plate[now] - [by, 0.0]
    at = np.where((was | now)[:, None], cv2.perspectiveTransform(source[:, None], H)[:, 0], px[:, 0]).astype(np.float32)
    moved = cv2.remap(image, at.reshape(*image.shape[:2], 2), None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    return saved(path, to, moved[..., ::-1])


def saved(photo: Path, to: Path, pixels: np.ndarray | None = None) -> Path:
    """The photo, or other pixels in its place, in the format that the name of the new file says."""
    with Image.open(photo) as image:
        (image if pixels is None else Image.fromarray(pixels)).save(to, quality=90, exif=image.getexif())
    return to
