"""Careless views of the demo photos, measured with words drawn at random: each is measured or refused, none breaks.

    python tests/fuzz/fuzz_views.py [--first N] [--count N] [FOLDER...]

A view is a piece of a photo, turned, mirrored, darkened, blurred, made smaller or covered; the words are a joint, ends,
criteria, sizes and a stated joint angle. A number draws the same view and words each time. FOLDERs of further photos
are taken too. A fault is any exception but the tool's own refusal, and any warning.
"""

from __future__ import annotations

import argparse
import json
import sys
import traceback
import warnings
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline import ToelineError, measure

DEMO = Path(__file__).parents[2] / "demo_images"
CRITERIA = (None, "iso5817-2014-c", "iso5817-2023-b", "aws-d1.1-static", "api-1104", "asme-b31.3-normal", "workmanship")
LEAST = 8  #: px, the shorter side of a view


def drawn(number: int, photos: Sequence[Path]) -> tuple[NDArray[np.uint8], dict[str, Any]]:
    """A view (H, W, 3) and what is said of it."""
    rng = np.random.default_rng(number)

    def one_in(n: int) -> bool:
        return bool(rng.integers(n) == 0)

    picture = cv2.imread(str(photos[rng.integers(len(photos))]))
    assert picture is not None
    if not one_in(3):
        size = [max(int(side * rng.uniform(0.15, 1)), LEAST) for side in picture.shape[:2]]
        y, x = (int(rng.integers(side - part + 1)) for side, part in zip(picture.shape, size, strict=False))
        picture = picture[y : y + size[0], x : x + size[1]]
    picture = np.rot90(picture, rng.integers(4) if one_in(3) else 0)
    if one_in(5):
        picture = picture[:, ::-1]
    if one_in(3):
        picture = np.clip(picture * rng.uniform(0.2, 1.8) + rng.uniform(-40, 40), 0, 255).astype(np.uint8)
    if one_in(5):
        picture = cv2.GaussianBlur(np.ascontiguousarray(picture), (0, 0), rng.uniform(0.5, 6))
    if one_in(2):
        times = max(rng.uniform(0.1, 1.2), LEAST / min(picture.shape[:2]))
        picture = cv2.resize(np.ascontiguousarray(picture), None, fx=times, fy=times, interpolation=cv2.INTER_AREA)
    picture = np.array(picture, np.uint8)
    h, w = picture.shape[:2]
    if one_in(6):
        y = int(rng.integers(h))
        picture[y : y + int(rng.integers(10, 300))] = rng.integers(256)
    said: dict[str, Any] = {"joint": str(rng.choice(["bead", "butt", "fillet"]))}
    if (criteria := CRITERIA[rng.integers(len(CRITERIA))]) is not None:
        said["criteria"] = criteria
    if one_in(3):
        said["ends"] = tuple(float(rng.uniform(0, side)) for side in (w, h, w, h))
    if not one_in(3):
        said["thickness"] = float(rng.uniform(1.5, 30))
    if one_in(2):
        said["size"] = float(rng.uniform(2, 12))
    if one_in(3):
        said["check_line"] = float(rng.uniform(46, 54))
    if one_in(2):
        said["joint_angle"] = float(rng.uniform(60, 120))
    if one_in(5):
        said["unit"] = "in"
    return picture, said


def fault(number: int, photos: Sequence[Path]) -> str | None:
    """How a view breaks the tool, or None."""
    picture, said = drawn(number, photos)
    if said.get("unit") == "in":
        said |= {name: said[name] / 25.4 for name in ("thickness", "size", "check_line") if name in said}
    data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 85])[1].tobytes()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            measure(data, **said).model_dump_json()
        except ToelineError:
            return None
        except Exception:
            return f"view {number}, {said}\n{traceback.format_exc(limit=-6)}"
    return None


def photos_of(folders: Iterable[Path] = ()) -> list[Path]:
    """The demo photos and those of more folders."""
    return [file for folder in (DEMO, *folders) for file in sorted(folder.glob("*.jpg"))]


def main() -> int:
    """Draw views one after another; 1 where any breaks the tool."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folders", type=Path, nargs="*")
    ask.add_argument("--first", type=int, default=0)
    ask.add_argument("--count", type=int, default=1000)
    words = ask.parse_args()
    photos = photos_of(words.folders)
    faults = [found for n in range(words.first, words.first + words.count) if (found := fault(n, photos)) is not None]
    print(*faults, sep="\n", file=sys.stderr)
    print(json.dumps({"views": words.count, "faults": len(faults)}))
    return 1 if faults else 0


if __name__ == "__main__":
    raise SystemExit(main())
