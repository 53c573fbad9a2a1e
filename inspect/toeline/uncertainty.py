"""Uncertainty: the law of propagation of the GUM (JCGM 100:2008, clause 5), in square-root form.

The error of a source is carried as *modes*: rows that each move all inputs together by one standard uncertainty,
independent of each other, so that the covariance is ``modes.T @ modes``. A correlation is therefore never lost: the
print scale is one mode that stretches every point at once. Sources keep their labels, for a budget names them. Expanded
uncertainties use k = 2.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from toeline.result import BudgetRow, Quantity

F64 = NDArray[np.float64]
Distribution = Literal["normal", "rectangular", "triangular"]
#: By source: what each of its modes does to one result, (M,) or, for a result at many places, (M, N).
Effects = dict[str, F64]

#: Half-width to standard uncertainty (JCGM 100:2008, 4.3.7 and 4.3.9).
_DIVISOR: Mapping[Distribution, float] = {"normal": 2.0, "rectangular": math.sqrt(3.0), "triangular": math.sqrt(6.0)}

COVERAGE = 2.0


def standard(half_width: float, distribution: Distribution) -> float:
    """Type B standard uncertainty of a quantity known to lie within ± ``half_width`` (normal: at k = 2)."""
    return half_width / _DIVISOR[distribution]


def propagate(f: Callable[[F64], Mapping[str, F64]], x: F64, sources: Mapping[str, F64]) -> dict[str, Effects]:
    """What each source of uncertainty does to each result of ``f`` at ``x``, to first order (JCGM 100:2008, 5.2.2).

    ``f`` takes many inputs at once, (K, *x.shape), and gives (K, ...) for every result by name. ``sources`` holds the
    modes (M, *x.shape) of each source. Each sensitivity is the central difference over one standard uncertainty either
    way (5.1.3, note 2).
    """
    every = np.concatenate([np.zeros((0, *x.shape)), *sources.values()])
    out = f(np.concatenate([x + every, x - every]))
    cuts = np.cumsum([len(modes) for modes in sources.values()], dtype=int)
    return {
        name: dict(zip(sources, np.split((v[: len(every)] - v[len(every) :]) / 2.0, cuts)[:-1], strict=True))
        for name, v in out.items()
    }


def correlated_noise(s: F64, u: F64, length: float, pairs: int, rng: np.random.Generator) -> F64:
    """Draws (2 * pairs, ..., N) of noise of standard deviation ``u`` (..., N) at even stations ``s`` (N,), correlated
    along them over ``length`` (exponential). Every draw comes with its mirror image, so that linear effects cancel
    exactly in means."""
    rho = math.exp(-(s[1] - s[0]) / length)
    drawn = rng.standard_normal((*u.shape[:-1], pairs, len(s)))
    noise = np.ascontiguousarray(np.moveaxis(drawn, -1, 0))  # station by station
    noise[1:] *= math.sqrt(1.0 - rho * rho)
    for before, here in pairwise(noise):  # SciPy's own filter takes long to load
        here += rho * before
    both = np.empty((2 * pairs, *u.shape))
    np.multiply(u, noise.T, out=both[:pairs])
    np.negative(both[:pairs], out=both[pairs:])
    return both


def row(label: str, u: float, distribution: Distribution = "normal") -> BudgetRow:
    """A budget row with standard uncertainty ``u`` in the quantity's unit."""
    return BudgetRow(label=label, distribution=distribution, u=float(u))


def rows_of(effects: Effects) -> list[BudgetRow]:
    """A budget row for each source of :func:`propagate`: its modes are independent of each other."""
    return [row(label, float(np.linalg.norm(changes))) for label, changes in effects.items()]


def combined(rows: Iterable[BudgetRow]) -> float:
    """Combined standard uncertainty of independent contributions."""
    return math.sqrt(sum(r.u * r.u for r in rows))


def quantity(value: float, rows: Iterable[BudgetRow], unit: str = "mm", n: int | None = None) -> Quantity:
    """A known quantity with its budget; U at k = 2. Rows that contribute nothing but rounding are left out."""
    rows = tuple(rows)
    rounding = 1e-9 * combined(rows)
    kept = tuple(r for r in rows if r.u > rounding)
    return Quantity(value=float(value), U=COVERAGE * combined(kept), k=COVERAGE, unit=unit, n=n, budget=kept)
