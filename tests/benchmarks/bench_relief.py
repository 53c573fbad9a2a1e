"""How right heights and depths from several photos are, on many rendered scenes whose relief is exact.

    python tests/benchmarks/bench_relief.py shoot FOLDER [--scenes 60] [--seed 0] [--device cuda]
    python tests/benchmarks/bench_relief.py count FOLDER [--photos 4] [--json FILE]

``shoot`` takes three to five photos of a bead from several stands: square on, leaning to both sides, leaning along it;
more carelessly the later the seed's throw. Beads, troubles, cards, lamps, steel and phones are drawn as
``bench_uncertainty.py`` draws them, the beads shorter and the pictures smaller, so that one core does a scene in a
minute or two. In one scene out of five the lamp is the phone's own and moves with it. It goes on where it was stopped.

``count`` works the reliefs out as ``toeline accuracy`` does and prints the figures by scene and over all of them, and
how often the error stays inside U. The settings of ``relief.toml`` are chosen on such scenes.

What stands people take, and how carefully, is common practice, no source.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from rich.console import Console

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "demo_images"))
from bench_uncertainty import _any_shot, _any_weld, _glare_free, _in_picture

if TYPE_CHECKING:
    from make_photos import Shot

SIZE = (2400, 1800)
#: Shares of scenes with three, four and five photos.
PHOTOS = {3: 0.1, 4: 0.2, 5: 0.7}
FLASH = 0.2
#: mm round bead and cards that are drawn.
AROUND = 14.0
#: Which way each photo leans, degrees from the seam's direction; None: square on.
STANDS = (None, 90.0, 270.0, 0.0, 180.0)


def random_round(seed: int) -> list[Shot]:
    """The shots of one scene: all of the bead and card in each picture, no lamp mirrored in the plate."""
    rng = np.random.default_rng([seed, 15])
    kind, cause, length, bead = _any_weld(rng)
    length = max(0.65 * length, 5.0 * bead["width"])
    while True:
        first = _any_shot(f"{seed:04d}", (kind, cause, length, bead), rng, (SIZE,))
        along = 180.0 * rng.integers(2) + rng.normal(0, 6)
        first = replace(first, size=SIZE, portrait=False, card_angle=along, card_gap=rng.uniform(6, 14), bright_to=0.78)
        flash = rng.random() < FLASH
        careless = rng.uniform(4, 22)
        count = int(rng.choice(list(PHOTOS), p=list(PHOTOS.values())))
        shots = [_stand(first, nth, way, careless, flash, rng) for nth, way in enumerate(STANDS[:count])]
        shots = [_as_near_as_fits(shot) for shot in shots]
        if all(shot.px_per_mm > 9.0 for shot in shots) and (flash or sum(map(_glare_free, shots)) >= count - 1):
            return shots


def _stand(first: Shot, nth: int, way: float | None, careless: float, flash: bool, rng: np.random.Generator) -> Shot:
    tilt = abs(rng.normal(0, careless / 4)) if way is None else float(np.clip(rng.normal(24, careless / 4), 12, 38))
    towards = rng.uniform(0, 360) if way is None else way + rng.normal(0, careless)
    lamp = first.lamp
    if flash:  # beside the lens, so a little aside of where the phone is
        lamp = replace(lamp, elevation=min(90.0 - tilt, 86.0), azimuth=towards + 4.0, sharpness=300.0, power=1.3)
    return replace(
        first,
        name=f"{first.name}_v{nth}",
        nth=nth,
        lamp=lamp,
        tilt=tilt,
        towards=towards,
        roll=first.roll + rng.normal(0, 6) + 180.0 * (rng.random() < 0.15),
        aim_off=(rng.normal(0, 4), rng.normal(0, 4)),
        blur=float(np.clip(first.blur + rng.normal(0, 0.08), 0.45, 1.1)),
    )


def _as_near_as_fits(shot: Shot) -> Shot:
    for px_per_mm in np.arange(15.5, 8.0, -0.5):
        near = replace(shot, px_per_mm=float(px_per_mm))
        if _in_picture(near):
            return near
    return replace(shot, px_per_mm=8.0)


def shoot(folder: Path, seeds: range, device: str) -> None:
    """Take the scenes that are not yet in ``folder``."""
    import torch
    from make_photos import jpeg, take_round, write

    folder.mkdir(parents=True, exist_ok=True)
    for seed in seeds:
        shots = random_round(seed)
        name = shots[0].name.removesuffix("_v0")
        if (folder / f"{name}_relief.npz").exists():
            continue
        with torch.inference_mode():
            photos, relief = take_round(shots, device, AROUND)
        for shot, (image, truth) in zip(shots, photos, strict=True):
            write(folder, shot.name, jpeg(image, shot, 90), 90, truth)
        np.savez_compressed(folder / f"{name}_relief.npz", **relief)
        leans = " ".join(f"{shot.tilt:.0f}" for shot in shots)
        print(f"{name}: {shots[0].kind}, {shots[0].cause}, leaning {leans}, {shots[0].px_per_mm:.1f} px/mm", flush=True)


def count(folder: Path, photos: int, out: Path | None) -> None:
    """Work the scenes out, with no more than so many photos each, and print how right they are."""
    from toeline.validation.accuracy import inputs_of
    from toeline.validation.relief_scenes import relief_figures, scenes_in, score_scene

    console, scores = Console(width=160), []
    for name, taken in scenes_in(folder).items():
        truth = json.loads(taken[0].with_suffix(".json").read_text("utf-8"))
        scores.append(score_scene(name, taken[:photos], inputs_of(truth)))
        console.print(scores[-1])
    for key, (value, n) in relief_figures(scores).items():
        console.print(f"{key:16s} {'-' if value is None else f'{value:.3f}'}  n={n}")
    if out is not None:
        out.write_text(json.dumps([asdict(score) for score in scores], indent=1), "utf-8")


def main() -> None:
    """Run one of the two."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    do = ask.add_subparsers(dest="do", required=True)
    shooting = do.add_parser("shoot")
    shooting.add_argument("folder", type=Path)
    shooting.add_argument("--scenes", type=int, default=60)
    shooting.add_argument("--seed", type=int, default=0, help="of the first scene; the others follow")
    shooting.add_argument("--device", choices=["cpu", "cuda"], default="cpu")
    counting = do.add_parser("count")
    counting.add_argument("folder", type=Path)
    counting.add_argument("--photos", type=int, default=5)
    counting.add_argument("--json", type=Path, metavar="FILE")
    said = ask.parse_args()
    if said.do == "shoot":
        shoot(said.folder, range(said.seed, said.seed + said.scenes), said.device)
    else:
        count(said.folder, said.photos, said.json)


if __name__ == "__main__":
    main()
