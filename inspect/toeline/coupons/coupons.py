"""A class of coupons: many photos measured without stopping at a bad one, scored, and written as CSV or XLSX."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable
from concurrent.futures import Executor
from dataclasses import dataclass
from math import hypot
from pathlib import Path
from statistics import median
from typing import Any

import pandas as pd

from toeline.batch import Measured, Memory, measure_many
from toeline.coupons.by_bead import by_bead
from toeline.coupons.roster import Roster, coupon_code
from toeline.coupons.rubric import Rubric
from toeline.coupons.score import Score, score
from toeline.errors import RubricError
from toeline.report.table import guard_cell
from toeline.result import Outcome, Result, Settings
from toeline.text import one_line

PHOTO_ENDINGS = (".jpg", ".jpeg", ".png", ".heic", ".heif", ".tif", ".tiff", ".webp")


@dataclass(frozen=True, slots=True)
class Coupon:
    """One coupon of a class. ``problem`` says why it has no score, or what kept the photo from being scored fully."""

    name: str
    photo: str
    result: Result | None
    score: Score | None
    problem: str | None = None

    @property
    def outcome(self) -> Outcome:
        """The score's outcome; a coupon without a score is undecided."""
        return "undecided" if self.score is None else self.score.outcome

    @property
    def points(self) -> float | None:
        """The score's points, None without."""
        return None if self.score is None else self.score.points


@dataclass(frozen=True, slots=True)
class Bin:
    """One bar of the distribution: how many coupons have ``low`` <= points < ``high`` (the last bar includes it)."""

    low: float
    high: float
    count: int


@dataclass(frozen=True, slots=True)
class ClassScores:
    """A scored class, in the order of the photos.

    ``absent``: names of the roster without a photo; ``unnamed``: photos that the roster names nobody for.
    """

    rubric: Rubric
    coupons: tuple[Coupon, ...]
    absent: tuple[str, ...] = ()
    unnamed: tuple[str, ...] = ()

    @property
    def scored(self) -> tuple[Coupon, ...]:
        """The coupons that have points."""
        return tuple(coupon for coupon in self.coupons if coupon.points is not None)

    @property
    def problems(self) -> tuple[Coupon, ...]:
        """The coupons without points, each with its reason."""
        return tuple(coupon for coupon in self.coupons if coupon.points is None)

    @property
    def median_points(self) -> float | None:
        """The median of the points, None when nothing was scored."""
        points = [coupon.points for coupon in self.scored if coupon.points is not None]
        return median(points) if points else None

    @property
    def broken(self) -> tuple[Coupon, ...]:
        """The coupons whose photo could not be read or used at all."""
        return tuple(one for one in self.coupons if one.result is None or not one.result.photo.usable)

    @property
    def complete(self) -> bool:
        """Whether every name has a photo, every photo a name, and every photo could be used."""
        return not (self.absent or self.unnamed or self.broken)

    def places(self) -> dict[str, tuple[int, int]]:
        """Best and worst place by photo, from 1: two coupons are told apart where their points differ by more than both
        their doubts together."""
        scored = [(one.photo, one.points or 0.0, one.score.U) for one in self.scored if one.score is not None]
        return {
            photo: (
                1 + sum(other - points > hypot(u, U) for _, other, u in scored),
                len(scored) - sum(points - other > hypot(u, U) for _, other, u in scored),
            )
            for photo, points, U in scored
        }

    def count(self, outcome: Outcome) -> int:
        """How many coupons have this outcome."""
        return sum(coupon.outcome == outcome for coupon in self.coupons)

    def distribution(self, bars: int = 10) -> tuple[Bin, ...]:
        """How the points spread over equal steps from 0 to the rubric's full points."""
        width = self.rubric.points / bars
        places = [min(int((coupon.points or 0.0) / width), bars - 1) for coupon in self.scored]
        return tuple(Bin(i * width, (i + 1) * width, places.count(i)) for i in range(bars))


def photos_in(folder: str | Path) -> tuple[Path, ...]:
    """The photos of a folder by name; RubricError when there is no such folder or it holds none."""
    folder = Path(folder)
    if not folder.is_dir():
        raise RubricError(f"There is no folder {folder}; give the folder that holds the photos.")
    found = sorted(path for path in folder.iterdir() if path.suffix.lower() in PHOTO_ENDINGS)
    if not found:
        raise RubricError(f"The folder {folder} holds no photos ({', '.join(PHOTO_ENDINGS)}).")
    return tuple(found)


def score_class(
    measured: Iterable[Measured], rubric: Rubric, *, reference: Result | None = None, roster: Roster | None = None
) -> ClassScores:
    """Score measured photos and name them, in the order of their file names."""
    roster = roster or Roster()
    coupons, unnamed = [], []
    for one in sorted(measured, key=lambda one: one.photo):
        name = roster.name_for(one.photo, one.code)
        if roster.names and name not in roster.names:
            unnamed.append(one.photo)
        result = one.result
        if result is not None:
            result = said_later(result, roster.settings_for(one.photo, one.code, result.settings))
        scored = None if result is None else score(result, rubric, reference)
        problem = one.problem
        if scored is not None and scored.points is None:
            problem = " ".join(scored.reasons)
        coupons.append(Coupon(name, one.photo, result, scored, problem))
    named = {coupon.name for coupon in coupons}
    absent = tuple(name for name in roster.names if name not in named)
    return ClassScores(rubric, tuple(coupons), absent, tuple(unnamed))


def said_later(result: Result, settings: Settings) -> Result:
    """The same measures judged and coached by other settings.

    Raises:
        RubricError: one of them is a setting that the photo has to be measured by.
    """
    if settings == result.settings:
        return result
    from toeline.pipeline import judge_again  # loads what measures, which a page that only scores can do without

    again = judge_again(result, settings)
    if again is None:
        raise RubricError("What was said changes how the photo is measured: measure it anew.")
    return again


def score_folder(
    folder: str | Path,
    rubric: Rubric,
    *,
    settings: Settings | None = None,
    reference: Path | None = None,
    roster: Roster | None = None,
    memory: Memory | None = None,
    executor: Executor | None = None,
    on_progress: Callable[[int, int, Measured], None] | None = None,
) -> ClassScores:
    """Measure and score every coupon of a folder: one photo each, or several that :func:`by_bead` takes for one bead's.

    ``reference`` is the photo of the reference bead, for a rubric that compares with one; ``on_progress`` is told
    how many of how many photos are done, and the latest. Raises RubricError for an empty folder or a reference bead
    that cannot be measured.
    """
    settings = settings or Settings()
    photos = [path for path in photos_in(folder) if reference is None or path.resolve() != reference.resolve()]
    standard = None
    if reference is not None:
        (standard,) = measure_many([reference], settings, executor=executor)
        if standard.result is None:
            raise RubricError(f"The reference bead cannot be measured: {standard.problem}")
    code_of = coupon_code if roster is not None and roster.by_code else None
    paths = {path.name: path for path in photos}
    sides = {paths[face]: [paths[side] for side in more] for face, more in by_bead(paths).items()}
    done: list[Measured] = []
    for one in measure_many(sides, settings, executor=executor, memory=memory, code_of=code_of, sides=sides):
        done.append(one)
        if on_progress is not None:
            on_progress(len(done), len(sides), one)
    return score_class(done, rubric, reference=standard.result if standard else None, roster=roster)


def to_frame(scores: ClassScores) -> pd.DataFrame:
    """The class list: one row a coupon, one column pair (points, value) an item; names without a photo come last.

    No cell can be read as a formula.
    """
    rows = []
    places = scores.places()
    for coupon in scores.coupons:
        row: dict[str, object] = {
            "coupon": coupon.name,
            "photo": coupon.photo,
            "outcome": coupon.outcome,
            "points": _rounded(coupon.points, 1),
            "U": _rounded(coupon.score.U, 1) if coupon.score and coupon.points is not None else None,
            "of": scores.rubric.points,
            "place": place_in_words(places.get(coupon.photo)),
        }
        lines = {line.id: line for line in coupon.score.items} if coupon.score else {}
        for item in scores.rubric.item:
            line = lines.get(item.id)
            unit = "" if item.unit == "1" or item.per is not None else f", {item.unit}"
            row[f"{item.title}, points of {item.weight:g}"] = _rounded(line.points if line else None, 1)
            row[f"{item.title}, value{unit}"] = _rounded(line.value.value if line else None, 3)
        row["reasons"] = coupon.problem or " ".join(coupon.score.reasons if coupon.score else ())
        row["rubric"] = f"{scores.rubric.title} ({scores.rubric.digest[:12]})"
        row["photo SHA-256"] = coupon.result.photo.sha256 if coupon.result else None
        if coupon.photo in scores.unnamed:
            row["reasons"] = f"No name in the roster. {row['reasons']}".strip()
        rows.append({_cell(key): _cell(value) for key, value in row.items()})
    rows += [{"coupon": _cell(name), "reasons": "No photo."} for name in scores.absent]
    return pd.DataFrame(rows)


def place_in_words(place: tuple[int, int] | None) -> str | None:
    """``3`` where a place is sure, ``3 to 6`` where coupons cannot be told apart."""
    if place is None:
        return None
    return str(place[0]) if place[0] == place[1] else f"{place[0]} to {place[1]}"


def _cell(value: object) -> Any:
    """A cell's value; a text is on one line, as a workbook takes no control characters, and never a formula."""
    return guard_cell(one_line(value)) if isinstance(value, str) else value


def _rounded(value: float | None, places: int) -> float | None:
    return None if value is None else round(value, places)


def to_csv(scores: ClassScores) -> bytes:
    """The class list as CSV, UTF-8 with a byte order mark so that spreadsheets read it right."""
    return to_frame(scores).to_csv(index=False).encode("utf-8-sig")


def to_xlsx(scores: ClassScores) -> bytes:
    """The class list as a workbook with a frozen header row."""
    out = io.BytesIO()
    with pd.ExcelWriter(out, engine="openpyxl") as writer:
        to_frame(scores).to_excel(writer, sheet_name="Coupons", index=False, freeze_panes=(1, 1))
        for column in writer.sheets["Coupons"].columns:
            longest = max(len(str(cell.value or "")) for cell in column)
            writer.sheets["Coupons"].column_dimensions[column[0].column_letter].width = min(max(10, longest + 2), 40)
    return out.getvalue()
