"""What a traced toe's stated uncertainty is made of: scatter from place to place, and a bias of the toe as a whole.

The reader's hesitation at an edge tells both. Found on beads with known toes, settings in data/measures.toml.

Noise of the traced toes makes every spread come out too large: var(seen) = var(true) + var(noise). The noise that the
tracer states for each station is therefore drawn many times and sent through the very same computation. A tracer also
smooths, which takes spread away: so only a share of what the noise adds is taken out, and all that lies between
nothing and the most that such noise comes to stays in the uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from toeline.measures.figures import MeasureFigures
from toeline.result import BudgetRow, Quantity
from toeline.trace.band import F64
from toeline.uncertainty import Effects, correlated_noise, propagate, quantity, row, rows_of

Statistics = Mapping[str, F64]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value, what each source with modes does to it, budget rows of what has none, and the count ``n`` behind it."""

    value: float
    effects: Effects
    others: tuple[BudgetRow, ...] = ()
    n: int | None = None

    def quantity(self, unit: str) -> Quantity:
        """It with its whole budget, for the result document."""
        return quantity(self.value, [*self.others, *rows_of(self.effects)], unit, self.n)


def scatter(u: F64) -> F64:
    """The part (N,) of a toe's standard uncertainty (N,) that varies along the seam, mm."""
    return np.asarray(MeasureFigures.read().toe.noise_share * u)


def own_bias(u: F64) -> float:
    """Standard uncertainty, mm, of one toe lying too far out or in as a whole, for its stations' (N,) own."""
    return float(MeasureFigures.read().toe.bias_share * np.sqrt(np.mean(u**2)))


def common_bias() -> float:
    """Standard uncertainty, mm, of both toes lying too far out or in together."""
    return float(MeasureFigures.read().toe.bias_u)


def reader_bias(u_one: F64, u_other: F64, outwards: tuple[float, float] = (1.0, 1.0)) -> F64:
    """Modes (3, 2, N) of the reader's own bias for two toes: both outwards together, and each alone as far as it is
    unsure of it; ``outwards`` is the sign of a move of each toe away from the other."""
    one, other = outwards
    modes = [[common_bias() * one, common_bias() * other], [own_bias(u_one), 0.0], [0.0, own_bias(u_other)]]
    return np.array(modes)[:, :, None] * np.ones(len(u_one))


def toe_noise(s: F64, u_one: F64, u_other: F64) -> F64:
    """Draws (D, 2, N) of both toes' scatter at even stations ``s`` (N,), for their standard uncertainties (N,)."""
    rule, noise = MeasureFigures.read().toe, MeasureFigures.read().noise
    rng = np.random.default_rng(noise.seed)
    return correlated_noise(s, scatter(np.stack([u_one, u_other])), rule.correlation, noise.pairs, rng)


def estimate(
    statistics: Callable[[F64], Statistics],
    measures: Callable[[Statistics, Statistics], Statistics],
    x: F64,
    noise: F64,
    sources: Mapping[str, F64],
) -> tuple[dict[str, Estimate], dict[str, F64]]:
    """Measures of ``x`` with the noise in it taken out, by name; and how much of every statistic was taken out.

    ``statistics`` takes (..., *x.shape) and gives (...) by name; ``measures`` takes them and how much of each is
    noise, and gives the measures. ``noise`` (D, *x.shape) are draws of it, ``sources`` the modes of everything else.
    """
    rule = MeasureFigures.read().toe
    raw, drawn = statistics(x), statistics(x + noise)
    added = {name: v.mean(axis=0) - raw[name] for name, v in drawn.items()}  # on average, over all draws

    def share(of_it: float) -> dict[str, F64]:
        return {name: of_it * v for name, v in added.items()}

    taken = share(rule.noise_net)
    value = measures(raw, taken)
    spread = measures(drawn, share(1.0 + rule.noise_net))
    none, most = measures(raw, share(0.0)), measures(raw, share((rule.noise_most / rule.noise_share) ** 2))
    effects = propagate(lambda moved: measures(statistics(moved), taken), x, sources)
    found = {
        name: Estimate(
            float(value[name]),
            effects[name],
            (
                row("toe localisation", float(np.std(spread[name]))),
                row("noise correction", abs(float(none[name] - most[name])) / 2.0),
            ),
        )
        for name in value
    }
    return found, taken
