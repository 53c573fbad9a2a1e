"""The scoreboard: measure every photo of a folder that has its truth beside it, and say how right the tool is.

A photo is ``NAME.jpg`` (or png) with ``NAME.json``. The user's inputs come from the truth file: the check line's
measured length and the joint. Photos marked usable give the figures; those marked unusable only tell whether they
were refused. A measure that stayed unknown is counted as missing and shown, never left out in silence. A photo that
should be measured and was refused for a true reason makes no claim: it counts against "found", and is left out of the
other figures. A trace is wrong where an end lies further than one width off the truth, or half its toes further than a
tenth of the width; accepted, it is the worst that can be.

How indications are scored:

* undercut, by length over all photos. Recall of a depth class: share of the true length at least that deep that a
  reported run on that toe covers. Precision: share of the reported length that lies where the truth is 0.1 mm deep
  or more. No tolerance at the ends.
* spatter: one-to-one by centres, at most 0.5 mm or half a diameter apart. True balls of 0.8 mm or more in the picture
  must be found. A reported ball of 0.8 mm or more is invented when it meets no true ball of 0.6 mm or more; balls of
  0.6 to 0.8 mm count neither way.
* height and depth from several photos: :mod:`toeline.validation.relief_scenes`; of such a scene only the face photo is
  measured by itself.
* pores (1 mm), slag and arc strikes (2 mm): one-to-one by centres. Restart: within 5 mm along the seam. Overlap: by
  length. Crater: filled or unfilled said rightly, where the picture shows the end.
"""

from __future__ import annotations

import json
import multiprocessing
import os
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from rich.console import Console, Group, RenderableType
from rich.table import Table
from scipy.stats import norm

from toeline.errors import SettingsError, ToelineError
from toeline.measures.registry import MEASURES
from toeline.result import Joint
from toeline.validation.against_truth import UNDERCUT_CLASSES, Hits, PhotoScore, compare, refused
from toeline.validation.figures import AccuracyFigures, Target
from toeline.validation.relief_scenes import SceneScore, relief_figures, scenes_in, score_scene

_SUFFIXES = (".jpg", ".jpeg", ".png")
#: What the truth of a usable photo has to say about its bead.
_BEAD_KEYS = {"s_mm", "toes_px", "toes_seam_mm", "seam", "body", "toe_left", "toe_right", "ripples", "undercut"}
_JOINTS: dict[str, Joint] = {"stringer": "bead", "weave": "bead", "cap": "butt", "fillet": "fillet"}


@dataclass(frozen=True, slots=True)
class MeasureFigures:
    """One measure over all usable photos that have it in their truth. Errors in the measure's unit; ``rms`` is that of
    the error over U: 0.5 where errors are normal and U (k = 2) is true."""

    name: str
    photos: int
    missing: tuple[str, ...]
    median: float | None
    p90: float | None
    p95: float | None
    bias: float | None
    inside: float | None
    rms: float | None
    worst: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure against its floor and aim; ``value`` None where no photo speaks to it."""

    key: str
    name: str
    value: float | None
    n: int
    floor: float
    aim: float
    reached: Literal["aim", "floor", "no", "-"]


@dataclass(frozen=True, slots=True)
class Accuracy:
    """The whole scoreboard."""

    photos: tuple[PhotoScore, ...]
    measures: tuple[MeasureFigures, ...]
    figures: tuple[Figure, ...]
    undercut: dict[float, Hits]
    undercut_said: Hits
    things: dict[str, Hits]
    wrongly_accepted: tuple[str, ...]
    wrongly_refused: tuple[str, ...]
    wrongly_traced: tuple[str, ...]
    failed: dict[str, str]
    foreign: tuple[str, ...] = ()
    scenes: tuple[SceneScore, ...] = ()

    def to_json(self) -> str:
        """The scoreboard as JSON text."""
        return json.dumps(asdict(self), indent=2, allow_nan=False)


def run_accuracy(
    folder: Path | str, *, jobs: int | None = None, progress: Callable[[int, int, str], None] | None = None
) -> Accuracy:
    """Measure every photo in ``folder`` that has a truth file beside it, ``jobs`` at a time (all cores if None).

    ``progress`` is called with how many are done, how many there are, and the photo's name.

    Raises:
        SettingsError: the folder holds no such photo.
    """
    scenes = scenes_in(Path(folder))
    from_the_side = {photo for photos in scenes.values() for photo in photos[1:]}
    pairs = [pair for pair in photos_with_truth(Path(folder)) if pair[0] not in from_the_side]
    scores: list[PhotoScore] = []
    scene_scores: list[SceneScore] = []
    of = len(pairs) + len(scenes)
    workers = min(jobs or os.cpu_count() or 1, of)
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        in_scenes = pool.map(_score_scene, scenes.items())
        for score in pool.map(_score, pairs):
            scores.append(score)
            if progress:
                progress(len(scores), of, score.name)
        for scene in in_scenes:
            scene_scores.append(scene)
            if progress:
                progress(len(scores) + len(scene_scores), of, scene.name)
    board = replace(summarise(scores), foreign=foreign_files(Path(folder)))
    if not scene_scores:
        return board
    figures = [_against(f, *relief_figures(scene_scores)[f.key]) for f in AccuracyFigures.read().relief]
    return replace(board, scenes=tuple(scene_scores), figures=(*board.figures, *figures))


def photos_with_truth(folder: Path) -> list[tuple[Path, Path]]:
    """Photos and their truth files, by name; a photo whose JSON file is something else is not among them.

    Raises:
        SettingsError: there is none.
    """
    pairs = [(photo, truth) for photo, truth in _with_json(folder) if _is_truth(truth)]
    if not pairs:
        raise SettingsError(
            f"{folder} holds no photo with a truth file beside it; put NAME.json, which says what is true of the "
            "photo, next to each NAME.jpg."
        )
    return pairs


def foreign_files(folder: Path) -> tuple[str, ...]:
    """Names of JSON files beside a photo that are no truth files, such as results."""
    return tuple(truth.name for _, truth in _with_json(folder) if not _is_truth(truth))


def _with_json(folder: Path) -> list[tuple[Path, Path]]:
    files = sorted(folder.iterdir()) if folder.is_dir() else []
    pairs = [(p, p.with_suffix(".json")) for p in files if p.suffix.lower() in _SUFFIXES]
    return [(photo, beside) for photo, beside in pairs if beside.is_file()]


def _is_truth(path: Path) -> bool:
    """Whether a file says what is true of a photo, all that the comparison reads."""
    try:
        truth = json.loads(path.read_text("utf-8"))
    except (ValueError, RecursionError):
        return False
    if not isinstance(truth, dict) or "usable" not in truth:
        return False
    bead = truth.get("bead")
    whole = isinstance(bead, dict) and bead.keys() >= _BEAD_KEYS and {"spatter", "image"} <= truth.keys()
    return whole or not truth["usable"]


def inputs_of(truth: dict[str, Any]) -> dict[str, Any]:
    """What a user would have told the tool about this photo: check line and joint."""
    card = truth.get("card") or {}
    return {
        "joint": _JOINTS.get(str(truth.get("kind")), "bead"),
        "check_line": card.get("check_line_measured_mm") if card.get("shown", True) else None,
    }


def _score(pair: tuple[Path, Path]) -> PhotoScore:
    """Measure one photo and compare it; runs in a process of its own."""
    import cv2

    from toeline.pipeline import measure

    cv2.setNumThreads(1)  # the photos share the cores already
    photo, path = pair
    truth = json.loads(path.read_text("utf-8"))
    try:
        return compare(photo.name, measure(photo, **inputs_of(truth)), truth)
    except ToelineError as error:
        return refused(photo.name, truth, str(error))
    except Exception as error:  # a fault of the tool's own must not hide how the other photos did
        return refused(photo.name, truth, f"fault in the tool: {type(error).__name__}: {error}".splitlines()[0])


def _score_scene(scene: tuple[str, Sequence[Path]]) -> SceneScore:
    """Work one scene of several photos out and compare it; runs in a process of its own."""
    import cv2

    cv2.setNumThreads(1)
    name, photos = scene
    truth = json.loads(photos[0].with_suffix(".json").read_text("utf-8"))
    try:
        return score_scene(name, photos, inputs_of(truth))
    except Exception as error:  # a fault of the tool's own must not hide how the other scenes did
        fault = f"fault in the tool: {type(error).__name__}: {error}".splitlines()[0]
        return SceneScore(name, str(truth.get("kind")), len(photos), fault)


def summarise(scores: Sequence[PhotoScore]) -> Accuracy:
    """The figures over all photos."""
    usable = [s for s in scores if s.usable]
    taken = [s for s in usable if s.accepted or not s.reason_right]
    measures = _measure_figures(taken)
    undercut = {d: sum((s.undercut_found.get(d, Hits()) for s in taken), Hits()) for d in UNDERCUT_CLASSES}
    said = sum((s.undercut_said for s in taken), Hits())
    kinds = sorted({k for s in taken for k in s.things})
    things = {k: sum((s.things.get(k, Hits()) for s in taken), Hits()) for k in kinds}
    return Accuracy(
        photos=tuple(scores),
        measures=measures,
        figures=_figures(scores, {m.name: m for m in measures}, undercut, said, things),
        undercut=undercut,
        undercut_said=said,
        things=things,
        wrongly_accepted=tuple(s.name for s in scores if not s.usable and s.accepted),
        wrongly_refused=tuple(s.name for s in usable if not s.accepted),
        wrongly_traced=tuple(s.name for s in usable if s.accepted and not s.trace_right),
        failed={s.name: s.error for s in scores if s.error},
    )


def _measure_figures(taken: Sequence[PhotoScore]) -> tuple[MeasureFigures, ...]:
    names = dict.fromkeys(name for s in taken for name in s.measures)
    out = []
    for name in names:
        have = [(s.name, s.measures[name]) for s in taken if name in s.measures]
        known = [(photo, c.error, c.inside) for photo, c in have if c.error is not None]
        errors = np.array([e for _, e, _ in known])
        size = np.abs(errors)
        order = np.argsort(-size)[:3]
        inside = [i for _, _, i in known if i is not None]
        of_u = [c.error / c.U for _, c in have if c.error is not None and c.U]
        out.append(
            MeasureFigures(
                name=name,
                photos=len(have),
                missing=tuple(photo for photo, c in have if c.value is None),
                median=float(np.median(size)) if len(size) else None,
                p90=float(np.percentile(size, 90)) if len(size) else None,
                p95=float(np.percentile(size, 95)) if len(size) else None,
                bias=float(errors.mean()) if len(size) else None,
                inside=sum(inside) / len(inside) if inside else None,
                rms=float(np.sqrt(np.mean(np.square(of_u)))) if of_u else None,
                worst=tuple(f"{known[i][0]} {errors[i]:+.2g}" for i in order),
            )
        )
    return tuple(out)


def _figures(
    scores: Sequence[PhotoScore],
    measures: dict[str, MeasureFigures],
    undercut: dict[float, Hits],
    said: Hits,
    things: dict[str, Hits],
) -> tuple[Figure, ...]:
    usable = [s for s in scores if s.usable]
    taken = [s for s in usable if s.accepted or not s.reason_right]
    toes = [d for s in taken for d in s.toe_mm]
    known = [s for s in taken if s.travel != "assumed"]
    crater = [s.crater_right for s in taken if s.crater_right is not None]
    trouble = [s for s in taken if s.causes is not None and s.cause not in (None, "good")]
    good = [s for s in taken if s.causes is not None and s.cause == "good"]
    pitch = _errors(taken, ["ripple_pitch"], relative=True)
    plain = [s.ripples_invented for s in taken if s.ripples_invented is not None]
    refusals = [s.reason_right for s in scores if s.reason_right is not None]

    def p90(*names: str) -> tuple[float | None, int]:
        errors = _errors(taken, names)
        # a measure that stayed unknown is no small error: it counts as a miss of the 90 percent
        return (float(np.percentile(errors, 90, method="higher")) if errors else None), len(errors)

    values: dict[str, tuple[float | None, int]] = {
        "found": _share([s.accepted and s.ends_right for s in usable]),
        "found_or_refused": _share([s.trace_right if s.accepted else bool(s.reason_right) for s in usable]),
        "wrong_trace": (float(sum(s.accepted and not s.trace_right for s in usable)), len(usable)),
        "refusals": _share(refusals),
        "toe": (float(np.median(toes)) if toes else None, sum(1 for s in taken if s.toe_mm)),
        "width_mean_p90": p90("width_mean"),
        "edge_p90": p90("left_edge_deviation", "right_edge_deviation"),
        "pitch_5": _share([e <= 0.05 for e in pitch]),
        "ripples_invented": (float(sum(plain)), len(plain)),
        "travel": _share([s.travel == "right" for s in known]),
        "undercut_recall": (undercut[0.5].recall, round(undercut[0.5].right + undercut[0.5].missed)),
        "undercut_precision": (said.precision, round(said.right + said.invented)),
        "spatter_f1": (things["spatter"].f1, round(sum_of(things["spatter"]))) if "spatter" in things else (None, 0),
        "crater": _share(crater),
        "accepted": (float(sum(s.accepted for s in scores if not s.usable)), sum(1 for s in scores if not s.usable)),
        "leg_p90": p90("leg_base", "leg_upright"),
        "throat_p90": p90("throat"),
        "angle_p90": p90("joint_angle"),
        "cause_first": _share([(s.causes or ())[:1] == (s.cause,) for s in trouble]),
        "cause_two": _share([s.cause in (s.causes or ())[:2] for s in trouble]),
        "silent": _share([not s.causes for s in good]),
    }
    out = [_against(f, *values[f.key]) for f in AccuracyFigures.read().figure]
    low, high = AccuracyFigures.read().inside.floor
    for m in measures.values():
        if m.name in MEASURES and MEASURES[m.name].validated and m.inside is not None:
            n = m.photos - len(m.missing)
            reached: Literal["floor", "no"] = "floor" if low <= m.inside and not _too_wide(m, n, high) else "no"
            name = f"{m.name}: error inside U (at most {high:.0%})"
            out.append(Figure(f"inside_{m.name}", name, m.inside, n, low, 0.95, reached))
    return tuple(out)


def _too_wide(m: MeasureFigures, n: int, most: float) -> bool:
    """Whether more than a share ``most`` of errors lies inside U. Too few photos to leave one out cannot say so by
    their count; there U is too wide where the errors' size is that of normal ones of which so many lie inside it."""
    if m.inside is None or m.inside <= most:
        return False
    return n >= 1 / (1 - most) or m.rms is None or m.rms < 1 / float(norm.ppf((1 + most) / 2))


def sum_of(hits: Hits) -> float:
    """How many there are in truth."""
    return hits.right + hits.missed


def _errors(usable: Iterable[PhotoScore], names: Iterable[str], *, relative: bool = False) -> list[float]:
    """Absolute errors of measures that have a truth; a measure that stayed unknown is infinitely far off."""
    names = list(names)
    out = []
    for s in usable:
        for c in (s.measures[n] for n in names if n in s.measures):
            error = float("inf") if c.error is None else abs(c.error)
            out.append(error / c.truth if relative else error)
    return out


def _share(right: Sequence[bool]) -> tuple[float | None, int]:
    return (sum(right) / len(right) if right else None), len(right)


def _against(target: Target, value: float | None, n: int) -> Figure:
    floor, aim = target.floor, target.aim
    reached: Literal["aim", "floor", "no", "-"] = "-"
    if value is not None and n:
        up = 1.0 if target.better == "high" else -1.0
        reached = "aim" if up * value >= up * aim else "floor" if up * value >= up * floor else "no"
    finite = value if value is None or np.isfinite(value) else None
    return Figure(target.key, target.name, finite, n, floor, aim, reached)


def tables(accuracy: Accuracy) -> RenderableType:
    """The scoreboard as rich tables: figures against floors, measures, indications, photos to look at."""
    parts = [_figure_table(accuracy), _measure_table(accuracy), _thing_table(accuracy)]
    scenes = [_scene_table(accuracy)] if accuracy.scenes else []
    return Group(*parts, *scenes, _photo_table(accuracy))


def print_tables(accuracy: Accuracy, console: Console) -> None:
    """Print the scoreboard; the console knows about NO_COLOR and pipes."""
    console.print(tables(accuracy))


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.3g}"


def _figure_table(accuracy: Accuracy) -> Table:
    out = Table(title="Figures against their floors", title_justify="left")
    for name in ("figure", "n", "value", "floor", "aim", "reached"):
        out.add_column(name, justify="left" if name in ("figure", "reached") else "right")
    colour = {"aim": "green", "floor": "yellow", "no": "red", "-": "dim"}
    for f in accuracy.figures:
        values = (str(f.n), _number(f.value), _number(f.floor), _number(f.aim))
        out.add_row(f.name, *values, f"[{colour[f.reached]}]{f.reached}[/]")
    return out


def _scene_table(accuracy: Accuracy) -> Table:
    out = Table(title="Height and depth from several photos: error against truth, mm", title_justify="left")
    heads = ("scene", "photos", "seen", "face", "beside", "in U", "height", "undercut", "none", "other", "why")
    for name in heads:
        out.add_column(name, justify="left" if name in ("scene", "why") else "right", overflow="fold")
    for s in accuracy.scenes:
        pairs = ["-" if p is None else f"{p[0]:.3f}/{p[1]:.3f}" for p in (s.face, s.beside)]
        told = ["-" if t is None else f"{t.error:.2f}" for t in (s.height,)]
        undercuts = " ".join(f"{t.error:.2f}" for t in s.undercuts) or "-"
        other = " ".join(f"{t.error:.2f}" for t in (s.crater, s.throat, s.convexity) if t is not None) or "-"
        inside = "-" if s.inside is None else f"{s.inside:.0%}"
        out.add_row(
            s.name,
            str(s.photos),
            f"{s.seen:.0%}",
            *pairs,
            inside,
            *told,
            undercuts,
            _number(s.none),
            other,
            s.why or "",
        )
    return out


def _measure_table(accuracy: Accuracy) -> Table:
    out = Table(title="Measures: absolute error against truth", title_justify="left")
    for name in ("measure", "photos", "missing", "median", "p90", "p95", "bias", "in U", "rms/U", "worst"):
        out.add_column(name, justify="left" if name in ("measure", "worst") else "right", overflow="fold")
    for m in accuracy.measures:
        inside = "-" if m.inside is None else f"{m.inside:.0%}"
        values = [_number(v) for v in (m.median, m.p90, m.p95, m.bias)]
        rms = "-" if m.rms is None else f"{m.rms:.2f}"
        out.add_row(m.name, str(m.photos), str(len(m.missing)), *values, inside, rms, ", ".join(m.worst))
    return out


def _thing_table(accuracy: Accuracy) -> Table:
    out = Table(title="Indications (undercut and overlap in mm, the others in pieces)", title_justify="left")
    for name in ("indication", "true", "found", "invented", "recall", "precision", "F1"):
        out.add_column(name, justify="left" if name == "indication" else "right")
    for d, hits in accuracy.undercut.items():
        out.add_row(
            f"undercut, {d:g} mm deep or more",
            *(_number(v) for v in (sum_of(hits), hits.right)),
            "",
            _number(hits.recall),
        )
    said = accuracy.undercut_said
    out.add_row(
        "undercut reported, 0.1 mm deep in truth",
        "",
        _number(said.right),
        _number(said.invented),
        "",
        _number(said.precision),
    )
    for kind, h in accuracy.things.items():
        out.add_row(kind, *(_number(v) for v in (sum_of(h), h.right, h.invented, h.recall, h.precision, h.f1)))
    return out


def _photo_table(accuracy: Accuracy) -> Table:
    out = Table(title="Photos to look at", title_justify="left")
    out.add_column("what")
    out.add_column("photos", overflow="fold")
    usable = [s for s in accuracy.photos if s.usable]
    toes = sorted(((float(np.median(s.toe_mm)), s.name) for s in usable if s.toe_mm), reverse=True)[:3]
    rows = {
        "unusable, yet accepted": accuracy.wrongly_accepted,
        "wrongly traced, yet accepted": accuracy.wrongly_traced,
        "usable, yet refused": tuple(
            f"{s.name} ({', '.join(s.problems) or s.error})" for s in usable if s.name in accuracy.wrongly_refused
        ),
        "refused for a reason that is not true": tuple(s.name for s in accuracy.photos if s.reason_right is False),
        "no result": tuple(f"{k}: {v}" for k, v in accuracy.failed.items()),
        "bead not found": tuple(s.name for s in usable if not s.found),
        "an end wrong": tuple(s.name for s in usable if s.found and not s.ends_right),
        "travel wrong": tuple(s.name for s in usable if s.travel == "wrong"),
        "travel only assumed": tuple(s.name for s in usable if s.found and s.travel == "assumed"),
        "cause not ranked first": tuple(
            f"{s.name} ({s.cause}: {', '.join((s.causes or ())[:2]) or 'silent'})"
            for s in usable
            if s.cause not in (None, "good") and (s.causes or ())[:1] != (s.cause,)
        ),
        "good bead, yet a cause named": tuple(s.name for s in usable if s.cause == "good" and s.causes),
        "crater wrong": tuple(s.name for s in usable if s.crater_right is False),
        "left out: no truth file": accuracy.foreign,
        "worst toe line (median mm)": tuple(f"{name} {d:.2f}" for d, name in toes),
    }
    for what, names in rows.items():
        out.add_row(what, ", ".join(names) or "none")
    return out
