"""Time per stage and peak memory of the whole job at several sizes of one photo; run by hand on an idle Linux machine.

    python tests/benchmarks/bench_pipeline.py [PHOTO] [--json FILE] [--runs N]

Each size runs in a process of its own, so that its peak memory is its own. Decoding the JPEG and finding the card in it
is timed in turn with the whole job, so that what else the machine does falls on both; the ratio is of their medians.
"networks" is the time in the networks; the finder's is beside "card" and "plate", that of the last ones beside
"measure" and "usable": "find" and "look about" are what is left to wait for.
"first" is the job as a new process does it, with the networks still to load; imports come before it.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import statistics
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


def run(photo: Path, megapixels: int, runs: int) -> dict[str, float | bool]:
    """Medians of the runs, ms; peak resident memory, MB, after the imports, after decoding and the card, and in all."""
    start = time.perf_counter()
    from toeline.geometry.card import find_cards
    from toeline.photo import read_photo
    from toeline.pipeline import measure
    from toeline.trace import networks

    imports = _ms_since(start)
    imported = _peak_mb()
    find_cards(read_photo(photo))
    loaded = _peak_mb()
    inference = [0.0]
    inner = networks._run

    def timed(name: str, image: networks.U8) -> tuple[networks.F32, networks.F32]:
        began = time.perf_counter()
        out = inner(name, image)
        inference[0] += _ms_since(began)
        return out

    networks._run = timed
    start = time.perf_counter()
    found = measure(photo).bead.found
    first = _ms_since(start)
    rows = []
    for _ in range(runs):
        start = time.perf_counter()
        find_cards(read_photo(photo))
        base = _ms_since(start)
        inference[0] = 0.0
        start = time.perf_counter()
        result = measure(photo)
        total = _ms_since(start)
        rows.append({"decode + card": base, **result.timing_ms, "total": total, "networks": inference[0]})
    middle = {name: statistics.median(row.get(name, 0.0) for row in rows) for name in rows[0]}
    return {
        "megapixels": megapixels,
        "MB of JPEG": photo.stat().st_size / 1e6,
        "found": found,
        "imports": imports,
        "first": first,
        **middle,
        "ratio": middle["total"] / middle["decode + card"],
        "imports MB": imported,
        "decode + card MB": loaded,
        "peak MB": _peak_mb(),
    }


def _ms_since(start: float) -> float:
    return 1000 * (time.perf_counter() - start)


def _peak_mb() -> float:
    """Of this process alone: getrusage would begin with what the parent held."""
    status = Path("/proc/self/status").read_text("utf-8")
    return next(float(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM")) / 1024


def main() -> None:
    """Run all sizes and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photo", nargs="?", type=Path, help="a photo with a bead and a card; a demo photo by default")
    parser.add_argument("--json", type=Path, help="also write the figures here")
    parser.add_argument("--runs", type=int, default=7, help="timed runs of each size")
    words = parser.parse_args()
    known = seen_photos.photos() + seen_photos.photos(("stringer",), "poor_restart")
    photo = words.photo or known[0][0]
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for megapixels in MEGAPIXELS:
            file = scaled(photo, megapixels, Path(folder))
            with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
                rows.append(pool.submit(run, file, megapixels, words.runs).result())
    table = Table(title=f"{photo.name}: ms, median of {words.runs}; MB resident")
    table.add_column("")
    for row in rows:
        table.add_column(f"{row['megapixels']} MP", justify="right")
    for name in list(rows[0])[1:]:
        table.add_row(name, *(f"{row[name]:.1f}" if isinstance(row[name], float) else str(row[name]) for row in rows))
    Console().print(table)
    if words.json:
        words.json.write_text(json.dumps({"photo": photo.name, "runs": rows}, indent=2) + "\n", "utf-8")


if __name__ == "__main__":
    main()
