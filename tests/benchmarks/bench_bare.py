"""Which traces may be believed where no card vouches for a bead, counted on beads and on pictures that show none.

    python tests/benchmarks/bench_bare.py beads FOLDER... --json FILE [--jobs N]
    python tests/benchmarks/bench_bare.py pictures [FOLDER...] --json FILE [--jobs N]
    python tests/benchmarks/bench_bare.py count FILE...

``beads`` takes photos with their truth beside them, as ``bench_uncertainty.py shoot`` draws them: with the card painted
over, and close-ups cut out of them, at random places and turned at random, through which the bead runs. ``pictures``
takes the pictures that scikit-image ships, of people, animals, things and patterns, and those of the folders, which are
to show no bead either, upright and turned, at five sizes.

``count`` prints how many of them are measured, and names the wrong ones; and, for the thresholds ``toes_loose``,
``widths_loose`` and ``through`` of ``[belief]`` of ``data/bead.toml``, what is let through where there is no bead and
what is refused where one is traced rightly: its face and the true one overlap by more than 0.8.

Run it again whenever the networks change, and put what it prints into the data file.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
import zlib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import product
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import skimage
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from toeline.geometry.card import find_cards
from toeline.geometry.ground import Ground, lay_ground
from toeline.photo import read_photo
from toeline.pipeline import measure
from toeline.result import Settings
from toeline.trace.bead_finder import detect_beads
from toeline.trace.search import search

U8 = NDArray[np.uint8]
F64 = NDArray[np.float64]
SIDES = (None, 800, 1200, 1600, 2400)  #: long sides of a picture, px; None as it is
CLOSE_UPS = (2.2, 3.5, 5.5)  #: how many widths of the bead a close-up is long
LARGEST = 1600  #: px, the side of a close-up
CARD = 1.25  #: the card is painted over so much larger than its markers reach
OVERLAP = 0.8  #: of its face with the true one, what a right trace has at least
TOES, WIDTHS, THROUGH = (0.7, 0.75, 0.8, 0.85), (0.0, 2.0, 2.5, 3.0), (0.0, 0.34, 0.36, 0.38, 0.4, 0.42)


def see(kind: str, name: str, picture: U8, toes_px: tuple[F64, F64] | None = None) -> dict[str, Any]:
    """What is made of a BGR picture (H, W, 3), beside its true toes (N, 2) px, if it shows a bead."""
    data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()
    photo = read_photo(data)
    cards = find_cards(photo)
    ground: Ground = lay_ground(photo, cards, Settings(), None)
    detections = detect_beads(photo.image)
    found = search(photo, detections, ground, None)
    row: dict[str, Any] = {
        "kind": kind,
        "name": name,
        "traced": found.bead is not None and not cards,
        "measured": False,
    }
    if found.bead is None or cards:
        return row
    bead = found.bead
    row |= {
        "measured": not found.problems and measure(data).stopped is None,
        "through": not (bead.start_seen or bead.end_seen),
        "toes": float(np.median(bead.confidence)),
        "widths": float(bead.s[-1] / np.median(bead.t_left - bead.t_right)),
        "finder": bead.found_confidence * math.sqrt(detections.bead_within(bead.outline_px)),
        "right": False,
    }
    if toes_px is not None:
        size = picture.shape[:2]
        said, true = _filled(bead.outline_px, size), _filled(np.concatenate([toes_px[0], toes_px[1][::-1]]), size)
        row["right"] = bool((said & true).sum() > OVERLAP * (said | true).sum())
    return row


def _filled(outline: F64, size: tuple[int, int]) -> NDArray[np.bool_]:
    inside = np.zeros(size, np.uint8)
    cv2.fillPoly(inside, [np.rint(outline).astype(np.int32)], 1)
    return inside > 0


def see_beads(file: Path) -> list[dict[str, Any]]:
    """A photo with truth, its card painted over, and close-ups of its bead."""
    cv2.setNumThreads(1)
    truth = json.loads(file.with_suffix(".json").read_text("utf-8"))
    if not truth["usable"] or not truth["bead"]:
        return []
    left, right = (np.array(truth["bead"]["toes_px"][side], float) for side in ("left", "right"))
    photo = read_photo(file)
    bare = photo.image.copy()
    for card in find_cards(photo):
        corners = card.corners_px.reshape(-1, 2)
        middle = corners.mean(axis=0)
        inside = np.zeros(bare.shape[:2], np.uint8)
        hull = cv2.convexHull(np.round(middle + CARD * (corners - middle)).astype(np.int32))
        cv2.fillConvexPoly(inside, hull, 1)
        round_about = (cv2.dilate(inside, np.ones((41, 41), np.uint8)) > 0) & (inside == 0)
        bare[inside > 0] = np.median(bare[round_about], axis=0)
    rows = [see("card painted over", file.name, bare, (left, right))]
    for long, picture, turn in _close_ups(file.name, photo.image, left, right):
        toes = tuple(toe @ turn[:, :2].T + turn[:, 2] for toe in (left, right))
        rows.append(see("close-up", f"{file.name}, {long} widths", picture, (toes[0], toes[1])))
    return rows


def _close_ups(name: str, image: U8, left: F64, right: F64) -> Iterator[tuple[float, U8, F64]]:
    """Square close-ups through which the bead runs: how many widths long, the picture, and what the photo's pixels
    were moved by (2, 3)."""
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    middle, width = (left + right) / 2, float(np.median(np.linalg.norm(left - right, axis=1)))
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(middle, axis=0), axis=1))])

    def at(along: float) -> F64:
        return np.array([np.interp(along, run, middle[:, k]) for k in (0, 1)])

    for widths in CLOSE_UPS:
        room = 0.57 * widths * width + 0.5 * width
        if run[-1] < 2 * room:
            continue
        along = rng.uniform(room, run[-1] - room)
        way = at(along + width) - at(along - width)
        angle = math.degrees(math.atan2(way[1], way[0])) + rng.uniform(-8, 8) + 90 * int(rng.integers(4))
        side = widths * width * rng.uniform(0.95, 1.0)
        times = min(1.0, LARGEST / side)
        px = int(side * times)
        turn = np.asarray(cv2.getRotationMatrix2D(tuple(at(along)), angle, times), float)
        turn[:, 2] += px / 2 - at(along)
        back = cv2.invertAffineTransform(turn)
        corners = np.array([[0, 0], [px, 0], [px, px], [0, px]]) @ back[:, :2].T + back[:, 2]
        if (corners < 0).any() or (corners > image.shape[1::-1]).any():
            continue
        how = cv2.INTER_AREA if times < 1 else cv2.INTER_CUBIC
        yield widths, np.asarray(cv2.warpAffine(image, turn, (px, px), flags=how), np.uint8), turn


def see_picture(view: tuple[Path, int | None, bool]) -> list[dict[str, Any]]:
    """A picture that shows no bead, at one size, upright or turned."""
    cv2.setNumThreads(1)
    file, side, turned = view
    picture = cv2.imread(str(file))
    if picture is None:
        return []
    if turned:
        picture = cv2.rotate(picture, cv2.ROTATE_90_CLOCKWISE)
    if side is not None:
        times = side / max(picture.shape[:2])
        how = cv2.INTER_CUBIC if times > 1 else cv2.INTER_AREA
        picture = cv2.resize(picture, None, fx=times, fy=times, interpolation=how)
    name = f"{file.name}, {side or 'as it is'}, {'turned' if turned else 'upright'}"
    return [see("no bead", name, np.asarray(picture, np.uint8))]


def count(files: Sequence[Path]) -> None:
    """Print what is measured, and what the data file takes."""
    rows = [row for file in files for row in json.loads(file.read_text("utf-8"))]
    for kind in sorted({row["kind"] for row in rows}):
        some = [row for row in rows if row["kind"] == kind]
        measured = [row for row in some if row["measured"]]
        wrong = [row["name"] for row in measured if not row["right"]]
        print(f"{kind}: {len(some)} views, {len(measured)} measured, {len(wrong)} of them wrongly", *wrong, sep="\n  ")
    traced = [row for row in rows if row["traced"]]
    ends = [row for row in traced if not row["through"]]
    _thresholds(
        "An end in view", "toes_loose", TOES, "widths_loose", WIDTHS, ends,
        lambda row, toes, widths: bool(row["toes"] >= toes and row["widths"] >= widths),
    )  # fmt: skip
    through = [row for row in traced if row["through"]]
    _thresholds(
        "No end in view", "toes", (0.0, 0.45, 0.5), "through", THROUGH, through,
        lambda row, toes, least: bool(row["toes"] >= toes and row["toes"] * row["finder"] >= least),
    )  # fmt: skip


def _thresholds(
    title: str, first: str, firsts: Sequence[float], second: str, seconds: Sequence[float],
    rows: Sequence[dict[str, Any]], taken: Callable[[dict[str, Any], float, float], bool],
) -> None:  # fmt: skip
    bare, right = [row for row in rows if row["kind"] == "no bead"], [row for row in rows if row["right"]]
    table = Table(title=f"{title}: of {len(bare)} let through / of {len(right)} refused", title_justify="left")
    table.add_column(f"{first} \\ {second}")
    for least in seconds:
        table.add_column(f"{least:g}", justify="right")
    for toes in firsts:
        cells = [
            f"{sum(taken(row, toes, least) for row in bare)} / {sum(not taken(row, toes, least) for row in right)}"
            for least in seconds
        ]
        table.add_row(f"{toes:g}", *cells)
    Console(width=130).print(table)


def main() -> None:
    """Run one of the three."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    do = ask.add_subparsers(dest="do", required=True)
    for name, many in (("beads", "+"), ("pictures", "*")):
        seeing = do.add_parser(name)
        seeing.add_argument("folders", type=Path, nargs=many)
        seeing.add_argument("--json", type=Path, metavar="FILE", required=True)
        seeing.add_argument("--jobs", type=int, default=1)
    do.add_parser("count").add_argument("files", type=Path, nargs="+")
    said = ask.parse_args()
    if said.do == "count":
        count(said.files)
        return
    with ProcessPoolExecutor(said.jobs, mp_context=multiprocessing.get_context("spawn")) as pool:
        if said.do == "beads":
            photos = [file for folder in said.folders for file in sorted(folder.glob("*.jpg"))]
            seen = pool.map(see_beads, [file for file in photos if file.with_suffix(".json").is_file()])
        else:
            folders = [Path(skimage.__file__).parent / "data", *said.folders]
            files = [f for folder in folders for f in sorted(folder.iterdir()) if f.suffix in (".png", ".jpg")]
            seen = pool.map(see_picture, product(files, SIDES, (False, True)))
        said.json.write_text(json.dumps([row for rows in seen for row in rows]), "utf-8")


if __name__ == "__main__":
    main()
