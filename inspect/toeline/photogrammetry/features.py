"""What is compared between photos: brightness freed of what light and stand make of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.photo import U8
from toeline.photogrammetry.figures import ReliefFeature
from toeline.photogrammetry.sight import Sightlines
from toeline.trace.band import F32, F64

_ROOM_PX = 24  # round what the chart covers


@dataclass(frozen=True, slots=True)
class Feature:
    """Part of a photo as features (h, w), its first pixel at ``corner`` (2,) of the photo."""

    values: F32
    corner: F64

    def at(self, px: NDArray[np.float32]) -> F32:
        """Values (h, w) at photo pixels (h, w, 2); 0 outside."""
        own = px - self.corner.astype(np.float32)
        return np.asarray(
            cv2.remap(self.values, own, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0),  # type: ignore[call-overload]
            np.float32,
        )


def feature(image: U8, px: F64, per_mm: float, rule: ReliefFeature) -> Feature:
    """The features of a BGR photo round pixels (N, 2), at ``per_mm`` px a millimetre."""
    height, width = image.shape[:2]
    low = np.clip(np.floor(px.min(axis=0)).astype(int) - _ROOM_PX, 0, [width - 2, height - 2])
    high = np.clip(np.ceil(px.max(axis=0)).astype(int) + _ROOM_PX, low + 2, [width, height])
    grey = cv2.cvtColor(image[low[1] : high[1], low[0] : high[0]], cv2.COLOR_BGR2GRAY).astype(np.float32)
    logs = np.log(grey + np.float32(rule.floor))
    fine = max(rule.fine * per_mm, rule.fine_px)
    wide = max(rule.wide * per_mm, 2 * fine)
    smooth = cv2.GaussianBlur(logs, (0, 0), max(rule.noise * per_mm, 0.3))
    detail = smooth - cv2.GaussianBlur(logs, (0, 0), fine)
    spread = np.sqrt(cv2.GaussianBlur(detail * detail, (0, 0), wide) + np.float32(rule.least) ** 2)
    values = np.clip(detail / spread, -rule.dark, rule.bright)
    return Feature(np.asarray(values, np.float32), low.astype(float))


def features_of(
    images: Sequence[U8], sight: Sequence[Sightlines], scale: Sequence[float], rule: ReliefFeature
) -> list[Feature]:
    """The features of BGR photos (H, W, 3) of ``scale`` px a mm where their sightlines lie."""
    return [
        feature(image, line.at[0].reshape(-1, 2).astype(float), per_mm, rule)
        for image, line, per_mm in zip(images, sight, scale, strict=True)
    ]
