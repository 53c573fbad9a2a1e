"""How often the error stays inside U, on many rendered photos whose truth is exact.

    python tests/benchmarks/bench_uncertainty.py shoot FOLDER [--photos 80] [--seed 0] [--device cuda] [--wild]
    python tests/benchmarks/bench_uncertainty.py count FOLDER [--json FILE]

``shoot`` draws photos of 8 to 12 megapixels that a careful person would call usable, each with its truth beside it: the
beads and troubles of ``bench_causes.py``, one in five a fillet; card, print, lamp, steel and phone drawn at random. It
needs the ``train`` extra (torch), on a CPU one to five minutes and 3 to 18 GB a photo; it goes on where it was stopped.
A seed plans the same photo on every device; its bead, its steel and its noise differ in detail.

``--wild`` gives them looks as varied as real ones have, ``--around FILE`` the light that ``workshop/surroundings.py``
made ready. ``--no-bead`` draws what is not to be measured: a bead under slag, two side by side, a plate with
scratches, writing, a rod, a rope or a hand on it. ``--small`` draws pictures of 3 to 4 megapixels.

``count`` measures them as ``toeline accuracy`` does and prints, for each measure with a U, how many photos have it, the
share inside U with its 95 % interval (Wilson's), the root mean square and the 95th percentile of the error over U, and
the median error in the measure's own unit; then how far undercut's errors along both toes go together. What the truth
lacks or the tool does not know is left out. With U at k = 2 and an honest budget the share is about 0.95 and the root
mean square about 0.5. What holds on rendered photos need not hold at a bench: the networks learned from the same
renderer.

What phones and benches vary, and how far, is common practice, no source.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from rich.console import Console
from rich.table import Table
from scipy.stats import binomtest

from toeline.validation.accuracy import run_accuracy
from toeline.validation.against_truth import Compared, PhotoScore

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "demo_images"))
from bench_causes import MARKS, planned

if TYPE_CHECKING:
    from make_photos import Lamp, Shot

Weld = tuple[str, str, float, dict[str, float]]
#: Long and short side of a picture, px.
SIZES = ((3264, 2448), (3648, 2736), (4000, 3000))
SMALL = ((2000, 1500), (2240, 1680), (2400, 1800))
#: A careful person fills the picture: its short side covers no more than this, mm.
WIDEST = 300.0
#: A careful person leaves this much round bead and card, px, and keeps the lamp's mirror image this far off, degrees.
MARGIN, GLARE = 60.0, 24.0
#: A bead is at least this many times as long as wide: what is left as its body then has a mean.
LEAST_LENGTHS = 4.5
FILLETS = 0.2  #: share of the photos


def random_shot(seed: int, wild: bool = False, no_bead: bool = False, small: bool = False) -> Shot:
    """A weld, and a photo of it as a careful person takes one: bead and cards in the picture, without glare."""
    shot = _careful_shot(seed, SMALL if small else SIZES)
    rng = np.random.default_rng([seed, 2])  # a stream of its own: the same welds, however they look
    if wild:
        shot = replace(shot, wild=int(rng.integers(1 << 31)))
    if no_bead:
        thing = str(rng.choice(["under_slag", "beside", "no_bead"], p=[0.25, 0.3, 0.45]))
        shot = replace(
            shot, kind="stringer", bead=shot.bead | {"fillet": 0.0}, usable=False, why_not=thing, **{thing: True}
        )
    return shot


def _careful_shot(seed: int, sizes: tuple[tuple[int, int], ...]) -> Shot:
    rng = np.random.default_rng(seed)
    weld = _any_weld(rng)
    while True:
        shot = _any_shot(f"{seed:06d}", weld, rng, sizes)
        if _in_picture(shot) and _glare_free(shot):
            return shot


def _any_shot(name: str, weld: Weld, rng: np.random.Generator, sizes: tuple[tuple[int, int], ...]) -> Shot:
    from make_photos import Shot

    kind, cause, length, bead = weld
    fillet = kind == "fillet"
    print_scale = rng.uniform(0.97, 1.03)
    size = sizes[rng.integers(len(sizes))]
    focal = float(rng.integers(24, 29) if rng.random() < 0.8 else rng.integers(48, 53))
    return Shot(
        name=name,
        kind=kind,
        cause=cause,
        length=length,
        bead=bead,
        seed=int(rng.integers(1 << 31)),
        steel=int(rng.integers(1 << 31)),
        look=int(rng.integers(1 << 31)),
        lamp=_any_lamp(rng),
        taken=f"2025:11:{rng.integers(1, 29):02d} 19:{rng.integers(60):02d}:00",
        # square to a fillet is along the line that halves the angle of its plates
        tilt=rng.uniform(0, 18 if fillet else 35),
        towards=rng.uniform(0, 360),
        roll=90.0 * rng.integers(4) + rng.normal(0, 8),
        aim_off=(rng.normal(0, 15), rng.normal(0, 8 if fillet else 15)),
        px_per_mm=rng.uniform(size[1] / WIDEST, 12),
        size=size,
        portrait=bool(rng.random() < 0.4),
        focal_35mm=focal,
        focal_error=float(np.clip(rng.normal(0, 0.01), -0.025, 0.025)),
        centre_off=(rng.normal(0, 8), rng.normal(0, 8)),
        k1=rng.uniform(-0.025, 0.015),
        card_side=float(rng.choice([-1, 1])),
        card_gap=rng.uniform(7, 18),
        card_along=rng.uniform(-20, 20),
        card_angle=90.0 * rng.integers(4) + rng.normal(0, 6),
        print_scale=print_scale,
        # a vernier calliper's step of 0.05 mm; nearly all readings are within 0.1 mm
        check_line=round(20 * (50 * print_scale + rng.normal(0, 0.05))) / 20,
        thickness=rng.uniform(0.1, 0.35),
        card_b=(rng.uniform(-15, 15), rng.uniform(7, 14), 180.0 * rng.integers(2) + rng.normal(0, 4)),
        margins=tuple(rng.uniform(20, 45, 4)),
        lean=rng.normal(0, 0.03),
        drop=rng.uniform(4, 14),
        blur=rng.uniform(0.5, 1.0),
        bright_to=rng.uniform(0.62, 0.85),
        bead_shine=rng.uniform(0.1, 0.36),
        plate_shine=rng.uniform(0.1, 0.32),
        bead_albedo=rng.uniform(0.02, 0.06) if rng.random() < 0.5 else None,
        butt=kind == "cap",
    )


def _any_weld(rng: np.random.Generator) -> Weld:
    """What is welded: kind, cause, length and the plan's values, mm."""
    while True:
        cause, kind, _, bead = planned(rng)
        length = bead.pop("length")
        if rng.random() < FILLETS:
            kind = "fillet"
            # legs of 4 to 10 mm, from hollow to bulging, one longer than the other
            bead["fillet"], bead["width"] = 1.0, float(np.clip(bead["width"], 6, 14))
            bead["height"] *= rng.uniform(-0.25, 0.5)
            unequal = rng.choice([-1, 1]) * rng.uniform(0.7, 1.5) if cause == "wrong_work_angle" else rng.normal(0, 0.3)
            bead["shift"] = float(unequal)
        elif kind == "weave" and rng.random() < 0.5:
            kind = "cap"
        marks = MARKS.get(cause, {})
        bead["undercut"] = float(rng.random() < max(marks.get(where, 0.0) for where in ("both", "one", "ends")))
        if length >= LEAST_LENGTHS * bead["width"]:
            return kind, cause, length, bead


def _any_lamp(rng: np.random.Generator) -> Lamp:
    from make_photos import Lamp

    return Lamp(
        elevation=rng.uniform(30, 75),
        azimuth=rng.uniform(0, 360),
        sharpness=math.exp(rng.uniform(math.log(15), math.log(90))),
        power=rng.uniform(0.9, 1.4),
        warmth=rng.uniform(-0.1, 0.12),
        dome=rng.uniform(0.15, 0.4),
    )


def _in_picture(shot: Shot) -> bool:
    """Whether bead and cards are in the picture, with a margin."""
    from make_photos import card_lies, outlines, phone_over

    lies = card_lies(shot)
    lens = phone_over(shot, lies)
    px = lens.pixels(outlines(shot, lies))
    return bool((px > MARGIN).all() and (px < np.array([lens.width, lens.height]) - MARGIN).all())


def _glare_free(shot: Shot) -> bool:
    """Whether the lamp is not mirrored in the plate where bead and cards lie."""
    from make_photos import card_lies, outlines, phone_over

    lies = card_lies(shot)
    eye = phone_over(shot, lies).eye
    el, az = math.radians(shot.lamp.elevation), math.radians(shot.lamp.azimuth)
    lamp = np.array([math.cos(el) * math.cos(az), math.cos(el) * math.sin(az), math.sin(el)])
    view = eye - outlines(shot, lies)
    view /= np.linalg.norm(view, axis=1, keepdims=True)
    return all(
        ((2 * (view @ n)[:, None] * n - view) @ lamp < math.cos(math.radians(GLARE))).all()
        for n in (lie.normal for lie in lies)
    )


def shoot(
    folder: Path,
    seeds: Iterable[int],
    device: str,
    wild: bool = False,
    no_bead: bool = False,
    small: bool = False,
    around: Path | None = None,
) -> None:
    """Take the photos that are not yet in ``folder``."""
    import torch
    from make_photos import jpeg, take, write
    from workshop.surroundings import load

    light = load(around, device) if around else None
    folder.mkdir(parents=True, exist_ok=True)
    for seed in seeds:
        shot = random_shot(seed, wild, no_bead, small)
        if (folder / f"{shot.name}.json").exists():
            continue
        with torch.inference_mode():
            image, truth = take(shot, device, light)
        quality = int(np.random.default_rng([seed, 1]).integers(82, 96))  # a stream of its own
        write(folder, shot.name, jpeg(image, shot, quality), quality, truth)
        print(f"{shot.name}: {shot.kind}, {shot.cause}, tilt {shot.tilt:.0f}, {shot.px_per_mm:.1f} px/mm", flush=True)


@dataclass(frozen=True, slots=True)
class Inside:
    """How one measure's errors lie against its U, over ``n`` photos; ``low`` and ``high`` are the share's interval."""

    name: str
    n: int
    share: float
    low: float
    high: float
    rms: float
    p95: float
    median_error: float


def inside(name: str, every: Iterable[Compared]) -> Inside | None:
    """The figures of one measure; None where no photo has it with a U."""
    have = [(abs(c.error), c.U) for c in every if c.error is not None and c.U is not None]
    if not have:
        return None
    error, U = np.array(have).T
    # an error where none was allowed, as of a count given without doubt, is infinitely far outside
    ratio = np.divide(error, U, out=np.where(error > 0, np.inf, 0.0), where=U > 0)
    within = int((error <= U).sum())
    low, high = binomtest(within, len(have)).proportion_ci(0.95, method="wilson")
    return Inside(
        name=name,
        n=len(have),
        share=within / len(have),
        low=float(low),
        high=float(high),
        rms=float(np.sqrt(np.mean(ratio**2))),
        p95=float(np.percentile(ratio, 95, method="higher")),
        median_error=float(np.median(error)),
    )


def figures(photos: Iterable[PhotoScore]) -> list[Inside]:
    """The figures of all measures over the usable photos, in the order of the result document."""
    usable = [p for p in photos if p.usable]
    names = dict.fromkeys(name for p in usable for name in p.measures)
    rows = (inside(name, (p.measures[name] for p in usable if name in p.measures)) for name in names)
    return [row for row in rows if row]


def together(photos: Iterable[PhotoScore], one: str, other: str) -> float:
    """The correlation of two measures' errors over U about nought, over the usable photos with both; NaN if none."""
    pairs = ([p.measures.get(name) for name in (one, other)] for p in photos if p.usable)
    ratios = [[c.error / c.U if c and c.error is not None and c.U else math.nan for c in pair] for pair in pairs]
    a, b = np.array([pair for pair in ratios if np.isfinite(pair).all()]).reshape(-1, 2).T
    size = math.sqrt((a @ a) * (b @ b))
    return float(a @ b) / size if size else math.nan


def count(folder: Path, out: Path | None) -> None:
    """Measure the folder's photos and print how the errors lie against U."""
    console = Console()
    accuracy = run_accuracy(folder, progress=lambda k, n, name: print(f"{k}/{n} {name}", file=sys.stderr))
    rows = figures(accuracy.photos)
    table = Table(title=f"Errors against U (k = 2), {sum(p.usable for p in accuracy.photos)} usable photos")
    for head in ("measure", "n", "in U", "interval", "rms", "p95", "median"):
        table.add_column(head, justify="left" if head == "measure" else "right", no_wrap=True)
    for row in rows:
        told = [f"{row.share:.0%}", f"{row.low:.0%}-{row.high:.0%}", f"{row.rms:.2f}", f"{row.p95:.2f}"]
        table.add_row(row.name, str(row.n), *told, f"{row.median_error:.3g}")
    console.print(table)
    both = together(accuracy.photos, "undercut_length_left", "undercut_length_right")
    console.print(f"correlation of the errors over U of undercut along both toes: {both:.2f}")
    for what, names in (
        ("refused", accuracy.wrongly_refused),
        ("no result", tuple(f"{name}: {why}" for name, why in accuracy.failed.items())),
    ):
        console.print(f"{what}: {', '.join(names) or 'none'}")
    if out:
        finite = [{k: None if v == math.inf else v for k, v in asdict(row).items()} for row in rows]
        saved = {"measures": finite, "photos": [asdict(p) for p in accuracy.photos]}
        out.write_text(json.dumps(saved, indent=1, allow_nan=False), "utf-8")


def main() -> None:
    """Run one of the two."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    do = ask.add_subparsers(dest="do", required=True)
    shooting, counting = do.add_parser("shoot"), do.add_parser("count")
    for each in (shooting, counting):
        each.add_argument("folder", type=Path)
    shooting.add_argument("--photos", type=int, default=80)
    shooting.add_argument("--seed", type=int, default=0, help="of the first photo; the others follow")
    shooting.add_argument("--device", choices=["cpu", "cuda"], default="cpu")
    shooting.add_argument("--wild", action="store_true", help="looks as varied as real ones")
    shooting.add_argument("--no-bead", action="store_true", help="what is not to be measured")
    shooting.add_argument("--small", action="store_true", help="pictures of 3 to 4 megapixels")
    shooting.add_argument("--around", type=Path, metavar="FILE", help="photographed surroundings made ready")
    counting.add_argument("--json", type=Path, metavar="FILE")
    said = ask.parse_args()
    if said.do == "shoot":
        seeds = range(said.seed, said.seed + said.photos)
        shoot(said.folder, seeds, said.device, said.wild, said.no_bead, said.small, said.around)
    else:
        count(said.folder, said.json)


if __name__ == "__main__":
    main()
