"""How deep undercut may lie: odds of every depth, read off how well each pair of photos agrees on each groove.

Which pairs see to the bottom of a groove, how like a groove chance agreement looks, and how depth goes on along a toe
is learned from rendered reliefs by a small network (demo_images/training/depths.py).
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from toeline.photogrammetry.figures import ReliefFigures
from toeline.trace.band import F32, F64
from toeline.trace.networks import network

#: What brings agreement and lean, whose spread is about a half, to that of what networks learn from best.
_UNIT = 0.5


def depth_odds(z: F32, leans: F64, likely: F64) -> F64:
    """The odds (depths, n) of each depth, one in all at each station.

    ``z`` (pairs, depths, forms, n) is how well each pair of photos agrees, Fisher's z, on grooves of each depth and
    form, ``leans`` is as in :func:`pair_signs`, and ``likely`` (n,) how surely (0..1) the photos show undercut.
    """
    told = network("groove_depths").run(None, {"pairs": pair_signs(z, leans), "seen": as_seen(likely)})
    return np.asarray(told[0], float)


def as_seen(likely: F64) -> F32:
    """Whether undercut is seen (n,), 0..1: how much more surely it is seen says nothing of its depth."""
    return np.asarray(np.clip(likely / ReliefFigures.read().groove.likely, 0.0, 1.0), np.float32)


def pair_signs(z: F32, leans: F64) -> F32:
    """What the network is told of each pair (pairs, signs, depths, n): how well it agrees on each form, how both photos
    stand, by how much it agrees better than on most and than on its best, and how well on no groove.

    ``leans`` (photos, 2) is how far each line of sight leans outwards over the plate and along the toe, as tangents.
    """
    one, other = (leans[list(at)] for at in zip(*combinations(range(len(leans)), 2), strict=True))
    apart = np.abs(one - other)
    outwards = one[:, 0], other[:, 0]
    stands = np.stack([*apart.T, np.maximum(*outwards), np.minimum(*outwards), np.hypot(*apart.T)], axis=1)
    best = z.max(axis=2, keepdims=True)
    signs = [
        z.swapaxes(1, 2),
        np.broadcast_to(stands[:, :, None, None], (*stands.shape, z.shape[1], z.shape[3])),
        (best - np.median(z, axis=(1, 2), keepdims=True)).swapaxes(1, 2),
        (best - best.max(axis=1, keepdims=True)).swapaxes(1, 2),
        np.broadcast_to(best[:, :1], best.shape).swapaxes(1, 2),
    ]
    return np.asarray(np.concatenate(signs, axis=1) / _UNIT, np.float32)
