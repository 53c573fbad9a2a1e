"""Which traces may be believed, and how far their toes lie off at what doubt, counted on rendered photos.

    python tests/benchmarks/bench_belief.py trace FOLDER... --json FILE
    python tests/benchmarks/bench_belief.py count FILE...

``trace`` looks for the bead in every photo of the folders as a measurement does and writes down what the tracer says of
itself beside what is true: photos of ``bench_uncertainty.py shoot``, tidy and ``--wild`` ones, and ``--no-bead`` ones,
in which every trace is wrong. ``count`` then prints

* for the thresholds ``[belief]`` of ``data/bead.toml``: how many wrong traces they let through and how many right ones
  they refuse, and the pair that costs least, a wrong answer counting as much as ten refusals of a right one. A trace is
  right where both ends lie within one width of the truth and half the toes within a twentieth of the width;
* whether the toes' stated uncertainty grows with doubt as their errors do: at each confidence, among right traces, the
  share within 2 u and the root mean square of error over u, which has to be much the same all the way down; and the
  same of the ends (``[end] u`` of ``data/measures.toml``);
* for ``[belief] other`` and ``named``: how surely the finder takes beads for something else, and other things for it;
  for ``neighbour`` and ``parted``: what tells two beads from one;
* for ``[crest] told`` and ``told_contrast`` of ``data/ripples.toml``: how clearly ripples are told from faces that have
  none, and between which limits fewest are mistaken for the other.

Run it again whenever the networks change, and put what it prints into the data files.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import traceback
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from toeline.document import write_document
from toeline.geometry.card import find_cards
from toeline.geometry.ground import lay_ground
from toeline.photo import read_photo
from toeline.result import Result, Settings
from toeline.trace.band import TracedBead
from toeline.trace.bead_finder import detect_beads
from toeline.trace.belief import parted, weld_metal_beyond
from toeline.trace.ripples import read_ripples
from toeline.trace.search import search
from toeline.validation.accuracy import inputs_of
from toeline.validation.against_truth import _Seam, to_line

WRONG_COSTS = 10.0
RIGHT_TOE = 0.05  #: of the width, what half the toes of a right trace are off by at most
EACH = 8  #: every so many stations are written down
LEVELS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97, 1.01)


def trace_safely(pair: tuple[str, str]) -> dict[str, Any] | None:
    """As :func:`trace_one`; a fault is printed, and the others go on."""
    try:
        return trace_one(pair)
    except Exception:
        print(pair[0], traceback.format_exc(), file=sys.stderr)
        return None


def trace_one(pair: tuple[str, str]) -> dict[str, Any]:
    """What the tracer makes of one photo, beside its truth."""
    cv2.setNumThreads(1)
    photo, truth = read_photo(pair[0]), json.loads(Path(pair[1]).read_text("utf-8"))
    said = inputs_of(truth)
    settings = Settings(joint=said["joint"], check_line_mm=said["check_line"])
    cards = find_cards(photo)
    ground = lay_ground(photo, cards, settings, None)
    detections = detect_beads(photo.image)
    found = search(photo, detections, ground, None)
    generator = truth.get("generator") or {}
    out: dict[str, Any] = {
        "photo": f"{Path(pair[0]).parent.name}/{Path(pair[0]).name}",
        "usable": truth["usable"],
        "thing": generator.get("thing", "bead"),
        "face": (generator.get("wild") or {}).get("face"),
        "problems": [p.code for p in found.problems],
        "other": None if detections.other is None else [detections.other.kind, detections.other.confidence],
        "traced": found.bead is not None,
    }
    if truth["usable"]:
        toes = truth["bead"]["toes_px"]
        out["seems"] = detections.seems(np.concatenate([toes["left"], toes["right"][::-1]]))
    if found.bead is None:
        return out
    bead = found.bead
    out |= {
        "toes": float(np.median(bead.confidence)),
        "ends": min(bead.end_trust),
        "parted": parted(bead),
        "beyond": max(
            weld_metal_beyond(bead, toe, way * float(np.median(bead.t_left - bead.t_right)))
            for toe, way in ((bead.t_left, 1.0), (bead.t_right, -1.0))
        ),
        "traced_seems": detections.seems(bead.outline_px),
        "right": False,
    }
    if truth["usable"]:
        result = write_document(photo, ground, found.detections, bead, (), {}, {}, (), settings)
        out |= _beside_truth(result, bead, truth)
    return out


def _beside_truth(result: Result, bead: TracedBead, truth: dict[str, Any]) -> dict[str, Any]:
    seam = _Seam(result, truth)
    lo, hi = seam.body()
    over = (seam.said_on_truth >= lo) & (seam.said_on_truth <= hi)
    names = ("right", "left") if seam.reversed else ("left", "right")
    scale = seam.scale(seam.said_on_truth)
    off, out = [], []
    for said, name in zip(("left", "right"), names, strict=True):
        line, toe = (seam.left if name == "left" else seam.right), np.array(getattr(result.bead, f"{said}_toe_px"))
        off.append(to_line(toe, line) / scale)
        half = np.interp(seam.said_on_truth, seam.s, np.linalg.norm(line - seam.middle, axis=1))
        out.append((to_line(toe, seam.middle) - half) / scale)
    errors, outwards = np.stack(off)[:, over], np.stack(out)[:, over]
    u = np.stack([bead.u_left, bead.u_right])[:, over]
    ripples = read_ripples(bead.band, bead.s, bead.t_left, bead.t_right)
    half = float(np.median(errors)) if errors.size else np.inf
    return {
        "ends_right": seam.ends_right,
        "toe_share": half / seam.width,
        "right": bool(seam.ends_right and half < RIGHT_TOE * seam.width),
        "width": seam.width,
        "pitch": truth["bead"]["ripples"]["pitch_mean_mm"],
        "contrast": ripples.contrast,
        "charted": ripples.charted,
        "rise": abs(ripples.rise),
        "end_mm": [[bead.end_trust[int(k)], mm] for k, mm in _ends_off(seam, result)],
        "side": {
            "bias": outwards.mean(axis=1).tolist() if outwards.size else [],
            "scatter": outwards.std(axis=1).tolist() if outwards.size else [],
            "u": np.sqrt(np.mean(u**2, axis=1)).tolist() if outwards.size else [],
        },
        "station": {
            "confidence": bead.confidence[over][::EACH].round(3).tolist(),
            "u": u[:, ::EACH].round(4).tolist(),
            "error": errors[:, ::EACH].round(4).tolist(),
        },
    }


def _ends_off(seam: _Seam, result: Result) -> list[list[float]]:
    """Which end, and its error in mm along the seam, for each that is in the picture and said to be."""
    bead = result.bead
    out = []
    for k, (said, seen) in enumerate(((bead.start_px, bead.start_seen), (bead.end_px, bead.end_seen))):
        true = (1 - k) if seam.reversed else k
        at = np.array(seam.truth["bead"]["seam"][("start_px", "end_px")[true]][:2])
        if said is not None and seen:
            scale = float(seam.scale(seam.s[[-1 if true else 0]])[0])
            near = np.abs(seam.s - seam.s[-1 if true else 0]) < seam.width
            along = seam.middle[near][-1] - seam.middle[near][0]
            out.append([k, abs(float((np.array(said) - at) @ along / np.linalg.norm(along))) / scale])
    return out


def trace(folders: Sequence[Path], out: Path, jobs: int) -> None:
    """Trace every photo with a truth file beside it."""
    pairs = [
        (str(photo), str(photo.with_suffix(".json")))
        for folder in folders
        for photo in sorted(folder.glob("*.jpg"))
        if photo.with_suffix(".json").is_file()
    ]
    rows = []
    with ProcessPoolExecutor(jobs, mp_context=multiprocessing.get_context("spawn")) as pool:
        for row in pool.map(trace_safely, pairs):
            rows += [row] if row else []
            if len(rows) % 20 == 0:
                print(f"{len(rows)}/{len(pairs)}", file=sys.stderr)
    out.write_text(json.dumps(rows), "utf-8")


def count(files: Sequence[Path]) -> None:
    """Print what the data files take."""
    console = Console(width=130)
    rows = [row for file in files for row in json.loads(file.read_text("utf-8"))]
    console.print(_belief(console, rows))
    console.print(_doubt(rows))
    console.print(_ends(rows))
    console.print(_kinds(rows))
    console.print(_ripples(rows))
    console.print(_told(rows))


def _belief(console: Console, rows: list[dict[str, Any]]) -> Table:
    traced = [r for r in rows if r["traced"]]
    toes, ends, right = (np.array([r[k] for r in traced]) for k in ("toes", "ends", "right"))
    usable = sum(r["usable"] for r in rows)
    console.print(
        f"{len(rows)} photos, {usable} with a bead to be measured; {len(traced)} traced, {int(right.sum())} rightly; "
        f"no trace on {sum(r['usable'] and not r['traced'] for r in rows)} with a bead, "
        f"on {sum(not r['usable'] and not r['traced'] for r in rows)} without"
    )
    grid = np.arange(0.0, 1.0, 0.05)
    best: tuple[float, float, float] = (np.inf, 0.0, 0.0)
    for a in grid:
        for b in grid:
            taken = (toes >= a) & (ends >= b)
            cost = WRONG_COSTS * float((taken & ~right).sum()) + float((~taken & right).sum())
            if cost <= best[0]:
                best = (cost, float(a), float(b))
    out = Table(title="[belief]: wrong traces let through / right ones refused", title_justify="left")
    out.add_column("toes \\ ends")
    columns = (0.0, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
    for b in columns:
        out.add_column(f"{b:g}", justify="right")
    for a in (0.0, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8):
        taken = [(toes >= a) & (ends >= b) for b in columns]
        out.add_row(f"{a:g}", *(f"{int((t & ~right).sum())} / {int((~t & right).sum())}" for t in taken))
    out.caption = f"least cost: toes = {best[1]:.2f}, ends = {best[2]:.2f}"
    for r in traced:
        if r["toes"] >= best[1] and r["ends"] >= best[2] and not r["right"]:
            print("wrong and believed:", r["photo"], r["thing"], f"{r['toes']:.2f} {r['ends']:.2f}", r.get("toe_share"))
    return out


def _stations(rows: list[dict[str, Any]]) -> tuple[NDArray[np.float64], ...]:
    """Confidence, u and error of every toe point of right traces, and the number of its trace."""
    good = [r for r in rows if r["traced"] and r["right"] and r["station"]["confidence"]]
    confidence = np.concatenate([np.tile(r["station"]["confidence"], 2) for r in good])
    u, error = (np.concatenate([np.ravel(r["station"][k]) for r in good]) for k in ("u", "error"))
    which = np.concatenate([np.full(2 * len(r["station"]["confidence"]), k) for k, r in enumerate(good)])
    return confidence, u, error, which


def _doubt(rows: list[dict[str, Any]]) -> Table:
    confidence, u, error, which = _stations(rows)
    out = Table(title="Toes of right traces, by their confidence", title_justify="left")
    for head in ("confidence", "points", "traces", "median mm", "p95 mm", "u mm", "within 2 u", "rms of error / u"):
        out.add_column(head, justify="right")
    for low, high in pairwise(LEVELS):
        at = (confidence >= low) & (confidence < high)
        if at.sum() < 10:
            continue
        e, ratio = error[at], error[at] / u[at]
        told = [np.median(e), np.quantile(e, 0.95), np.median(u[at])]
        out.add_row(
            f"{low:g}-{min(high, 1):g}",
            str(int(at.sum())),
            str(len(np.unique(which[at]))),
            *(f"{v:.3f}" for v in told),
            f"{np.mean(ratio <= 2):.0%}",
            f"{np.sqrt(np.mean(np.minimum(ratio, 10) ** 2)):.2f}",
        )
    return out


def _ends(rows: list[dict[str, Any]]) -> Table:
    good = [r for r in rows if r["traced"] and r["right"]]
    ends = np.array([end for r in good for end in r["end_mm"]])
    out = Table(title="Ends of right traces, by how clear they are", title_justify="left")
    for head in ("trust", "ends", "median mm", "p95 mm", "rms mm"):
        out.add_column(head, justify="right")
    for low, high in pairwise((0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97, 1.01)):
        off = ends[(ends[:, 0] >= low) & (ends[:, 0] < high), 1]
        if len(off) > 2:
            told = (np.median(off), np.quantile(off, 0.95), np.sqrt(np.mean(off**2)))
            out.add_row(f"{low:g}-{min(high, 1):g}", str(len(off)), *(f"{v:.2f}" for v in told))
    return out


def _kinds(rows: list[dict[str, Any]]) -> Table:
    out = Table(title="What the finder takes things for", title_justify="left")
    for head in (
        "what it is",
        "photos",
        "on it: most like",
        "how sure, 90 % and most",
        "another thing seen, most sure",
    ):
        out.add_column(head)
    for thing in sorted({r["thing"] for r in rows}):
        some = [r for r in rows if r["thing"] == thing]
        seems = [r.get("seems") or r.get("traced_seems") for r in some]
        wrong = [s[1] for s in seems if s and s[0] != "bead"]
        others = [r["other"][1] for r in some if r["other"]]
        kinds: dict[str, int] = {}
        for s in seems:
            kinds[s[0] if s else "-"] = kinds.get(s[0] if s else "-", 0) + 1
        sure = f"{np.quantile(wrong, 0.9):.2f}, {max(wrong):.2f}" if wrong else "-"
        told = [
            " ".join(f"{q:.2f}" for q in np.quantile([r[key] for r in some if r["traced"]] or [0.0], (0.05, 0.5, 0.95)))
            for key in ("parted", "beyond")
        ]
        out.add_row(thing, str(len(some)), str(kinds), sure, f"{max(others):.2f}" if others else "-", *told)
    return out


def _ripples(rows: list[dict[str, Any]]) -> Table:
    good = [r for r in rows if r["traced"] and r["right"]]
    out = Table(title="Ripples, on right traces: quantiles 5 25 50 75 95 %", title_justify="left")
    for head in ("", "beads", "contrast", "charted", "contrast + log", "rise"):
        out.add_column(head)
    for name, some in (
        ("crosswise ripples", [r for r in good if r["pitch"]]),
        ("none", [r for r in good if not r["pitch"]]),
    ):
        if some:
            contrast, charted, rise = (np.array([r[key] for r in some]) for key in ("contrast", "charted", "rise"))
            cells = [
                " ".join(f"{q:.2f}" for q in np.quantile(values, (0.05, 0.25, 0.5, 0.75, 0.95)))
                for values in (contrast, charted, contrast + np.log(charted.clip(1e-6)), rise)
            ]
            out.add_row(name, str(len(some)), *cells)
    return out


def _told(rows: list[dict[str, Any]]) -> Table:
    out = Table(title="Where crosswise ripples are told, on right traces", title_justify="left")
    for head in ("told_contrast", "told, from", "to", "crosswise, not told", "none, told"):
        out.add_column(head, justify="right")
    good = [r for r in rows if r["traced"] and r["right"]]
    true = np.array([bool(r["pitch"]) for r in good])
    charted, contrast = (np.array([r[key] for r in good]) for key in ("charted", "contrast"))
    for share in (1.0, 0.67, 0.5, 0.33, 0.2, 0.0):
        seen = np.log(charted.clip(1e-6)) + share * contrast
        limits = np.sort(seen)
        wrong = np.array([np.sum((seen >= limit) != true) for limit in limits])
        best = limits[wrong == wrong.min()]
        told = seen >= best[len(best) // 2]
        cells = (share, best[0], best[-1], np.sum(true & ~told), np.sum(told & ~true))
        out.add_row(*(f"{cell:.2f}" if isinstance(cell, float) else str(cell) for cell in cells))
    return out


def main() -> None:
    """Run one of the two."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    do = ask.add_subparsers(dest="do", required=True)
    tracing, counting = do.add_parser("trace"), do.add_parser("count")
    tracing.add_argument("folders", type=Path, nargs="+")
    tracing.add_argument("--json", type=Path, metavar="FILE", required=True)
    tracing.add_argument("--jobs", type=int, default=1)
    counting.add_argument("files", type=Path, nargs="+")
    said = ask.parse_args()
    if said.do == "trace":
        trace(said.folders, said.json, said.jobs)
    else:
        count(said.files)


if __name__ == "__main__":
    main()
