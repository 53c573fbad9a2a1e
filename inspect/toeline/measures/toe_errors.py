"""What a traced toe's stated uncertainty is made of: scatter from place to place, and a bias of the toe as a whole.

The reader's hesitation at an edge tells both. Found on beads with known toes, settings in data/measures.toml.
"""

from __future__ import annotations

import numpy as np

from toeline.datafile import load
from toeline.trace.band import F64


def scatter(u: F64) -> F64:
    """The part (N,) of a toe's standard uncertainty (N,) that varies along the seam, mm."""
    return np.asarray(load("measures.toml")["toe"]["noise_share"] * u)


def own_bias(u: F64) -> float:
    """Standard uncertainty, mm, of one toe lying too far out or in as a whole, for its stations' (N,) own."""
    return float(load("measures.toml")["toe"]["bias_share"] * np.sqrt(np.mean(u**2)))


def common_bias() -> float:
    """Standard uncertainty, mm, of both toes lying too far out or in together."""
    return float(load("measures.toml")["toe"]["bias_u"])
