"""How right heights and depths from several photos are, on many rendered scenes whose relief is exact.

    python tests/benchmarks/bench_relief.py shoot FOLDER [--scenes 60] [--seed 0] [--of unfilled] [--device cuda]
    python tests/benchmarks/bench_relief.py count FOLDER [--photos 4] [--json FILE]
    python tests/benchmarks/bench_relief.py settings FOLDER refine.pull 2 4 6 [--first 20]
    python tests/benchmarks/bench_relief.py looks FOLDER [--reader FILE]
    python tests/benchmarks/bench_relief.py agree FOLDER OUT

``shoot`` takes three to five photos of a bead from several stands: square on, leaning to both sides, leaning along it;
more carelessly the later the seed's throw. Beads, troubles, cards, lamps, steel and phones are drawn as
``bench_uncertainty.py`` draws them, the beads shorter, their ripples down to half as high, the pictures smaller and up
to twice as blurred, and each pixel is shaded near the bead alone, so that one core does a scene in half a minute. In
one scene out of five the lamp is the phone's own and moves with it. With ``--of`` only beads with an unfilled crater,
with undercut, or fillets. It goes on where it was stopped.

``count`` works the reliefs out as ``toeline accuracy`` does and prints the figures by scene and over all of them, and
how often the error stays inside U.

``settings`` prints what several values of one setting of ``relief.toml`` come to, a line each: errors as median, 90th
percentile and mean with its sign, how many are within 0.25 and 0.12 mm, and how many inside U. The settings are chosen
so.

``looks`` says how much undercut is seen where as much as that is seen at 5, 2 and 1 in 100 places without any: by the
face photo, by any one photo, by any two and by the mean of all; by the shipped reader or by another.

``agree`` writes, for each toe, how well each pair of photos agrees on each groove, and how deep undercut truly is: what
the network of its depth learns from (``demo_images/training/depths.py``).

What stands people take, and how carefully, is common practice, no source.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import asdict, replace
from itertools import count as count_up
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import numpy as np
from rich.console import Console

from toeline import pipeline
from toeline.photogrammetry import groove, outcome
from toeline.photogrammetry import relief as line
from toeline.photogrammetry.figures import ReliefFigures
from toeline.result import Side
from toeline.trace import networks
from toeline.trace.band import F64
from toeline.validation import relief_scenes
from toeline.validation.accuracy import inputs_of
from toeline.validation.relief_scenes import SceneScore, relief_figures, scenes_in, score_scene

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "demo_images"))
from bench_uncertainty import _any_shot, _any_weld, _glare_free, _in_picture

if TYPE_CHECKING:
    from make_photos import Shot

SIZE = (2080, 1560)
#: Shares of scenes with three, four and five photos.
PHOTOS = {3: 0.1, 4: 0.2, 5: 0.7}
FLASH = 0.2
#: mm round bead and cards that are drawn, and round the bead that each pixel is shaded in.
AROUND, NEAR = 9.0, 7.0
#: A ripple's height, of what it is where nothing else is asked.
RIPPLE = 0.5, 1.0
#: Which way each photo leans, degrees from the seam's direction; None: square on.
STANDS = (None, 90.0, 270.0, 0.0, 180.0)


def random_round(seed: int) -> list[Shot]:
    """The shots of one scene: all of the bead and card in each picture, no lamp mirrored in the plate."""
    rng = np.random.default_rng([seed, 15])
    kind, cause, length, bead = _any_weld(rng)
    length = max(0.65 * length, 5.0 * bead["width"])
    if "ripple_amp" in bead:
        bead["ripple_amp"] *= rng.uniform(*RIPPLE)
    while True:
        first = _any_shot(f"{seed:04d}", (kind, cause, length, bead), rng, (SIZE,))
        along = 180.0 * rng.integers(2) + rng.normal(0, 6)
        first = replace(first, size=SIZE, portrait=False, card_angle=along, card_gap=rng.uniform(6, 14), bright_to=0.78)
        flash = rng.random() < FLASH
        careless = rng.uniform(4, 22)
        count = int(rng.choice(list(PHOTOS), p=list(PHOTOS.values())))
        first = replace(first, blur=first.blur + rng.uniform(0, 0.4))
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
        blur=float(np.clip(first.blur + rng.normal(0, 0.08), 0.45, 1.5)),
    )


def _as_near_as_fits(shot: Shot) -> Shot:
    for px_per_mm in np.arange(15.5, 8.0, -0.5):
        near = replace(shot, px_per_mm=float(px_per_mm))
        if _in_picture(near):
            return near
    return replace(shot, px_per_mm=8.0)


def has(seed: int, what: str | None) -> bool:
    """Whether the bead of a seed has an unfilled crater or undercut, or is a fillet."""
    kind, _, _, bead = _any_weld(np.random.default_rng([seed, 15]))
    return what is None or (kind == "fillet" if what == "fillet" else bool(bead.get(what)))


def shoot(folder: Path, seeds: Iterable[int], device: str) -> None:
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
            photos, relief = take_round(shots, device, AROUND, NEAR)
        for shot, (image, truth) in zip(shots, photos, strict=True):
            write(folder, shot.name, jpeg(image, shot, 90), 90, truth)
        np.savez_compressed(folder / f"{name}_relief.npz", **relief)
        leans = " ".join(f"{shot.tilt:.0f}" for shot in shots)
        print(f"{name}: {shots[0].kind}, {shots[0].cause}, leaning {leans}, {shots[0].px_per_mm:.1f} px/mm", flush=True)


def count(folder: Path, photos: int, out: Path | None) -> None:
    """Work the scenes out, with no more than so many photos each, and print how right they are."""
    console, scores = Console(width=160), []
    for name, taken in scenes_in(folder).items():
        truth = json.loads(taken[0].with_suffix(".json").read_text("utf-8"))
        scores.append(score_scene(name, taken[:photos], inputs_of(truth)))
        console.print(scores[-1])
    for key, (value, n) in relief_figures(scores).items():
        console.print(f"{key:16s} {'-' if value is None else f'{value:.3f}'}  n={n}")
    if out is not None:
        out.write_text(json.dumps([asdict(score) for score in scores], indent=1), "utf-8")


#: What need not be worked out anew where only settings of these tables change.
KEPT_ALWAYS = ((pipeline, "read_all"), (pipeline, "_look"), (line, "find_stands"), (line, "likeness"), (line, "tie"))
SURFACE = ((line, "find_surface"),)
HOLLOW = ((line, "with_hollow"), (line, "shown_by_two"))
KEPT = {
    "groove": SURFACE + HOLLOW,
    "hollow": SURFACE,
    "crater": (*SURFACE, *HOLLOW, (outcome, "find_groove")),
    "u": (*SURFACE, *HOLLOW, (outcome, "find_groove")),
}
#: Settings of a groove by which no photos are compared anew.
CHOOSING = "smooth sure told_within least"
TRIED = ((groove, "_try_grooves"), (outcome, "look_at_toes"))


def settings(folder: Path, key: str, values: Sequence[float], first: int | None) -> None:
    """Print what each of the values of a setting comes to on the first so many scenes."""
    table, name = key.split(".")
    shipped = ReliefFigures.read()
    chooses = table == "groove" and name in CHOOSING.split()
    scores: dict[float, list[SceneScore]] = {value: [] for value in values}
    for scene, taken in islice(scenes_in(folder).items(), first):
        said = inputs_of(json.loads(taken[0].with_suffix(".json").read_text("utf-8")))
        with ExitStack() as stack:
            for module, function in (*KEPT_ALWAYS, *KEPT.get(table, ()), *(TRIED if chooses else ())):
                stack.enter_context(patch.object(module, function, worked_out_once(getattr(module, function))))
            for value in values:
                was = getattr(shipped, table)
                changed = was.model_copy(update={name: type(getattr(was, name))(value)})
                figures = shipped.model_copy(update={table: changed})
                with patch.object(ReliefFigures, "read", return_value=figures):
                    scores[value].append(score_scene(scene, taken, said))
        print(scene, end=" ", flush=True)
    print()
    for value in values:
        print(f"{key} = {value}")
        for line_ in what_it_comes_to(scores[value]):
            print("  ", line_)


#: How a place's scores (photos, n) become one.
TOGETHER: dict[str, Callable[[F64], F64]] = {
    "face photo": lambda scores: scores[0],
    "any one": lambda scores: scores.max(axis=0),
    "any two": lambda scores: np.sort(scores, axis=0)[-2],
    "mean": lambda scores: scores.mean(axis=0),
}


def looks(folder: Path, reader: Path | None) -> None:
    """Print how surely undercut is told by its look, by each way to take several photos together."""
    shown: dict[str, list[F64]] = {name: [] for name in TOGETHER}
    bare: dict[str, list[F64]] = {name: [] for name in TOGETHER}
    with ExitStack() as stack:
        if reader is not None:
            other, network = networks.load(str(reader)), networks.network
            stack.enter_context(patch.object(networks, "network", lambda x: other if x == "reader" else network(x)))
            networks.channels.cache_clear()
        for taken in scenes_in(folder).values():
            truth = json.loads(taken[0].with_suffix(".json").read_text("utf-8"))
            with patch.object(outcome, "look_at_toes", wraps=outcome.look_at_toes) as looked:
                result = pipeline.relief(taken, **inputs_of(truth))
            if not looked.called:
                continue
            relief, bead = looked.call_args.args
            place, turned = relief_scenes._seam_of(result, truth)
            low, high = relief_scenes._body(truth)
            for side, seen in outcome.look_at_toes(relief, bead).items():
                s = place(np.interp(seen.s, relief.seam[:, 1], relief.seam[:, 0]))
                true_side = _true_side(side, turned)
                near = [relief_scenes._true_depth(truth, true_side, s + d) for d in (0.0, -3.0, -1.5, 1.5, 3.0)]
                inside = (s > low) & (s < high)
                for name, together in TOGETHER.items():
                    score = together(np.nan_to_num(seen.scores))
                    shown[name].append(score[inside & (near[0] >= 0.25)])
                    bare[name].append(score[inside & (np.max(near, axis=0) < 0.02)])
    for name in TOGETHER:
        there, none = np.concatenate(shown[name]), np.concatenate(bare[name])
        least = np.quantile(none, [0.95, 0.98, 0.99])
        found = " / ".join(f"{(there > x).mean():.3f} from {x:.2f}" for x in least)
        print(f"{name}: {found}, of {len(there)} places at {len(none)} without")


def _true_side(side: Side, turned: bool) -> Side:
    return ("left" if side == "right" else "right") if turned else side


def agree(folder: Path, out: Path) -> None:
    """Write what the photos of each toe agree on, in scenes with four photos or more."""
    out.mkdir(parents=True, exist_ok=True)
    for scene, taken in scenes_in(folder).items():
        truth = json.loads(taken[0].with_suffix(".json").read_text("utf-8"))
        with (
            patch.object(outcome, "look_at_toes", wraps=outcome.look_at_toes) as looked,
            patch.object(outcome, "find_groove", wraps=outcome.find_groove) as found,
        ):
            result = pipeline.relief(taken, **inputs_of(truth))
        for call in found.call_args_list:
            *photos, side, (at, likely) = call.args
            tried = groove._try_grooves(*photos, side)
            seam = looked.call_args.args[0].seam
            place, turned = relief_scenes._seam_of(result, truth)
            s = place(np.interp(tried.s, seam[:, 1], seam[:, 0]))
            np.savez_compressed(
                out / f"{scene}_{side}.npz",
                z=tried.z.astype(np.float16),
                leans=tried.leans,
                likely=np.interp(tried.s, at, likely),
                depth=relief_scenes._true_depth(truth, _true_side(side, turned), s),
            )
        print(f"{scene}: {found.call_count} toes", flush=True)


def worked_out_once(function: Callable[..., Any]) -> Callable[..., Any]:
    """The function, its results kept in the order of its calls' numbers: of two toes, of one scene."""
    kept: dict[object, Any] = {}

    def again(*said: Any, **named: Any) -> Any:
        key = tuple(x for x in said if isinstance(x, str))
        if key not in kept:
            kept[key] = function(*said, **named)
        return kept[key]

    return again


def what_it_comes_to(scores: Sequence[SceneScore]) -> Iterator[str]:
    """Lines of figures over scenes."""
    done = [score for score in scores if score.face]
    face = np.array([score.face for score in done])
    share = np.median([score.inside for score in done if score.inside is not None])
    middle, most = np.median(face[:, 0]), np.median(face[:, 1])
    worst = face[:, 0].max()
    yield f"face {middle:.3f} / {most:.3f}, worst {worst:.3f} mm, {share:.1%} of places inside U, n={len(done)}"
    for what in ("height", "undercuts", "crater", "throat", "convexity"):
        of = [getattr(score, what) for score in done]
        told = [t for x in of for t in (x if isinstance(x, tuple) else (x,)) if t is not None]
        known = [t for t in told if t.value is not None]
        if known:
            off = np.array([t.value - t.truth for t in known])
            far, U = np.abs(off), np.array([t.U for t in known])
            yield (
                f"{what}: {np.median(far):.3f} / {np.quantile(far, 0.9):.3f}, mean {off.mean():+.3f}, "
                f"median {np.median(off):+.3f} mm; {(far <= 0.25).sum()} within 0.25, {(far <= 0.12).sum()} within "
                f"0.12, {(far <= U).sum()} inside U of median {np.median(U):.2f}, of {len(told)}, {len(known)} told"
            )
    none = [score.none for score in done if score.none is not None]
    over = sum(x > 0.15 for x in none)
    if none:
        yield f"depth where there is none: 95th percentile {np.median(none):.3f}, over 0.15 at {over} of {len(none)}"


def main() -> None:
    """Run one of the five."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    do = ask.add_subparsers(dest="do", required=True)
    shooting = do.add_parser("shoot")
    shooting.add_argument("folder", type=Path)
    shooting.add_argument("--scenes", type=int, default=60)
    shooting.add_argument("--seed", type=int, default=0, help="of the first scene; the others follow")
    shooting.add_argument("--of", choices=["unfilled", "undercut", "fillet"])
    shooting.add_argument("--device", choices=["cpu", "cuda"], default="cpu")
    counting = do.add_parser("count")
    counting.add_argument("folder", type=Path)
    counting.add_argument("--photos", type=int, default=5)
    counting.add_argument("--json", type=Path, metavar="FILE")
    choosing = do.add_parser("settings")
    choosing.add_argument("folder", type=Path)
    choosing.add_argument("key", metavar="TABLE.KEY")
    choosing.add_argument("values", type=float, nargs="+")
    choosing.add_argument("--first", type=int, help="no more than so many scenes")
    looking = do.add_parser("looks")
    looking.add_argument("folder", type=Path)
    looking.add_argument("--reader", type=Path, metavar="FILE", help="another reader than the shipped one")
    agreeing = do.add_parser("agree")
    agreeing.add_argument("folder", type=Path)
    agreeing.add_argument("out", type=Path)
    said = ask.parse_args()
    if said.do == "shoot":
        seeds = (seed for seed in count_up(said.seed) if has(seed, said.of))
        shoot(said.folder, islice(seeds, said.scenes), said.device)
    elif said.do == "looks":
        looks(said.folder, said.reader)
    elif said.do == "agree":
        agree(said.folder, said.out)
    elif said.do == "settings":
        settings(said.folder, said.key, said.values, said.first)
    else:
        count(said.folder, said.photos, said.json)


if __name__ == "__main__":
    main()
