"""How far the toes lie out or in, by how unsure they are, and how much undercut is found and invented, on rendered
straight views whose face and undercut are known.

    python tests/benchmarks/bench_toes.py draw FOLDER [--views 60] [--seed 9100000]
    python tests/benchmarks/bench_toes.py count FOLDER [--lean 0 0.5 1 1.5 2]

``draw`` renders views of beads of all looks at the reader's own scale, one in five a fillet, each with its maps of face
and undercut beside it; it needs the ``train`` extra (torch), takes some seconds a view on a CPU and goes on where it
was stopped. ``count`` traces each view as it is and once more in another light (its colours cast, paled or deepened,
its contrast changed, blurred, grainy: drawn by the view's seed, common practice, no source), for each of the given
``[trace] lean`` of ``data/bead.toml``. It prints the error of the toes and of the mean width over the body, how far the
toes lie outwards at each standard uncertainty, and how much undercut is found and invented. Views whose bead is not to
be told from another beside it are left out.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from toeline.measures.figures import IndicationFigures
from toeline.measures.indications import runs, toe_score
from toeline.result import Side
from toeline.trace import toes as tracer
from toeline.trace.band import F64, U8, TracedBead
from toeline.trace.bead_finder import Candidate
from toeline.trace.figures import BeadFigures
from toeline.validation.against_truth import Hits

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "demo_images"))
from bench_causes import STEP, FlatView

SIZE = (288, 1152)
ASTRAY_MM = 2.0
ONE_BEAD = 0.3  #: a face whose width varies by more than this share, from 2 to 98 of 100 columns, may be two beads
INSIDE, OUTSIDE = 12, 25
LIGHTS = ("as drawn", "in another light")
LEVELS = (0.0, 0.06, 0.1, 0.15, 0.25, 0.4, 0.7, 1.2, 9.0)


@dataclass(frozen=True, slots=True)
class Errors:
    """Of one trace's stations over the body: how far both toes lie outwards (2, n) mm, and their u (2, n) mm."""

    outwards: F64
    u: F64

    @property
    def width(self) -> float:
        """Error of the mean width, mm."""
        return float(self.outwards.mean(axis=1).sum())


def draw(folder: Path, seeds: range) -> None:
    """Render the views that are not yet in ``folder``."""
    import torch
    from workshop.scene import BAND_MAPS, band_batch

    folder.mkdir(parents=True, exist_ok=True)
    for seed in seeds:
        if (folder / f"{seed}.face.png").exists():
            continue
        with torch.inference_mode():
            photo, truth = band_batch(seed, 1, "cpu", SIZE, ASTRAY_MM, fillet=seed % 5 == 0, wild=9)
        view = photo[0].permute(1, 2, 0).numpy()[..., ::-1]
        cv2.imwrite(str(folder / f"{seed}.png"), np.round(255 * view).clip(0, 255).astype(np.uint8))
        for name in ("undercut", "face"):
            layer = truth[0, BAND_MAPS.index(name)].numpy()
            cv2.imwrite(str(folder / f"{seed}.{name}.png"), np.round(255 * layer).astype(np.uint8))
        print(seed, flush=True)


def in_another_light(view: U8, rng: np.random.Generator) -> U8:
    """A view as another lamp and another phone might have shown it."""
    light = view.astype(np.float32) / 255
    grey = light.mean(axis=2, keepdims=True)
    light = (grey + (light - grey) * rng.uniform(0, 1.8)) * np.exp(rng.normal(0, 0.35, 3))
    light = light.clip(0, 1) ** np.exp(rng.normal(0, 0.35))
    if rng.random() < 0.4:
        light = cv2.GaussianBlur(light, (0, 0), rng.uniform(0.6, 1.8))
    return np.asarray((light + rng.normal(0, rng.uniform(0, 0.03), light.shape)).clip(0, 1) * 255, np.uint8)


def true_toes(face: U8) -> tuple[NDArray[np.int64], F64] | None:
    """Columns (n,) of the one bead in a face map, and the rows (2, n) of its upper and lower edge; None where it is
    small or may be two."""
    count, labels, boxes, _ = cv2.connectedComponentsWithStats((face > 127).astype(np.uint8))
    if count < 2:
        return None
    bead = labels == 1 + int(boxes[1:, cv2.CC_STAT_AREA].argmax())
    columns = np.flatnonzero(bead.any(axis=0))
    inside = bead[:, columns]
    rows = np.stack([inside.argmax(axis=0) - 0.5, len(face) - 0.5 - inside[::-1].argmax(axis=0)])
    wide = rows[1] - rows[0]
    usual, body = float(np.median(wide)), wide[len(wide) // 4 : -len(wide) // 4]
    if len(columns) < 3 * usual or float(np.ptp(np.quantile(body, (0.02, 0.98)))) > ONE_BEAD * usual:
        return None
    return columns, rows


def errors_of(bead: TracedBead, columns: NDArray[np.int64], rows: F64) -> Errors | None:
    """The trace beside the true edges, a width within its ends; None where it covers less than 10 mm of that."""
    upper, lower = (bead.frame.to_px(toe) for toe in (bead.left_toe, bead.right_toe))
    u = np.stack([bead.u_left, bead.u_right])
    if np.median(upper[:, 1]) > np.median(lower[:, 1]):
        upper, lower, u = lower, upper, u[::-1]
    wide = float(np.median(rows[1] - rows[0]))
    x = (upper[:, 0] + lower[:, 0]) / 2
    body = (x > columns[0] + wide) & (x < columns[-1] - wide)
    if body.sum() < 40:
        return None
    out = [np.interp(x, columns, rows[0]) - upper[:, 1], lower[:, 1] - np.interp(x, columns, rows[1])]
    return Errors(STEP * np.stack(out)[:, body], u[:, body])


def undercut_of(bead: TracedBead, grooves: U8) -> Hits:
    """What is said of undercut along both toes, in mm, beside the true map (H, W): there is some where the map shows it
    from ``INSIDE`` px within the toe to ``OUTSIDE`` px beyond."""
    hits, rule = Hits(), IndicationFigures.read().undercut
    sides: tuple[tuple[Side, F64, int], ...] = (("left", bead.t_left, 1), ("right", bead.t_right, -1))
    for side, toe, way in sides:
        s, score = toe_score(bead, "undercut", side)
        t = np.interp(s, bead.s, toe) + way * STEP * np.arange(-INSIDE, OUTSIDE + 1)[:, None]
        px = bead.frame.to_px(bead.band.to_surface(np.tile(s, len(t)), t.ravel()))
        column, row = (np.round(px[:, k]).astype(int).clip(0, grooves.shape[1 - k] - 1) for k in (0, 1))
        there = (grooves[row, column] > 127).reshape(t.shape).any(axis=0)
        said, step = np.zeros(len(s), bool), float(s[1] - s[0])
        for run in runs(score, step, rule):
            said[run.first : run.last + 1] = True
        each = (said & there, said & ~there, ~said & there)
        hits += Hits(*(step * float(at.sum()) for at in each))
    return hits


def traced(view: U8, columns: NDArray[np.int64], rows: F64) -> TracedBead | None:
    """The bead of a view, or None where it is not found or not believed."""
    mid, wide = rows.mean(axis=0), float(np.median(rows[1] - rows[0]))
    line = np.stack([np.linspace(columns[0], columns[-1], 60), np.full(60, np.median(mid))], axis=1)
    try:
        bead = tracer.trace_bead(view, FlatView(), Candidate("bead", line, wide, 0.95))
    except tracer.BeadLost:
        return None
    return bead if np.median(bead.confidence) >= BeadFigures.read().belief.toes else None


@dataclass(frozen=True, slots=True)
class View:
    """A straight view (H, W, 3), and of its bead the columns (n,), the rows (2, n) of both edges and the map (H, W) of
    undercut."""

    seed: int
    image: U8
    columns: NDArray[np.int64]
    rows: F64
    grooves: U8


def views_of(folder: Path) -> list[View]:
    """The views in ``folder`` that show one bead."""
    views = []
    for path in sorted(folder.glob("*.face.png")):
        edges = true_toes(np.asarray(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE), np.uint8))
        if edges is not None:
            seed = path.name.split(".")[0]
            grooves = np.asarray(cv2.imread(str(folder / f"{seed}.undercut.png"), cv2.IMREAD_GRAYSCALE), np.uint8)
            views.append(
                View(int(seed), np.asarray(cv2.imread(str(folder / f"{seed}.png")), np.uint8), *edges, grooves)
            )
    return views


def shown(view: View, light: str) -> U8:
    """The picture of a view in one of the two ``LIGHTS``."""
    return view.image if light == LIGHTS[0] else in_another_light(view.image, np.random.default_rng(view.seed))


def count(folder: Path, leans: list[float]) -> None:
    """Print the errors for each lean."""
    console = Console(width=120)
    views = views_of(folder)
    figures = BeadFigures.read()
    for lean in leans:
        leaning = figures.model_copy(update={"trace": figures.trace.model_copy(update={"lean": lean})})
        tracer.BeadFigures.read = lambda leaning=leaning: leaning  # type: ignore[method-assign]
        for light in LIGHTS:
            every, undercut = [], Hits()
            for view in views:
                bead = traced(shown(view, light), view.columns, view.rows)
                if bead is not None and (errors := errors_of(bead, view.columns, view.rows)) is not None:
                    every.append(errors)
                    undercut += undercut_of(bead, view.grooves)
            console.print(_told(every, undercut, f"lean {lean:g}, {len(views)} views {light}"))


def _told(every: list[Errors], undercut: Hits, title: str) -> Table:
    out, u = (np.concatenate([np.ravel(x) for x in xs]) for xs in zip(*((e.outwards, e.u) for e in every), strict=True))
    which = np.concatenate([np.full(e.u.size, k) for k, e in enumerate(every)])
    wide = np.array([e.width for e in every])
    table = Table(title=title, title_justify="left", caption_justify="left")
    for head in ("u, mm", "points", "traces", "outwards mean", "median", "off: median"):
        table.add_column(head, justify="right")
    for low, high in pairwise(LEVELS):
        at = (u >= low) & (u < high)
        if at.sum() > 20:
            told = (out[at].mean(), np.median(out[at]), np.median(np.abs(out[at])))
            table.add_row(
                f"{low:g}-{high:g}", str(int(at.sum())), str(len(np.unique(which[at]))), *(f"{x:+.3f}" for x in told)
            )
    off = np.abs(wide)
    table.caption = (
        f"{len(every)} believed; toes off by {np.median(np.abs(out)):.3f} mm at half the places, "
        f"{np.quantile(np.abs(out), 0.9):.3f} at 9 of 10; mean width {np.median(off):.3f}, "
        f"{np.quantile(off, 0.9):.3f}, outwards {np.median(wide):+.3f}; "
        f"undercut: {undercut.right + undercut.missed:.0f} mm, {undercut.recall or 0:.3f} of it found, "
        f"{undercut.precision or 0:.3f} of what is said is there"
    )
    return table


def main() -> None:
    """Run one of the two."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    do = ask.add_subparsers(dest="do", required=True)
    drawing, counting = do.add_parser("draw"), do.add_parser("count")
    for each in (drawing, counting):
        each.add_argument("folder", type=Path)
    drawing.add_argument("--views", type=int, default=60)
    drawing.add_argument("--seed", type=int, default=9100000, help="of the first view; the others follow")
    counting.add_argument("--lean", type=float, nargs="+", default=[0.0, 0.5, 1.0, 1.5, 2.0])
    said = ask.parse_args()
    if said.do == "draw":
        draw(said.folder, range(said.seed, said.seed + said.views))
    else:
        count(said.folder, said.lean)


if __name__ == "__main__":
    main()
