"""Uncertainty: the law of propagation of the GUM (JCGM 100:2008, clause 5), in square-root form.

An input's covariance is carried as *modes*: rows that each move all inputs together by one standard uncertainty,
independent of each other, so that the covariance is ``modes.T @ modes``. A correlation is therefore never lost: the
print scale is one mode that stretches every point at once. Expanded uncertainties use k = 2.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from itertools import pairwise
from typing import Literal, Protocol, runtime_checkable

import numpy as np

from toeline.result import BudgetRow, Quantity
from toeline.trace.band import F64, SurfaceFrame

Distribution = Literal["normal", "rectangular", "triangular"]

#: Half-width to standard uncertainty (JCGM 100:2008, 4.3.7 and 4.3.9).
_DIVISOR: Mapping[Distribution, float] = {"normal": 2.0, "rectangular": math.sqrt(3.0), "triangular": math.sqrt(6.0)}

COVERAGE = 2.0


@runtime_checkable
class ErrorModes(Protocol):
    """A frame that can tell how its own errors move points, source by source."""

    def error_modes(self, px: F64) -> Mapping[str, F64]:
        """Source label -> (M, N, 2): the shift in mm of the surface points seen at ``px`` (N, 2) when that source's
        independent mode m is one standard uncertainty off."""
        ...


def standard(half_width: float, distribution: Distribution) -> float:
    """Type B standard uncertainty of a quantity known to lie within ± ``half_width`` (normal: at k = 2)."""
    return half_width / _DIVISOR[distribution]


def modes_of(covariance: F64) -> F64:
    """Modes (M, n) of a covariance (n, n); tiny negative eigenvalues from rounding are dropped."""
    values, vectors = np.linalg.eigh(np.asarray(covariance, float))
    keep = values > max(values.max(initial=0.0), 0.0) * 1e-14
    return np.asarray((vectors[:, keep] * np.sqrt(values[keep])).T)


def propagate(f: Callable[[F64], F64], x: F64, modes: F64) -> F64:
    """Modes (M, k) of ``f(x)`` (k,) from the modes (M, n) of ``x`` (n,): first order, JCGM 100:2008 5.2.2.

    Each sensitivity is the central difference over one standard uncertainty either way (5.1.3, note 2).
    """
    return np.stack([(np.atleast_1d(f(x + m)) - np.atleast_1d(f(x - m))) / 2.0 for m in np.atleast_2d(modes)])


def frame_modes(frame: SurfaceFrame, points: F64) -> dict[str, F64]:
    """How the frame's errors move surface ``points`` (N, 2), by source: label -> (M, N, 2) mm.

    A frame that only knows each point's own covariance says nothing of how points move together. Then the points of
    each half of the list (one half per toe) move as one, and the halves independently: no averaging is claimed.
    """
    px = frame.to_px(points)
    if isinstance(frame, ErrorModes):
        return dict(frame.error_modes(px))
    roots = np.stack([np.linalg.cholesky(c + 1e-18 * np.eye(2)) for c in frame.covariance_mm(px)])
    half = np.arange(len(points)) < len(points) // 2
    return {"plate": np.stack([np.where(side[:, None], roots[:, :, k], 0.0) for side in (half, ~half) for k in (0, 1)])}


def correlated_noise(s: F64, u: F64, length: float, pairs: int, rng: np.random.Generator) -> F64:
    """Draws (2 * pairs, N) of noise of standard deviation ``u`` (N,) at even stations ``s`` (N,), correlated over
    ``length`` (exponential). Every draw comes with its mirror image, so that linear effects cancel exactly in means."""
    rho = math.exp(-(s[1] - s[0]) / length)
    noise = np.ascontiguousarray(rng.standard_normal((pairs, len(s))).T)
    noise[1:] *= math.sqrt(1.0 - rho * rho)
    for before, here in pairwise(noise):
        here += rho * before
    drawn = u * noise.T
    return np.concatenate([drawn, -drawn])


def row(label: str, u: float, distribution: Distribution = "normal") -> BudgetRow:
    """A budget row with standard uncertainty ``u`` in the quantity's unit."""
    return BudgetRow(label=label, distribution=distribution, u=float(u))


def combined(rows: Iterable[BudgetRow]) -> float:
    """Combined standard uncertainty of independent contributions."""
    return math.sqrt(sum(r.u * r.u for r in rows))


def quantity(value: float, rows: Iterable[BudgetRow], unit: str = "mm", n: int | None = None) -> Quantity:
    """A known quantity with its budget; U at k = 2. Rows that contribute nothing but rounding are left out."""
    rows = tuple(rows)
    rounding = 1e-9 * combined(rows)
    kept = tuple(r for r in rows if r.u > rounding)
    return Quantity(value=float(value), U=COVERAGE * combined(kept), k=COVERAGE, unit=unit, n=n, budget=kept)
