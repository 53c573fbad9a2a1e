"""Photos with truth, painted over with what makes real ones hard and the networks never learned from.

    python tests/benchmarks/spoil_photos.py FOLDER... --to FOLDER [--seed 0]

Takes photos of ``bench_uncertainty.py shoot`` and paints on the picture, where the truth says that bead and plate lie:

* plate stained in soft clouds, dark and pale, as bright as the bead;
* a crust or a band beside each toe, each its own: white, orange, brown, soot, or a thin shadow at the toe itself;
* a face that mirrors a lamp and the dark room: streaks along the bead, black glass, brightness that changes on the way
  from one end to the other;
* a darker, paler, flatter or noisier picture.

The outlines stay as they are, so the truth is copied. It is another hand than the renderer's: how the reader errs here
tells more of how it errs on looks it does not know than photos of the looks it was trained on. ``bench_belief.py``
counts on both. What it paints is our own choice, from looking at real welds.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

F32 = NDArray[np.float32]

GAMMA = 2.2
MARGIN = 2.5  #: bead widths round the bead that are painted
CARD = 1.35  #: a card reaches so far beyond the box of its markers
CRUSTS = {"white": (0.75, 0.78, 0.8), "orange": (0.08, 0.22, 0.5), "brown": (0.05, 0.09, 0.15), "soot": (0.02,) * 3}


def clouds(shape: tuple[int, int], size_px: float, rng: np.random.Generator, fine: float = 0.6) -> F32:
    """A fractal field (H, W) of mean 0 and standard deviation 1, coarsest at ``size_px``."""
    total, share = np.zeros(shape, np.float32), 1.0
    while size_px >= 2.0:
        grid = rng.standard_normal([max(int(n / size_px) + 3, 4) for n in shape]).astype(np.float32)
        large = cv2.resize(grid, None, fx=size_px, fy=size_px, interpolation=cv2.INTER_CUBIC)
        y, x = (int(rng.integers(0, max(large.shape[k] - shape[k], 0) + 1)) for k in (0, 1))
        total += share * large[y : y + shape[0], x : x + shape[1]]
        size_px, share = size_px / 2, share * fine
    return np.asarray((total - total.mean()) / (total.std() + 1e-6), np.float32)


def _soft(x: F32, edge: float) -> F32:
    """0 below 0, 1 above it, over some ``edge``."""
    return np.asarray(1 / (1 + np.exp(np.clip(-x / edge, -30, 30))), np.float32)


def _off_cards(truth: dict[str, Any], shape: tuple[int, int], corner: NDArray[np.int64]) -> F32:
    """1 off the cards, 0 on them."""
    mask = np.ones(shape, np.float32)
    markers = {int(k): np.array(v, float) for k, v in truth["card"]["marker_corners_px"].items()}
    for card in sorted({k // 4 for k in markers}):
        points = np.concatenate([v for k, v in markers.items() if k // 4 == card])
        middle = points.mean(axis=0)
        hull = cv2.convexHull((middle + CARD * (points - middle) - corner).astype(np.float32))
        cv2.fillConvexPoly(mask, np.rint(hull).astype(np.int32), 0.0)
    return np.asarray(cv2.GaussianBlur(mask, (0, 0), 2.0), np.float32)


def spoil(
    image: NDArray[np.uint8], truth: dict[str, Any], rng: np.random.Generator
) -> tuple[NDArray[np.uint8], list[str]]:
    """The picture (H, W, 3) painted over, and what was painted."""
    toes = [np.array(truth["bead"]["toes_px"][side], float) for side in ("left", "right")]
    both = np.concatenate(toes)
    wide = float(np.median(np.linalg.norm(toes[0] - toes[1], axis=1)))
    low = np.maximum(both.min(axis=0) - MARGIN * wide, 0).astype(int)
    high = np.minimum(both.max(axis=0) + MARGIN * wide, image.shape[1::-1]).astype(int)
    part = (image[low[1] : high[1], low[0] : high[0]] / np.float32(255)) ** np.float32(GAMMA)
    shape = part.shape[:2]
    outline = np.rint(np.concatenate([toes[0], toes[1][::-1]]) - low).astype(np.int32)
    inside = np.zeros(shape, np.uint8)
    cv2.fillPoly(inside, [outline], 1)
    off = []  # distance to either toe, widths
    for toe in toes:
        line = np.full(shape, 255, np.uint8)
        cv2.polylines(line, [np.rint(toe - low).astype(np.int32)], False, 0)
        off.append(cv2.distanceTransform(line, cv2.DIST_L2, 5).astype(np.float32) / np.float32(wide))
    beyond = np.where(inside > 0, -1, 1) * np.minimum(*off)  # of the toe, negative on the face
    nearest = off[0] < off[1]
    across = (off[1] - off[0]) / (off[0] + off[1] + 1e-6)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    start, end = (np.mean([toe[k] for toe in toes], axis=0) - low for k in (0, -1))
    along = ((x - start[0]) * (end - start)[0] + (y - start[1]) * (end - start)[1]) / np.sum((end - start) ** 2)
    blur = 1.5 / wide
    face, plate = _soft(-beyond, blur), _soft(beyond, blur) * _off_cards(truth, shape, low)
    said = []

    if rng.random() < 0.6:
        said.append("clouds")
        strength = rng.uniform(0.25, 0.8)
        shade = np.exp(strength * clouds(shape, wide * rng.uniform(0.4, 2.5), rng) * plate)
        part *= shade[..., None]
    for side in (nearest, ~nearest):
        if rng.random() < 0.65:
            kind = str(rng.choice(list(CRUSTS)))
            said.append(kind)
            rough = clouds(shape, wide * rng.uniform(0.1, 0.5), rng, rng.uniform(0.5, 0.9))
            inner = rng.uniform(-0.05, 0.3) if rng.random() < 0.5 else -0.05
            outer = max(inner, 0.0) + rng.uniform(0.05, 0.5)
            edge = rng.uniform(0.01, 0.08)
            ring = _soft(beyond - inner + 0.04 * rough * (inner > 0), edge) * _soft(outer - beyond + 0.1 * rough, edge)
            cover = rng.uniform(0.5, 1.0) * np.clip(0.7 + rng.uniform(0.0, 0.6) * rough, 0, 1)
            cover = (ring * cover * plate * side)[..., None]
            colour = (
                np.array(CRUSTS[kind], np.float32) * np.float32(np.quantile(part, 0.6) / 0.2) * rng.uniform(0.6, 1.4)
            )
            part = part * (1 - cover) + colour * cover
        if rng.random() < 0.25:
            said.append("shadow")
            wide_share = rng.uniform(0.03, 0.12)
            here = _soft(wide_share - np.abs(beyond - rng.uniform(-0.5, 0.8) * wide_share), blur) * side
            part *= (1 - rng.uniform(0.4, 0.9) * here * (face + plate))[..., None]
    if rng.random() < 0.6:
        said.append("mirror")
        wander = 0.1 * np.interp(along, np.linspace(0, 1, 9), rng.standard_normal(9)).astype(np.float32)
        profile = np.interp(across + wander, np.linspace(-1.2, 1.2, 9), rng.standard_normal(9)).astype(np.float32)
        part *= np.exp(rng.uniform(0.3, 0.9) * profile * face)[..., None]
    if rng.random() < 0.5:
        said.append("along")
        knots = np.linspace(0, 1, int(rng.integers(3, 7)))
        course = cv2.GaussianBlur(
            np.interp(along, knots, rng.standard_normal(len(knots))).astype(np.float32), (0, 0), wide / 8
        )
        part *= np.exp(rng.uniform(0.3, 0.9) * course * face)[..., None]
    if rng.random() < 0.3:
        said.append("dark face")
        part *= (1 - rng.uniform(0.5, 0.9) * face)[..., None]
    out = image.copy()
    out[low[1] : high[1], low[0] : high[0]] = np.rint(255 * np.clip(part, 0, 1) ** np.float32(1 / GAMMA))
    if rng.random() < 0.5:
        said.append("picture")
        light = (out / np.float32(255)) ** np.float32(rng.uniform(0.7, 1.5))
        light = (
            light * np.float32(rng.uniform(0.6, 1.1))
            + np.float32(rng.normal(0, 0.01))
            + rng.normal(0, rng.uniform(0.003, 0.02), out.shape).astype(np.float32)
        )
        out = np.rint(255 * np.clip(light, 0, 1)).astype(np.uint8)
    return out, said


def main() -> None:
    """Paint every photo with a bead of the folders."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folders", type=Path, nargs="+")
    ask.add_argument("--to", type=Path, required=True)
    ask.add_argument("--seed", type=int, default=0)
    said = ask.parse_args()
    said.to.mkdir(parents=True, exist_ok=True)
    for path in (path for folder in said.folders for path in sorted(folder.glob("*.json"))):
        truth = json.loads(path.read_text("utf-8"))
        photo = path.with_suffix(".jpg")
        if not truth["usable"] or not photo.is_file():
            continue
        with Image.open(photo) as opened:
            exif = opened.getexif()
            image = np.asarray(opened.convert("RGB"))[..., ::-1].copy()
        rng = np.random.default_rng([said.seed, int(truth["generator"]["seed"])])
        image, painted = spoil(image, truth, rng)
        truth["generator"]["painted"] = painted
        name = f"{path.parent.name}_{path.stem}"
        Image.fromarray(image[..., ::-1]).save(said.to / f"{name}.jpg", quality=93, exif=exif)
        (said.to / f"{name}.json").write_text(json.dumps(truth), "utf-8")


if __name__ == "__main__":
    main()
