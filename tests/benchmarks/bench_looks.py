"""What each of the reader's looks brings and costs, for the shipped reader or another, as one table.

    python tests/benchmarks/bench_looks.py [--reader FILE.onnx] [--views FOLDER] [--photos FOLDER ...] [--of LOOK ...]

Counted is every choice of the looks ``--of``, from none to all of them; by default of those that the shipped
``data/bead.toml`` names. The sets are straight views as ``bench_toes.py draw`` renders them, as drawn and in another
light, and folders of photos with truth. ``--reader`` takes a network file in place of the shipped reader.

"found" are the views whose bead is believed, or the share of photos whose bead is found with both ends; "wrong" the
photos that are wrongly traced and yet accepted. Undercut is counted in mm along the toes: how much of it is found, of
that 0.5 mm deep or more ("deep", where the truth says how deep), and how much of what is said is there. "reader" is
what the reader takes a picture: how many times as long as with no further look, and ms of one core of this machine.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from itertools import combinations
from pathlib import Path
from typing import get_args

import cv2
import numpy as np
from rich.console import Console
from rich.table import Table

from toeline.trace import networks
from toeline.trace.band import F32, U8
from toeline.trace.figures import BeadFigures, Look
from toeline.validation.accuracy import _score as score
from toeline.validation.accuracy import photos_with_truth, summarise
from toeline.validation.against_truth import Hits, PhotoScore

sys.path.insert(0, str(Path(__file__).resolve().parent))
import bench_toes

FIGURES = ("found", "wrong", "undercut found", "deep", "is there", "overlap F1", "crater", "width, 9 of 10")
SHIPPED, RUN = BeadFigures.read(), networks._run
Looks = tuple[Look, ...]


@dataclass(slots=True)
class Memory:
    """What the networks said of the picture at hand, so that each view is read once, and what the reader took, s."""

    said: dict[tuple[str, tuple[int, ...], bytes], tuple[tuple[F32, F32], float]] = field(default_factory=dict)
    reading: list[float] = field(default_factory=list)

    def run(self, name: str, image: U8) -> tuple[F32, F32]:
        """In place of the networks' own."""
        key = name, image.shape, image.tobytes()
        if key not in self.said:
            began = time.thread_time()  # whatever else the machine does
            maps = RUN(name, image)
            self.said[key] = maps, time.thread_time() - began
        maps, took = self.said[key]
        if name == "reader":
            self.reading.append(took)
        return maps


@dataclass(slots=True)
class Row:
    """What one choice of looks came to over a set: of views the errors and the undercut, of photos the scores, and the
    reader's time, s."""

    errors: list[bench_toes.Errors] = field(default_factory=list)
    undercut: Hits = field(default_factory=Hits)
    scores: list[PhotoScore] = field(default_factory=list)
    reading: float = 0.0


def choices(of: Sequence[Look]) -> list[Looks]:
    """Every choice of these looks, the fewest first."""
    return [some for n in range(len(of) + 1) for some in combinations(of, n)]


@contextmanager
def looking(looks: Looks, memory: Memory, row: Row) -> Iterator[None]:
    """These looks and no others for everything within; their time counts for the row."""
    second = SHIPPED.second_look.model_copy(update={"looks": looks})
    chosen = SHIPPED.model_copy(update={"second_look": second})
    BeadFigures.read = staticmethod(lambda: chosen)  # type: ignore[method-assign,assignment]
    networks._run, memory.reading = memory.run, []
    try:
        yield
    finally:
        del BeadFigures.read
        networks._run = RUN
        row.reading += sum(memory.reading)


def count_views(folder: Path, light: str, rows: dict[Looks, Row]) -> int:
    """Trace every view with every choice of looks; how many views there are."""
    views = bench_toes.views_of(folder)
    for view in views:
        memory, image = Memory(), bench_toes.shown(view, light)
        for looks, row in rows.items():
            with looking(looks, memory, row):
                bead = bench_toes.traced(image, view.columns, view.rows)
            if bead is not None and (errors := bench_toes.errors_of(bead, view.columns, view.rows)) is not None:
                row.errors.append(errors)
                row.undercut += bench_toes.undercut_of(bead, view.grooves)
    return len(views)


def count_photos(folder: Path, rows: dict[Looks, Row]) -> int:
    """Measure every photo with every choice of looks; how many photos there are."""
    pairs = photos_with_truth(folder)
    for pair in pairs:
        memory = Memory()
        for looks, row in rows.items():
            with looking(looks, memory, row):
                row.scores.append(score(pair))
    return len(pairs)


def told_views(row: Row) -> list[str]:
    """The ``FIGURES`` of views."""
    hits, off = row.undercut, np.abs([one.width for one in row.errors])
    wide = float(np.quantile(off, 0.9)) if len(off) else None
    return [str(len(off)), "", told(hits.recall), "", told(hits.precision), "", "", told(wide)]


def told_photos(row: Row) -> list[str]:
    """The ``FIGURES`` of photos."""
    board = summarise(row.scores)
    figures = {one.key: one.value for one in board.figures}
    every, overlap = board.undercut[min(board.undercut)], board.things.get("overlap", Hits())
    deep, said = figures["undercut_recall"], board.undercut_said
    return [
        *(told(figures["found"]), str(len(board.wrongly_traced)), told(every.recall), told(deep), told(said.precision)),
        *(told(overlap.f1), told(figures["crater"]), told(figures["width_mean_p90"])),
    ]


def told(value: float | None) -> str:
    """A figure as the table shows it."""
    return "-" if value is None else f"{value:.3f}"


def main() -> None:
    """Count each set, print its table."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--reader", type=Path, help="a network file in place of the shipped reader")
    ask.add_argument("--views", type=Path, help="a folder of straight views")
    ask.add_argument("--photos", type=Path, nargs="+", default=[], help="folders of photos with truth")
    ask.add_argument("--of", nargs="+", choices=get_args(Look), default=SHIPPED.second_look.looks, metavar="LOOK")
    asked = ask.parse_args()
    os.environ["OMP_NUM_THREADS"] = "1"
    cv2.setNumThreads(1)
    if asked.reader:
        reader, shipped = networks.load(str(asked.reader)), networks.network
        networks.network = lambda name: reader if name == "reader" else shipped(name)
    sets: list[tuple[str, Callable[[dict[Looks, Row]], int], Callable[[Row], list[str]]]] = []
    if asked.views:
        sets += [
            (f"views {light}", partial(count_views, asked.views, light), told_views) for light in bench_toes.LIGHTS
        ]
    sets += [(f"photos {folder.name}", partial(count_photos, folder), told_photos) for folder in asked.photos]
    for name, count, figures in sets:
        rows = {looks: Row() for looks in choices(asked.of)}
        n = count(rows)
        table = Table(title=f"{n} {name}, {asked.reader or 'the shipped reader'}", title_justify="left")
        for head in ("looks", *FIGURES, "reader"):
            table.add_column(head, justify="left" if head == "looks" else "right")
        for looks, row in rows.items():
            cost = f"{row.reading / rows[()].reading:.2f} ({1000 * row.reading / n:.0f} ms)"
            table.add_row(" + ".join(looks) or "none", *figures(row), cost)
        Console(width=140).print(table)


if __name__ == "__main__":
    main()
