"""The tool's own spread: several photos of one coupon, and the repeatability part of a gauge study over coupons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from math import sqrt
from statistics import median

import numpy as np
from scipy.integrate import simpson
from scipy.stats import norm

from toeline.result import Result

#: Two photos of the same thing differ by less than this many repeatability deviations in 95 of 100 pairs:
#: 1.96 times the square root of 2, the repeatability limit of ISO 5725-6:1994, 4.1.4.
LIMIT_FACTOR = 1.96 * sqrt(2.0)
#: From this many subgroups on, the AIAG manual takes d2 itself (Measurement Systems Analysis, 4th ed., appendix C).
MANY_GROUPS = 15


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Spread within groups of repeated readings, in the readings' unit.

    ``s`` is the pooled standard deviation within groups (ISO 5725-2), ``ev`` the equipment variation by the average
    range as in the AIAG manual (None when the groups differ in size), ``least_difference`` what two single readings
    must differ by to mean something.
    """

    s: float
    ev: float | None
    mean_range: float
    groups: int
    readings: int

    @property
    def least_difference(self) -> float:
        """The repeatability limit: 2.77 s."""
        return LIMIT_FACTOR * self.s


@dataclass(frozen=True, slots=True)
class Spread:
    """Repeatability of one measure; ``found`` is None where too few photos gave a value, and ``why`` says so.

    ``stated_U`` is the median of the expanded uncertainties that the results state, to hold against ``2 s``.
    """

    measure: str
    unit: str
    mean: float | None
    found: Repeatability | None
    stated_U: float | None
    why: str = ""


@cache
def mean_range_factor(size: int, groups: int) -> float:
    """d2* of Duncan: the mean of ``groups`` ranges of ``size`` normal readings over this gives their deviation.

    sqrt(d2² + d3²/groups), with d2 and d3 the mean and standard deviation of the range of ``size`` standard normal
    readings, integrated here; with more than 15 groups d2 itself, as the AIAG manual does (K1 = 1/d2).
    """
    lowest, span = np.linspace(-9.0, 9.0, 721)[:, None], np.linspace(0.0, 16.0, 641)[None, :]
    inside = norm.cdf(lowest + span) - norm.cdf(lowest)
    density = simpson(norm.pdf(lowest) * norm.pdf(lowest + span) * inside ** (size - 2), x=lowest, axis=0)
    density *= size * (size - 1)
    mean = float(simpson(span[0] * density, x=span[0]))
    if groups > MANY_GROUPS:
        return mean
    variance = float(simpson(span[0] ** 2 * density, x=span[0])) - mean**2
    return sqrt(mean**2 + variance / groups)


def repeatability(groups: Sequence[Sequence[float]]) -> Repeatability:
    """Repeatability of readings, one group per part (or per part and person), each of two readings or more.

    Raises ValueError when no group has two readings.
    """
    kept = [np.asarray(group, dtype=float) for group in groups if len(group) >= 2]
    if not kept:
        raise ValueError("repeatability needs at least two readings of one part")
    freedom = sum(len(group) - 1 for group in kept)
    s = sqrt(sum(float(((group - group.mean()) ** 2).sum()) for group in kept) / freedom)
    mean_range = float(np.mean([np.ptp(group) for group in kept]))
    sizes = {len(group) for group in kept}
    ev = mean_range / mean_range_factor(sizes.pop(), len(kept)) if len(sizes) == 1 else None
    return Repeatability(s, ev, mean_range, len(kept), sum(len(group) for group in kept))


def spreads(coupons: Mapping[str, Sequence[Result]]) -> tuple[Spread, ...]:
    """The spread of every measure over repeated photos, by coupon.

    Photos that cannot be used or show no bead are left out. ``mean`` is given for a single coupon only.
    """
    used = {
        name: [result for result in results if result.photo.usable and result.bead.found]
        for name, results in coupons.items()
    }
    names = dict.fromkeys(name for results in used.values() for result in results for name in result.measures)
    return tuple(_spread(name, used) for name in names)


def _spread(measure: str, coupons: Mapping[str, Sequence[Result]]) -> Spread:
    quantities = {
        name: [result.measures[measure] for result in results if measure in result.measures]
        for name, results in coupons.items()
    }
    known = [q for group in quantities.values() for q in group if q.value is not None]
    missing = [q for group in quantities.values() for q in group if q.value is None]
    unit = (known or missing)[0].unit
    groups = [[q.value for q in group if q.value is not None] for group in quantities.values()]
    if not any(len(group) >= 2 for group in groups):
        why = missing[0].why if missing and missing[0].why else "fewer than two photos of one coupon gave a value"
        return Spread(measure, unit, None, None, None, why)
    stated = [q.U for q in known if q.U is not None]
    mean = float(np.mean([q.value for q in known])) if len(groups) == 1 else None
    return Spread(measure, unit, mean, repeatability(groups), median(stated) if stated else None)
