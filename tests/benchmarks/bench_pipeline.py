"""Time per stage and peak memory of the whole job at several sizes of one photo; run by hand.

    python tests/benchmarks/bench_pipeline.py [PHOTO] [--json FILE]

Each size runs in a process of its own, so that its peak memory is its own. The ratio is to decoding the same JPEG and
finding the card in it, in the same process.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import resource
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import seen_photos

MEGAPIXELS = (3, 8, 12, 24, 48)
RUNS = 3


def scaled(photo: Path, megapixels: float, folder: Path) -> Path:
    """The photo as a JPEG of about this many megapixels, with its focal length."""
    from toeline.photo import read_photo

    read = read_photo(photo)
    factor = (megapixels * 1e6 / (read.width * read.height)) ** 0.5
    image = cv2.resize(
        read.image, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    )
    out = folder / f"{megapixels}.jpg"
    out.write_bytes(seen_photos.jpeg(image, read.exif.focal_35mm))
    return out


def run(photo: Path, megapixels: int) -> dict[str, float | bool]:
    """Best of a few runs, ms; peak resident memory, MB, before and after measuring."""
    from toeline.card import find_cards
    from toeline.photo import read_photo
    from toeline.pipeline import measure

    find_cards(read_photo(photo))  # warm up
    loaded = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    base = float("inf")
    for _ in range(RUNS):
        start = time.perf_counter()
        find_cards(read_photo(photo))
        base = min(base, 1000 * (time.perf_counter() - start))
    results = [measure(photo) for _ in range(RUNS)]
    best = min(results, key=lambda r: r.timing_ms["total"])
    return {
        "megapixels": megapixels,
        "found": best.bead.found,
        "decode and card": base,
        **best.timing_ms,
        "ratio": best.timing_ms["total"] / base,
        "peak MB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "of it decode and card MB": loaded,
    }


def main() -> None:
    """Run all sizes and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photo", nargs="?", type=Path, help="a photo with a bead and a card; a demo photo by default")
    parser.add_argument("--json", type=Path, help="also write the figures here")
    words = parser.parse_args()
    known = seen_photos.photos() + seen_photos.photos(("stringer",), "poor_restart")
    photo = words.photo or known[0][0]
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for megapixels in MEGAPIXELS:
            file = scaled(photo, megapixels, Path(folder))
            with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
                rows.append(pool.submit(run, file, megapixels).result())
    table = Table(title=f"{photo.name}: ms, best of {RUNS}")
    for name in rows[0]:
        table.add_column(name, justify="right")
    for row in rows:
        table.add_row(*(f"{v:.1f}" if isinstance(v, float) else str(v) for v in row.values()))
    Console(width=200).print(table)
    if words.json:
        words.json.write_text(json.dumps({"photo": photo.name, "runs": rows}, indent=2) + "\n", "utf-8")


if __name__ == "__main__":
    main()
