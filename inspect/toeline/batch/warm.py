"""What a worker loads before its first photo."""

from __future__ import annotations


def warm_up() -> None:
    """Load what measuring needs, so that a worker's first photo is as quick as its second, and its limit of memory is
    for photos alone."""
    import numpy as np

    import toeline.pipeline  # noqa: F401
    from toeline.geometry.card import find_cards_in
    from toeline.trace.bead_finder import detect_beads
    from toeline.trace.networks import read_band, read_plate

    blank = np.full((256, 256, 3), 128, np.uint8)
    find_cards_in(blank[..., 0])
    detect_beads(blank)
    read_band(blank)
    read_plate(blank)
