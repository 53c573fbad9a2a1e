"""Undercut that is surely there by its depth, measured over the plate, where the face photo shows none."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np

from toeline.measures.figures import IndicationFigures
from toeline.measures.indications import runs
from toeline.photogrammetry.groove import Groove
from toeline.photogrammetry.relief import Relief
from toeline.result import Bead, Indication, Quantity, Side
from toeline.trace.band import F64
from toeline.uncertainty import COVERAGE


def undercut_by_depth(
    relief: Relief, grooves: Mapping[Side, Groove], bead: Bead, indications: tuple[Indication, ...]
) -> tuple[Indication, ...]:
    """Runs along the toes where a depth is told that lies beyond its own U, without those already indicated."""
    return tuple(
        _indication(bead, side, *run)
        for side, groove in grooves.items()
        for run in _runs(relief, groove, [one for one in indications if one.kind == "undercut" and one.side == side])
    )


def with_lengths(measures: Mapping[str, Quantity], found: tuple[Indication, ...]) -> dict[str, Quantity]:
    """The lengths of undercut with these runs; how much is not seen stays as unsure as the face photo leaves it."""
    out = {}
    for name in ("left", "right", "total"):
        more = [one for one in found if name in (one.side, "total")]
        length = measures.get(f"undercut_length_{name}")
        if more and length is not None and length.value is not None:
            value = length.value + sum((one.to or 0.0) - (one.from_ or 0.0) for one in more)
            out[f"undercut_length_{name}"] = length.model_copy(update={"value": value})
    return out


def _runs(relief: Relief, groove: Groove, shown: list[Indication]) -> Iterator[tuple[float, float, float]]:
    """From and to along the seam, mm, and how many standard uncertainties deep it is in the median."""
    rule = IndicationFigures.read().undercut
    seam = np.interp(groove.s, relief.seam[:, 1], relief.seam[:, 0])
    times: F64 = groove.depth / groove.u_depth
    surely = groove.told & (times > COVERAGE)
    for one in shown:
        if one.from_ is not None and one.to is not None:
            surely &= (seam < one.from_ - rule.bridge) | (seam > one.to + rule.bridge)
    for run in runs(surely.astype(float), float(groove.s[1] - groove.s[0]), rule):
        here = slice(run.first, run.last + 1)
        yield float(seam[run.first]), float(seam[run.last]), float(np.median(times[here][surely[here]]))


def _indication(bead: Bead, side: Side, begin: float, end: float, times: float) -> Indication:
    """The run as an indication at its middle."""
    k = int(np.abs(np.array(bead.s) - (begin + end) / 2).argmin())
    toe, toe_px = (bead.left_toe, bead.left_toe_px) if side == "left" else (bead.right_toe, bead.right_toe_px)
    return Indication.model_validate(
        {
            "kind": "undercut",
            "iso6520": "5011" if end - begin > IndicationFigures.read().undercut.continuous else "5012",
            "side": side,
            "from": begin,
            "to": end,
            "at": toe[k] if toe else None,
            "at_px": toe_px[k],
            "confidence": 0.5 * (1 + math.erf(times / math.sqrt(2.0))),
            "why": f"a groove along the {side} toe by its depth in several photos; the face photo does not show it",
        }
    )
