"""How far the answer moves when nothing has changed: the same photo encoded again, cropped, turned, resized, the check
line read a little differently.

Each photo is measured as it is and after every change, and each change is held against the first answer, not against
truth: the length has to stay within 3 mm, mean width and undercut's length within the first answer's U, and the outcome
(refused, or what the criteria say) and the first cause have to stay what they were. Where one of both answers has no
figure, the outcome tells of it and the figure counts neither way.
"""

from __future__ import annotations

import json
import multiprocessing
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from rich.table import Table

from toeline.errors import ToelineError
from toeline.photo import Exif, Photo, read_photo
from toeline.result import Result
from toeline.validation.accuracy import inputs_of, photos_with_truth

LENGTH_MM = 3.0
#: Against which criteria an outcome is asked for; any would do.
CRITERIA, THICKNESS_MM = "iso5817-2023-c", 10.0
#: What has to stay: key and heading.
KEPT = {
    "length": f"length within {LENGTH_MM:g} mm",
    "width": "mean width within U",
    "undercut": "undercut within U",
    "outcome": "outcome",
    "cause": "first cause",
}
CHANGES = (
    "encoded again",
    "5 px cropped",
    "turned by 90°",
    "3 % smaller",
    "3 % larger",
    "check line +0.1",
    "check line -0.1",
)


@dataclass(frozen=True, slots=True)
class Moved:
    """What one change did to one photo: per key of :data:`KEPT` whether it stayed (None: it has no say), and the fault
    that it brought out, if any."""

    photo: str
    change: str
    kept: dict[str, bool | None]
    fault: str | None = None


def run_stability(
    folder: Path | str, *, jobs: int | None = None, progress: Callable[[int, int, str], None] | None = None
) -> tuple[Moved, ...]:
    """Every photo of a folder with truth beside it, measured as it is and after each change.

    Raises:
        SettingsError: the folder holds no such photo.
    """
    pairs = photos_with_truth(Path(folder))
    moved: list[Moved] = []
    workers = min(jobs or os.cpu_count() or 1, len(pairs))
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        for done, (pair, some) in enumerate(zip(pairs, pool.map(_each_change, pairs), strict=True), 1):
            moved += some
            if progress:
                progress(done, len(pairs), pair[0].name)
    return tuple(moved)


def changed(photo: Photo, change: str) -> Photo:
    """The photo after one of the :data:`CHANGES` that are to its pixels."""
    image: Any = photo.image
    exif = photo.exif
    if change == "encoded again":
        image = cv2.imdecode(cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 85])[1], cv2.IMREAD_COLOR)
    elif change == "5 px cropped":
        image = image[5:-5, 5:-5]
        exif = _longer(exif, max(photo.width, photo.height) / (max(photo.width, photo.height) - 10))
    elif change == "turned by 90°":
        image = cv2.rotate(image, cv2.ROTATE_90_CLOCKWISE)
    elif change in ("3 % smaller", "3 % larger"):
        scale = 0.97 if "smaller" in change else 1.03
        how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
        image = cv2.resize(image, None, fx=scale, fy=scale, interpolation=how)
    return replace(photo, image=np.ascontiguousarray(image), exif=exif)


def _longer(exif: Exif, factor: float) -> Exif:
    """The notes of a picture whose side was cut: its focal length counts for ``factor`` times as much."""
    return exif if exif.focal_35mm is None else replace(exif, focal_35mm=exif.focal_35mm * factor)


def _each_change(pair: tuple[Path, Path]) -> list[Moved]:
    from toeline.pipeline import measure

    cv2.setNumThreads(1)  # the photos share the cores already
    photo = read_photo(pair[0])
    said = inputs_of(json.loads(pair[1].read_text("utf-8"))) | {"criteria": CRITERIA, "thickness": THICKNESS_MM}
    line = said["check_line"]
    first: Result | None = None
    out = []
    for change in ("", *CHANGES):
        inputs: dict[str, Any] = dict(said)
        if change.startswith("check line"):
            if line is None:
                continue
            inputs["check_line"] = line + float(change.split()[-1])
        try:
            result = measure(changed(photo, change), **inputs)
        except ToelineError:
            result = None
        except Exception as error:  # a fault of the tool's own is what this looks for, too
            out.append(Moved(photo.name, change or "as it is", {}, f"{type(error).__name__}: {error}"))
            continue
        if not change:
            first = result
        else:
            out.append(Moved(photo.name, change, kept(first, result)))
    return out


def kept(first: Result | None, then: Result | None) -> dict[str, bool | None]:
    """What stayed the same from one result to another; a photo that gives no result at all is None."""

    def off(name: str, within: float | None = None) -> bool | None:
        a, b = (None if r is None else r.measures.get(name) for r in (first, then))
        if a is None or b is None or a.value is None or b.value is None:
            return None
        return abs(a.value - b.value) <= (a.U or 0.0 if within is None else within)

    measured = [r is not None and r.photo.usable and r.bead.found for r in (first, then)]
    causes = [r.causes[0].cause if r is not None and r.causes else None for r in (first, then)]
    return {
        "length": off("length", LENGTH_MM),
        "width": off("width_mean"),
        "undercut": off("undercut_length_total"),
        "outcome": _outcome(first) == _outcome(then),
        "cause": causes[0] == causes[1] if all(measured) else None,
    }


def _outcome(result: Result | None) -> str:
    if result is None or not result.photo.usable or not result.bead.found or result.judgement is None:
        return "refused"
    return result.judgement.outcome


def stability_table(moved: Sequence[Moved]) -> Table:
    """The share that stayed, by change and over all, and the faults."""
    out = Table(title="Small changes: what stayed, in % (of so many pairs)", title_justify="left")
    out.add_column("change")
    for heading in KEPT.values():
        out.add_column(heading, justify="right")
    out.add_column("faults", overflow="fold")
    for change in (*CHANGES, "all"):
        some = [m for m in moved if change in (m.change, "all")]
        faults = ", ".join(f"{m.photo}: {m.fault}" for m in some if m.fault) if change != "all" else ""
        out.add_row(change, *(_said(some, key) for key in KEPT), faults or "none")
    lost = sorted({m.photo for m in moved if any(v is False for k, v in m.kept.items() if k in ("length", "outcome"))})
    out.caption = f"length or outcome moved: {', '.join(lost) or 'none'}"
    return out


def share_kept(moved: Sequence[Moved], key: str) -> tuple[float | None, int]:
    """The share of pairs in which ``key`` of :data:`KEPT` stayed, and of how many."""
    told = [m.kept[key] for m in moved if m.kept.get(key) is not None]
    return (sum(map(bool, told)) / len(told) if told else None), len(told)


def stability_json(moved: Sequence[Moved]) -> str:
    """The pairs, and the share that stayed over all of them, as JSON text."""
    shares = {key: dict(zip(("share", "pairs"), share_kept(moved, key), strict=True)) for key in KEPT}
    faults = sum(m.fault is not None for m in moved)
    return json.dumps({"kept": shares, "faults": faults, "changes": [asdict(m) for m in moved]}, indent=2)


def _said(moved: Sequence[Moved], key: str) -> str:
    share, n = share_kept(moved, key)
    return "-" if share is None else f"{100 * share:.0f} ({n})"
