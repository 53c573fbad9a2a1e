"""Photos to run the whole line on: the demo photos, and those beside the repository where they are."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

ROOT = Path(__file__).resolve().parents[1]
_FOLDERS = (ROOT / "demo_images", ROOT.parent / "shared" / "photos" / "dev")
_ORIENTATION, _EXIF_IFD, _FOCAL_35 = 274, 0x8769, 41989  # EXIF tags, CIPA DC-008


def photos(kinds: tuple[str, ...] = ("stringer",), cause: str | None = "good") -> list[tuple[Path, dict[str, Any]]]:
    """(photo, truth) of usable photos of these kinds made with this cause; demo photos first."""
    files = [file for folder in _FOLDERS for file in sorted(folder.glob("*.json"))]
    pairs = [(file.with_suffix(".jpg"), json.loads(file.read_text("utf-8"))) for file in files]
    return [(p, t) for p, t in pairs if p.is_file() and t["usable"] and t["kind"] in kinds and t["cause"] == cause]


def jpeg(image: np.ndarray, focal_35mm: float | None = None, orientation: int = 1) -> bytes:
    """A BGR picture as JPEG, with the EXIF notes that toeline reads."""
    exif = Image.Exif()
    exif[_ORIENTATION] = orientation
    if focal_35mm is not None:
        exif.get_ifd(_EXIF_IFD)[_FOCAL_35] = int(focal_35mm)
    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(image[..., ::-1])).save(out, "JPEG", quality=95, exif=exif)
    return out.getvalue()


def without_card(image: np.ndarray, corners_px: np.ndarray) -> np.ndarray:
    """The picture with the card painted over in the plate's grey, its edge far enough out to hide the paper."""
    middle = corners_px.mean(axis=0)
    hull = cv2.convexHull(np.asarray(middle + 1.4 * (corners_px - middle), np.int32))
    mask = np.zeros(image.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, hull, 1)
    ring = cv2.dilate(mask, np.ones((31, 31), np.uint8)) - mask
    grey, spread = image[ring > 0].mean(axis=0), float(image[ring > 0].std())
    noise = np.random.default_rng(0).normal(0, spread / 2, (*image.shape[:2], 1))
    return np.where(mask[..., None] > 0, np.clip(grey + noise, 0, 255), image).astype(np.uint8)
