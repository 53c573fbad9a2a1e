"""How right the cause ranking is on many rendered beads of known cause, and how far each indication is to be trusted.

    python tests/benchmarks/bench_causes.py lay FOLDER [--beads 400] [--seed 0] [--only CAUSE]
    python tests/benchmarks/bench_causes.py measure FOLDER
    python tests/benchmarks/bench_causes.py trust FOLDER [PHOTOS ...]
    python tests/benchmarks/bench_causes.py strange PHOTOS [PHOTOS ...]
    python tests/benchmarks/bench_causes.py sure FOLDER [PHOTOS ...]
    python tests/benchmarks/bench_causes.py rank FOLDER [--electrode]

``lay`` draws beads with one trouble each and renders them straightened at 10 px per mm, with what is truly there
beside each, with ``--only`` none but those of one cause, so that what is rare can be counted; it needs the ``train``
extra (torch). ``measure`` has them traced, read and measured as a photo's would be; run it again with ``--anew`` after
the networks change. Both take some seconds a bead on a CPU and go on where they were stopped. ``trust`` counts how
often each indication is found where it is there and where it is not, as ``data/normal.toml`` states it, in folders of
whole photos with their truth, to which all such beads lend as much as so many photos as makes what is read in the
photos likeliest; ``strange``, of such photos alone, the same as counts, and which share of photos tells nothing by
them. ``sure`` says how many are right from a confidence on, for
``data/detection.toml``. ``rank`` says how often the right cause comes first and among the first two; with
``--electrode`` as if the rod's diameter had been typed in.

What a trouble does to a bead is the trade's one-variable-wrong chart (width, height, ripples, undercut, overlap,
spatter, regularity, crater) turned into ranges: common practice, no source for the figures.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from itertools import chain, islice
from itertools import count as numbers
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from toeline.result import Bead, IndicationKind, PhotoInfo, Result, Scale, Settings, Welding

STEP, BESIDE, BEYOND = 0.1, 26.0, 12.0
SIDES = ("left", "right")
TOES: tuple[IndicationKind, ...] = ("undercut", "overlap")
SPOTS: tuple[IndicationKind, ...] = ("crater_unfilled", "poor_restart")
MANY_PORES = 3
LENT = (5, 10, 15, 20, 30, 50, 100, 200)  #: so many photos may all straight beads be worth
LEAST_SHARE = 0.08  #: of its length from which a toe counts as having undercut or overlap
#: How many of a hundred beads are good, and have each trouble.
SHARES = {
    "good": 24,
    "arc_too_long": 8,
    "arc_too_short": 7,
    "current_too_low": 7,
    "current_too_high": 7,
    "travel_too_fast": 8,
    "travel_too_slow": 8,
    "arc_blow": 6,
    "wrong_work_angle": 7,
    "wrong_travel_angle": 3,
    "unfilled_crater": 5,
    "poor_restart": 5,
    "damp_or_dirty": 3,
    "uneven_hand": 5,
}
#: What a trouble does: factors on a good bead's own values (``*name``), or values in place of them.
TROUBLES: dict[str, dict[str, tuple[float, float]]] = {
    "good": {},
    "arc_too_long": {
        "*width": (1.0, 1.3), "*height": (0.5, 0.75), "pitch_jitter": (0.14, 0.3), "width_var": (0.045, 0.1),
        "toe_rms": (0.5, 0.95), "spatter": (35, 105),
    },
    "arc_too_short": {
        "*width": (0.62, 0.82), "*height": (1.1, 1.5), "pitch_jitter": (0.14, 0.3), "width_var": (0.02, 0.07),
        "toe_rms": (0.22, 0.55), "spatter": (0, 6),
    },
    "current_too_low": {
        "*width": (0.6, 0.8), "*height": (1.15, 1.7), "pitch_jitter": (0.15, 0.32), "width_var": (0.05, 0.1),
        "toe_rms": (0.36, 0.8), "spatter": (0, 12),
    },
    "current_too_high": {
        "*width": (1.2, 1.55), "*height": (0.55, 0.8), "pitch_jitter": (0.08, 0.2), "width_var": (0.02, 0.07),
        "toe_rms": (0.2, 0.6), "crescent": (0.75, 1.3), "vee": (0.4, 0.85), "*pitch": (1.0, 1.5), "spatter": (30, 105),
    },
    "travel_too_fast": {
        "*width": (0.6, 0.8), "*height": (0.6, 0.9), "crescent": (1.1, 1.9), "vee": (0.55, 1.0), "*pitch": (1.1, 1.7),
    },
    "travel_too_slow": {
        "*width": (1.35, 1.8), "*height": (1.4, 2.2), "crescent": (0.12, 0.4), "vee": (0.0, 0.2),
        "*pitch": (0.55, 0.85), "toe_rms": (0.22, 0.62), "width_var": (0.02, 0.06),
    },
    "arc_blow": {
        "spatter": (22, 85), "skew": (0.12, 0.4), "width_var": (0.03, 0.08), "toe_rms": (0.28, 0.68),
        "pitch_jitter": (0.08, 0.22),
    },
    "wrong_work_angle": {"skew": (0.05, 0.25), "asym": (0.2, 0.4)},
    "wrong_travel_angle": {
        "*width": (0.75, 1.0), "*height": (1.1, 1.5), "crescent": (0.85, 1.5), "vee": (0.45, 0.9), "spatter": (15, 60),
        "width_var": (0.02, 0.06),
    },
    "unfilled_crater": {"unfilled": (1, 1)},
    "poor_restart": {"restart": (1, 1)},
    "damp_or_dirty": {"pores": (3, 7), "spatter": (15, 65)},
    "uneven_hand": {
        "width_var": (0.07, 0.14), "toe_rms": (0.36, 0.9), "pitch_jitter": (0.15, 0.32), "wave": (0.25, 0.5),
    },
}  # fmt: skip
#: How likely a trouble gives undercut on both toes, one toe along, one toe at an end; overlap; a hollow; pores.
MARKS: dict[str, dict[str, float]] = {
    "arc_too_long": {"both": 0.75, "pores": 0.3, "overlap": 0.1},
    "arc_too_short": {"overlap": 0.2},
    "current_too_low": {"overlap": 0.5},
    "current_too_high": {"both": 0.75, "unfilled": 0.65},
    "travel_too_fast": {"both": 0.5},
    "travel_too_slow": {"overlap": 0.75},
    "arc_blow": {"ends": 0.85, "overlap": 0.25, "pores": 0.3},
    "wrong_work_angle": {"one": 0.92, "overlap": 0.3},
    "wrong_travel_angle": {"both": 0.15},
    "uneven_hand": {"both": 0.1, "overlap": 0.15},
}


@dataclass(frozen=True, slots=True)
class Laid:
    """One bead: its cause, what is truly there, and what was measured."""

    cause: str
    there: dict[str, Any]
    result: Result


@dataclass(frozen=True, slots=True)
class FlatView:
    """A plate seen square on: px = mm / step."""

    has_scale: bool = True

    def to_mm(self, px: np.ndarray) -> np.ndarray:
        return np.asarray(px) * STEP

    def to_px(self, mm: np.ndarray) -> np.ndarray:
        return np.asarray(mm) / STEP

    def covariance_mm(self, px: np.ndarray) -> np.ndarray:
        d = 0.003 * self.to_mm(px)
        return d[:, :, None] * d[:, None, :]

    def error_modes(self, px: np.ndarray) -> dict[str, np.ndarray]:
        return {"print scale": (0.003 * self.to_mm(px))[None]}


def planned(rng: np.random.Generator) -> tuple[str, str, float, dict[str, float]]:
    """A cause, the kind of run, the rod's core diameter, and the values of its plan, mm."""
    cause = str(rng.choice(list(SHARES), p=np.array(list(SHARES.values())) / sum(SHARES.values())))
    kind = str(rng.choice(["stringer", "weave"], p=[0.75, 0.25]))
    core = float(rng.choice([2.5, 3.2, 4.0], p=[0.3, 0.5, 0.2]))
    weave = kind == "weave"
    width = core * rng.uniform(3.4, 4.6) if weave else core * rng.uniform(2.2, 3.1)
    values = {
        "width": width,
        "height": width * rng.uniform(0.12, 0.2) * (0.75 if weave else 1.0),
        "pitch": rng.uniform(1.2, 2.3) if weave else width * rng.uniform(0.13, 0.24),
        "pitch_jitter": rng.uniform(0.03, 0.12),
        "ripple_amp": rng.uniform(0.05, 0.13),
        "crescent": rng.uniform(0.2, 0.45) if weave else rng.uniform(0.4, 0.75),
        "vee": rng.uniform(0.0, 0.1) if weave else rng.uniform(0.1, 0.4),
        "skew": rng.normal() * 0.04,
        "profile": rng.uniform(2.2, 3.3),
        "asym": rng.normal() * 0.06,
        "width_var": rng.uniform(0.01, 0.03),
        "toe_rms": rng.uniform(0.14, 0.34),  # of which a moving mean of 25 mm leaves about half
        "toe_corr": rng.uniform(6, 13),
        "wave": rng.uniform(0.05, 0.25),
        "scallop": rng.uniform(0.02, 0.15),
        "fillet": 0.0,
        "undercut": 0.0,
        "overlap": 0.0,
        "unfilled": 0.0,
        "crack": float(rng.random() < 0.3),
        "restart": 0.0,
        "spatter": rng.uniform(0, 11),
        "pores": 0.0,
        "slag": float(rng.integers(0, 3)) * float(rng.random() < 0.3),
        "strikes": float(rng.integers(0, 2)) * float(rng.random() < 0.3),
        "roll": 9.0,
        "run_in": 0.0,
        "still": 0.0,
        "shift": 0.0,
    }
    for name, (low, high) in TROUBLES[cause].items():
        drawn = rng.uniform(low, high)
        if name in ("skew", "asym"):
            drawn *= rng.choice([-1, 1])
        values[name.lstrip("*")] = drawn * (values[name[1:]] if name.startswith("*") else 1.0)
    marks = MARKS.get(cause, {})
    for name in ("overlap", "unfilled"):
        values[name] = max(values[name], float(rng.random() < marks.get(name, 0.0)))
    if rng.random() < marks.get("pores", 0.0):
        values["pores"] = rng.uniform(1, 3)
    values["length"] = rng.uniform(70, 125)
    return cause, kind, core, values


def grooves(cause: str, length: float, rng: np.random.Generator) -> list[tuple[str, float, float, float, float]]:
    """Undercut runs of a cause: side, from, to, depth, width, mm."""
    marks = MARKS.get(cause, {})
    sides = [str(side) for side in rng.permutation(["left", "right"])]
    runs: list[tuple[str, float, float]] = []
    draw = rng.random()
    if draw < marks.get("both", 0.0):
        for side in sides:
            for _ in range(int(rng.integers(1, 3))):
                a = rng.uniform(0.04, 0.6) * length
                runs.append((side, a, min(a + rng.uniform(0.15, 0.5) * length, 0.95 * length)))
    elif draw < marks.get("one", 0.0):
        a = rng.uniform(0.04, 0.3) * length
        runs.append((sides[0], a, a + rng.uniform(0.4, 0.65) * length))
    elif draw < marks.get("ends", 0.0):
        at = str(rng.choice(["start", "end", "both"]))
        if at != "end":
            runs.append((sides[0], 0.03 * length, rng.uniform(0.15, 0.27) * length))
        if at != "start":
            runs.append((sides[0], rng.uniform(0.73, 0.85) * length, 0.97 * length))
    return [(side, a, b, rng.uniform(0.25, 1.0), rng.uniform(0.5, 1.5)) for side, a, b in runs]


def scatter(weld: Any, s: np.ndarray, t: np.ndarray, width: float, per_100mm: float, rng: np.random.Generator) -> int:
    """Throw balls of 0.8 mm and more beside the bead; how many."""
    count = int(rng.poisson(per_100mm * (s[-1] - s[0]) / 100))
    reach = rng.uniform(5, 20)
    height, spatter = weld.height.numpy()[0, 0], weld.spatter.numpy()[0, 0]
    for _ in range(count):
        radius = 0.4 + rng.exponential(0.2)
        away = width * 0.45 + min(rng.exponential(reach), 0.9 * BESIDE - width * 0.45)
        at = rng.uniform(s[0], s[-1]), rng.choice([-1, 1]) * away
        columns, rows = (np.flatnonzero(np.abs(axis - x) < radius) for axis, x in zip((s, t), at, strict=True))
        square = (s[columns][None] - at[0]) ** 2 + (t[rows][:, None] - at[1]) ** 2
        ball, here = np.sqrt(np.maximum(radius**2 - square, 0)), np.ix_(rows, columns)
        height[here] += np.where(ball > 0, ball + rng.uniform(0.2, 0.7) * radius, 0.0)
        spatter[here] = np.maximum(spatter[here], ball > 0)
    return count


def lay_one(seed: int) -> tuple[NDArray[np.uint8], dict[str, Any]]:
    """Draw and render one bead: the straightened view (H, W, 3) BGR and what is true of it."""
    import torch

    sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "demo_images"))
    from workshop.bead_shape import BeadPlan, lay
    from workshop.light import any_lights, shade
    from workshop.noise import Dice, curve, window
    from workshop.phone import develop
    from workshop.surface import dress

    rng = np.random.default_rng(seed)
    cause, kind, core, values = planned(rng)
    length = values.pop("length")
    # whole JPEG blocks
    s = torch.arange(16 * round((length + 2 * BEYOND) / STEP / 16)) * STEP - BEYOND
    t = BESIDE - torch.arange(16 * round(2 * BESIDE / STEP / 16)) * STEP
    values |= {"start": 0.0, "end": length}
    laid = values | {"spatter": 0.5 * values["spatter"]}  # the fine ones; those that count are thrown below
    plan = BeadPlan(**{f.name: torch.full((1, 1, 1), float(laid[f.name])) for f in fields(BeadPlan)})
    d = Dice(seed, 1)
    weld = lay(d, plan, s, t)
    undercut = {"left": 0.0, "right": 0.0}
    across = t[None, None, :, None]
    for side, a, b, depth, wide in grooves(cause, length, rng):
        toe, way = (weld.left, 1.0) if side == "left" else (weld.right, -1.0)
        begin, end = torch.full((1, 1, 1), a), torch.full((1, 1, 1), b)
        along = depth * window(s[None, None, :], begin, end, 4.0)
        along = along * (1 + 0.3 * curve(d, len(s), STEP, torch.full((1, 1, 1), 5.0))).clamp(0.2, 1.6)
        x = way * (across - toe[:, :, None, :]) / wide - 0.3
        weld.height = weld.height - along[:, :, None, :] * torch.cos(math.pi * x.clamp(-0.5, 0.5)).clamp_min(0)
        undercut[side] += float((along > 0.15).sum()) * STEP / length
    thrown = scatter(weld, s.numpy(), t.numpy(), values["width"], values["spatter"], rng)
    surface = dress(d, weld, s, t)
    target = torch.stack([s[None].expand(len(t), -1), t[:, None].expand(-1, len(s)), torch.zeros(len(t), len(s))], -1)[
        None
    ]
    tilt, azimuth, distance = 0.45 * rng.random() ** 1.5, rng.uniform(0, 2 * math.pi), rng.uniform(200, 350)
    aside = distance * math.sin(tilt)
    eye = [length / 2 + aside * math.cos(azimuth), aside * math.sin(azimuth), distance * math.cos(tilt)]
    radiance, _ = shade(surface, target, torch.tensor([eye]), any_lights(d), shadow_steps=24, steps=14)
    photo = develop(radiance.nan_to_num(0.0), d, torch.tensor([rng.uniform(0.5, 1.1)]), grain_px=1.6)
    image = np.ascontiguousarray((photo[0].permute(1, 2, 0).numpy()[..., ::-1] * 255 + 0.5).astype(np.uint8))
    over = {side: float((x > 0.3).sum()) * STEP / length for side, x in zip(SIDES, weld.truth["over"], strict=True)}
    return image, {
        "cause": cause,
        "kind": kind,
        "core_mm": core,
        "length": length,
        "undercut": undercut,
        "overlap": over,
        "crater_unfilled": bool(values["unfilled"]),
        "poor_restart": bool(weld.truth["restart"].max() > 0),
        "pores": int(values["pores"]),
        "spatter": thrown,
        "plan": {k: round(float(v), 4) for k, v in values.items()},
    }


def measure_one(image: NDArray[np.uint8], there: dict[str, Any]) -> Result | None:
    """Trace, read and measure a rendered bead as a photo's is; None where it was not found."""
    from toeline.measures.indications import find_indications
    from toeline.measures.width_and_edges import measure_bead
    from toeline.trace.bead_finder import Candidate
    from toeline.trace.ripples import read_ripples
    from toeline.trace.toes import BeadLost, look_about, trace_bead

    ends = BEYOND / STEP, (BEYOND + there["length"]) / STEP
    line = np.stack([np.linspace(*ends, 60), np.full(60, BESIDE / STEP)], axis=1)
    try:
        bead = trace_bead(image, FlatView(), Candidate("bead", line, there["plan"]["width"] / STEP, 0.95))
        bead = look_about(image, bead)
    except BeadLost:
        return None
    ripples = read_ripples(bead.band, bead.s, bead.t_left, bead.t_right)
    indications = find_indications(bead, ripples)
    return Result(
        photo=PhotoInfo(name="bead", sha256="0" * 64, width_px=image.shape[1], height_px=image.shape[0], usable=True),
        scale=Scale(state="card", cards=("A",)),
        bead=Bead(
            found=True, confidence=0.95, start_seen=bead.start_seen, end_seen=bead.end_seen, travel=bead.travel,
            start=(float(bead.left_toe[0, 0]), 0.0), end=(float(bead.left_toe[-1, 0]), 0.0),
        ),
        measures=measure_bead(bead, indications, ripples),
        indications=indications,
        settings=Settings(),
    )  # fmt: skip


def read(folder: Path) -> Iterator[Laid]:
    """The beads of a folder that are measured; sides turned where the travel was read the wrong way."""
    for file in sorted(folder.glob("*.result.json")):
        there = json.loads((folder / file.name.replace(".result", "")).read_text("utf-8"))
        result = Result.model_validate_json(file.read_text("utf-8"))
        if result.bead.start is not None and result.bead.end is not None and result.bead.start[0] > result.bead.end[0]:
            for what in ("undercut", "overlap"):
                there[what] = {"left": there[what]["right"], "right": there[what]["left"]}
        yield Laid(there["cause"], there, result)


def photographed(folder: Path) -> Iterator[Laid]:
    """The beads of a folder of photos with their truth that are measured."""
    from toeline.pipeline import measure
    from toeline.validation.accuracy import inputs_of, photos_with_truth

    for photo, file in photos_with_truth(folder):
        truth = json.loads(file.read_text("utf-8"))
        if not truth["usable"] or truth["bead"] is None:
            continue
        result, bead = measure(photo, **inputs_of(truth)), truth["bead"]
        if result.stopped or not result.bead.found or result.bead.start is None:
            continue
        start, end = (np.array(bead["seam"][at][:2]) for at in ("start_mm", "end_mm"))
        turned = np.linalg.norm(start - result.bead.start) > np.linalg.norm(end - result.bead.start)
        there: dict[str, Any] = {
            what: {
                side: sum(run["end_mm"] - run["start_mm"] for run in bead[what] if run["side"] == on)
                / bead["seam"]["length_mm"]
                for side, on in zip(SIDES, reversed(SIDES) if turned else SIDES, strict=True)
            }
            for what in TOES
        }
        there["crater_unfilled"] = (bead["crater"] or {}).get("state") == "unfilled"
        there["poor_restart"] = bead["restart"] is not None
        yield Laid(truth["cause"] or "good", there | {"pores": len(bead["pores"])}, result)


Counts = dict[str, dict[str, Counter[int]]]


def levels(beads: Iterable[Laid]) -> Counts:
    """On which level of the detection table each indication is read, by what is truly there."""
    from toeline.causes.chart import normal
    from toeline.causes.signs import Seen
    from toeline.causes.welding import check_result
    from toeline.evidence.evidence import Evidence

    tables = normal().detection_table
    counts = {kind: {state: Counter[int]() for state in table.states} for kind, table in tables.items()}

    def count(kind: IndicationKind, state: str, read: float) -> None:
        counts[kind][state][tables[kind].level(read)] += 1

    for bead in beads:
        result, there = bead.result, bead.there
        seen = Seen(result, normal(), check_result(result), Evidence(result))
        for side in SIDES:
            for kind in TOES:
                true = there[kind][side]
                if true >= LEAST_SHARE or true == 0:
                    found = [i for i in result.indications if i.kind == kind and i.side == side]
                    count(kind, "there" if true else "absent", seen.share(found, weighted=True))
        for kind in SPOTS:
            sure = max((i.confidence for i in result.indications if i.kind == kind), default=0.0)
            count(kind, "there" if there[kind] else "absent", sure)
        pores = there["pores"]
        state = "none" if pores == 0 else "few" if pores < MANY_PORES else "many"
        count("pore", state, sum(i.kind == "pore" for i in result.indications))
    return counts


def trust(straight: Iterable[Laid], photos: Iterable[Laid]) -> None:
    """Print, for each indication, how often each level of the detection table is read where the thing is and is not.

    It is counted on photos, where less is seen than on beads laid straight; these say what the photos are too few to
    say, and weigh as many photos as makes what is read in the photos likeliest (Dirichlet prior).
    """
    from toeline.causes.chart import normal

    tables = normal().detection_table
    laid, seen = levels(straight), levels(photos)

    def listed(counted: Counter[int], kind: IndicationKind) -> NDArray[np.float64]:
        return np.array([counted[level] for level in range(len(tables[kind].above) + 1)], float)

    def usual(kind: IndicationKind, state: str) -> NDArray[np.float64]:
        counted = listed(laid[kind][state], kind) + 0.5
        return np.asarray(counted / counted.sum())

    def likelihood(lent: float) -> float:
        total = 0.0
        for kind, states in seen.items():
            for state, counted in states.items():
                prior, here = lent * usual(kind, state), listed(counted, kind)
                total += float(np.sum(gammaln(prior + here) - gammaln(prior)))
                total += float(gammaln(lent) - gammaln(lent + here.sum()))
        return total

    lent = max(LENT, key=likelihood)
    print(f"# all straight beads are worth {lent} photos")
    for kind, states in seen.items():
        print(f"[detection_table.{kind}]\nabove = {list(tables[kind].above)}")
        for state, counted in states.items():
            here = listed(counted, kind)
            shares = (here + lent * usual(kind, state)) / (here.sum() + lent)
            told = ", ".join(f"{share:.4f}" for share in shares)
            print(f"states.{state} = [{told}]  # of {here.sum():.0f}, straight {laid[kind][state].total()}")
        print()


def strange(beads: Iterable[Laid]) -> None:
    """Print how often each level is read, and the share of strange photos, by all shares alike at first, that this
    leaves: its mean and the likeliest."""
    from toeline.causes.chart import Normal

    tried = np.arange(0.005, 0.5, 0.005)
    for kind, states in levels(beads).items():
        table = Normal.read().detection_table[kind]
        likely = np.array(
            [
                sum(
                    n * math.log(told[state][level])
                    for state, counted in states.items()
                    for level, n in counted.items()
                )
                for told in (table.doubted(float(share)).states for share in tried)
            ]
        )
        left = np.exp(likely - likely.max())
        read = {state: [counted[level] for level in range(len(table.above) + 1)] for state, counted in states.items()}
        mean = float(left @ tried / left.sum())
        print(f"{kind:<16} {json.dumps(read)}  mean {mean:.2f}, likeliest {tried[likely.argmax()]:.3f}")


def sure(beads: Iterable[Laid]) -> None:
    """Print how many indications of each kind are right from a confidence on, as ``data/detection.toml`` asks."""
    told: dict[str, list[tuple[float, bool]]] = defaultdict(list)
    for bead in beads:
        there, plan = bead.there, bead.there.get("plan")
        right = {**{kind: there[kind] for kind in SPOTS}, "pore": there["pores"] > 0}
        if plan:  # a photo's truth is asked for no more than that
            right |= {
                "crater_crack": there["crater_unfilled"] and plan["crack"] > 0,
                "slag_left": plan["slag"] >= 1,
                "arc_strike": plan["strikes"] >= 1,
            }
        for each in bead.result.indications:
            if each.kind in TOES and each.side:
                told[each.kind].append((each.confidence, there[each.kind][each.side] > 0))
            elif each.kind in right:
                told[each.kind].append((each.confidence, right[each.kind]))
    for kind, every in told.items():
        shares = []
        for least in (0.5, 0.7, 0.8, 0.85, 0.9, 0.95, 0.98):
            kept = [is_right for confidence, is_right in every if confidence >= least]
            shares.append(f"{least}: {sum(kept) / len(kept):.2f} of {len(kept)}" if kept else f"{least}: none")
        print(f"{kind:<16} {', '.join(shares)}")


def rank(beads: Iterable[Laid], electrode: bool) -> None:
    """Print how often the right cause comes first and among the first two, and what is said of good beads."""
    from toeline.causes import rank_causes

    right: dict[str, list[tuple[bool, bool, bool]]] = defaultdict(list)
    said: dict[str, Counter[str]] = defaultdict(Counter)
    for bead in beads:
        rod = Welding(electrode_mm=bead.there["core_mm"] if electrode else None)
        result = bead.result.model_copy(update={"settings": Settings(welding=rod)})
        causes = [c.cause for c in rank_causes(result).causes]
        right[bead.cause].append((causes[:1] == [bead.cause], bead.cause in causes[:2], not causes))
        said[bead.cause][causes[0] if causes else "(silent)"] += 1
    troubled = [x for cause, every in right.items() if cause != "good" for x in every]
    for cause, every in sorted(right.items()):
        first, two, silent = (sum(x[k] for x in every) / len(every) for k in range(3))
        most = ", ".join(f"{k} {v}" for k, v in said[cause].most_common(4))
        print(f"{cause:<20} {len(every):4d}  first {first:4.0%}  two {two:4.0%}  silent {silent:4.0%}   {most}")
    first, two = (sum(x[k] for x in troubled) / max(len(troubled), 1) for k in range(2))
    # every cause counts alike, however often it was drawn
    kinds = [cause for cause in right if cause != "good"]
    even = [sum(sum(x[k] for x in right[c]) / len(right[c]) for c in kinds) / max(len(kinds), 1) for k in range(2)]
    print(f"all troubles: first {first:.0%}, first two {two:.0%}; each cause alike: {even[0]:.0%}, {even[1]:.0%}")


def main() -> None:
    """Run one of them."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("do", choices=["lay", "measure", "trust", "strange", "sure", "rank"])
    ask.add_argument("folder", type=Path)
    ask.add_argument("photos", type=Path, nargs="*")
    ask.add_argument("--beads", type=int, default=400)
    ask.add_argument("--seed", type=int, default=0)
    ask.add_argument("--only", choices=sorted(TROUBLES))
    ask.add_argument("--anew", action="store_true")
    ask.add_argument("--electrode", action="store_true")
    said = ask.parse_args()
    folder: Path = said.folder
    if said.do == "lay":
        import torch

        folder.mkdir(parents=True, exist_ok=True)
        drawn = (n for n in numbers(said.seed) if said.only in (None, planned(np.random.default_rng(n))[0]))
        for seed in islice(drawn, said.beads):
            truth = folder / f"{seed:06d}.json"
            if truth.exists():
                continue
            with torch.inference_mode():
                image, there = lay_one(seed)
            cv2.imwrite(str(truth.with_suffix(".jpg")), image, [cv2.IMWRITE_JPEG_QUALITY, 97])
            truth.write_text(json.dumps(there), "utf-8")
    elif said.do == "measure":
        for photo in sorted(folder.glob("*.jpg")):
            out = photo.with_suffix(".result.json")
            if out.exists() and not said.anew:
                continue
            there = json.loads(photo.with_suffix(".json").read_text("utf-8"))
            result = measure_one(np.asarray(cv2.imread(str(photo)), np.uint8), there)
            if result is not None:
                out.write_text(result.to_json(indent=None), "utf-8")
    elif said.do == "rank":
        rank(read(folder), said.electrode)
    elif said.do == "strange":
        strange(chain.from_iterable(map(photographed, [folder, *said.photos])))
    elif said.do == "trust":
        trust(read(folder), chain.from_iterable(map(photographed, said.photos)))
    else:
        sure(read(folder))
        sure(chain.from_iterable(map(photographed, said.photos)))


if __name__ == "__main__":
    main()
