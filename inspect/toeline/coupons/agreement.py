"""Do two people, or a person and the tool, judge a class alike? Cohen's kappa and where they differ."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np

from toeline.coupons.coupons import ClassScores
from toeline.coupons.csv_rows import read_rows
from toeline.errors import RubricError
from toeline.report.table import guard_cell
from toeline.text import one_line

#: Points are compared in so many steps from 0 to the most points given: finer steps differ by chance alone.
STEPS = 5
#: Fewer coupons say nothing of agreement.
FEWEST = 5
#: Landis and Koch 1977, Biometrics 33, table 2 (from memory): up to which kappa agreement is called what.
_CALLED = (
    (0.0, "poor"),
    (0.2, "slight"),
    (0.4, "fair"),
    (0.6, "moderate"),
    (0.8, "substantial"),
    (1.0, "almost perfect"),
)


@dataclass(frozen=True, slots=True)
class Difference:
    """One coupon that two raters judged differently."""

    coupon: str
    first: str
    second: str
    steps: int


@dataclass(frozen=True, slots=True)
class Agreement:
    """How two raters agree over ``coupons`` coupons.

    ``kappa`` is Cohen's; weighted by squared steps where marks have an order of more than two steps (``weighted``).
    ``U`` is its expanded uncertainty (k = 2) by the asymptotic standard error of Fleiss, Cohen and Everitt 1969; None
    for both where one rater gave every coupon the same mark, and ``why`` says so.
    """

    raters: tuple[str, str]
    coupons: int
    same: int
    weighted: bool
    kappa: float | None
    U: float | None
    why: str
    differences: tuple[Difference, ...]

    @property
    def called(self) -> str | None:
        """The usual word for this kappa."""
        if self.kappa is None:
            return None
        return next(word for up_to, word in _CALLED if self.kappa <= up_to)


def read_marks(data: bytes, name: str = "marks") -> dict[str, dict[str, str]]:
    """Marks from CSV with a header row: ``coupon`` and one column a rater; by rater, then coupon, without empty cells.

    Raises:
        RubricError: it is no such table; the text names the line.
    """
    rows = read_rows(data, name)
    columns = [one_line(cell) for cell in rows[0]] if rows else []
    if not columns or columns[0].lower() != "coupon" or len(set(columns)) < 3 or len(set(columns)) != len(columns):
        raise RubricError(f"{name}, line 1: the header must hold coupon and one column for each of two or more raters.")
    marks: dict[str, dict[str, str]] = {rater: {} for rater in columns[1:]}
    for number, row in enumerate(rows[1:], start=2):
        cells = dict(zip(columns, (one_line(cell) for cell in row), strict=False))
        coupon = cells.pop(columns[0], "")
        if not coupon and any(cells.values()):
            raise RubricError(f"{name}, line {number}: the coupon's name is missing.")
        for rater, mark in cells.items():
            if mark and marks[rater].setdefault(coupon, mark) != mark:
                raise RubricError(f"{name}, line {number}: {rater} marks {coupon} twice.")
    return marks


def agreement(first: Mapping[str, str], second: Mapping[str, str], raters: tuple[str, str]) -> Agreement:
    """How two raters' marks (coupon to ``pass``, ``fail`` or points) agree over the coupons that both marked.

    Raises:
        RubricError: fewer than five coupons in common, or points and words mixed.
    """
    common = [coupon for coupon in first if coupon in second]
    if len(common) < FEWEST:
        raise RubricError(f"{raters[0]} and {raters[1]} have {len(common)} coupons in common; {FEWEST} are the fewest.")
    places, ordered = _steps([first[c] for c in common], [second[c] for c in common])
    table = np.zeros((places.max() + 1, places.max() + 1), int)
    np.add.at(table, (places[0], places[1]), 1)
    differences = [
        Difference(c, first[c], second[c], int(abs(a - b)))
        for c, a, b in zip(common, *places.tolist(), strict=True)
        if a != b
    ]
    differences.sort(key=lambda one: (-one.steps, one.coupon))
    weighted = ordered and len(table) > 2
    kappa, spread, why = _kappa(table, weighted)
    same = int(np.trace(table))
    return Agreement(raters, len(common), same, weighted, kappa, spread, why, tuple(differences))


def marks_of_class(data: bytes, like: Mapping[str, str], name: str = "class list") -> dict[str, str]:
    """toeline's own marks of a class, from the class list that ``toeline score`` wrote as CSV: points where the other
    rater's marks ``like`` are points, else outcomes.

    Raises:
        RubricError: it is no class list.
    """
    rows = list(csv.DictReader(io.StringIO(data.decode("utf-8-sig", "replace"))))
    column = "points" if all(as_points(mark) is not None for mark in like.values()) else "outcome"
    if not rows or not {"coupon", column} <= rows[0].keys():
        raise RubricError(f"{name} is no class list; write one with toeline score FOLDER --csv FILE.")
    return {row["coupon"]: row[column] for row in rows if row[column]}


def marks_of_scores(scores: ClassScores, *, points: bool) -> dict[str, str]:
    """toeline's own marks of a scored class by name: points, or the outcomes that are decided."""
    if points:
        return {one.name: f"{one.points:.1f}" for one in scores.scored}
    return {one.name: one.outcome for one in scores.coupons if one.outcome != "undecided"}


def csv_of_marks(marks: Mapping[str, Mapping[str, str]]) -> bytes:
    """Marks of raters by coupon as CSV, as :func:`read_marks` reads them; no cell can be read as a formula."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([guard_cell(cell) for cell in ("coupon", *marks)])
    for coupon in dict.fromkeys(name for given in marks.values() for name in given):
        writer.writerow([guard_cell(cell) for cell in (coupon, *(given.get(coupon, "") for given in marks.values()))])
    return out.getvalue().encode("utf-8-sig")


def _steps(first: Sequence[str], second: Sequence[str]) -> tuple[np.ndarray, bool]:
    """Both raters' marks as steps (2, n), and whether the steps have an order."""
    numbers = [[as_points(mark) for mark in marks] for marks in (first, second)]
    known = [value is not None for marks in numbers for value in marks]
    if all(known):
        points = np.array(numbers, float)
        most = points.max() or 1.0
        return np.minimum((points / most * STEPS).astype(int), STEPS - 1), True
    if any(known):
        raise RubricError("Marks are points or words, not both: give every coupon the same kind of mark.")
    words = sorted({mark.lower() for mark in (*first, *second)})
    return np.array([[words.index(mark.lower()) for mark in marks] for marks in (first, second)]), False


def as_points(mark: str) -> float | None:
    """A mark as points, or None where it is a word."""
    try:
        value = float(mark.replace(",", "."))
    except ValueError:
        return None
    return value if isfinite(value) and value >= 0 else None


def _kappa(table: np.ndarray, weighted: bool) -> tuple[float | None, float | None, str]:
    try:
        from statsmodels.stats.inter_rater import cohens_kappa
    except ModuleNotFoundError:
        raise RubricError("Agreement needs statsmodels: install toeline[agreement].") from None
    if (table.sum(axis=0) > 0).sum() < 2 and (table.sum(axis=1) > 0).sum() < 2:
        return None, None, "every coupon got the same mark from both: kappa cannot tell agreement from chance"
    found = cohens_kappa(table, wt="quadratic" if weighted else None)
    spread = 2.0 * float(found.std_kappa)
    return float(found.kappa), spread if isfinite(spread) else None, ""
